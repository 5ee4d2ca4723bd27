// The drawn marks: each says by its shape what it means; colour only helps.

import type { End, Priority } from "./api.ts";
import { svg } from "./dom.ts";

/** A diamond: filled for high, half for medium, open for low. */
export function diamond(p: Priority): SVGElement {
  const fill = { high: "M2 12 12 2 22 12 12 22Z", medium: "M12 2 2 12 12 22Z", low: "" }[p];
  return svg("svg", { class: "mark diamond", viewBox: "0 0 24 24", "aria-hidden": "true", data: { priority: p } },
    fill && svg("path", { d: fill, class: "solid" }),
    svg("path", { d: "M2.6 12 12 2.6 21.4 12 12 21.4Z", class: "line" }));
}

/** A turnout seen from above: the way that is set is drawn heavy and closed. */
export function turnoutSymbol(end: End | undefined): SVGElement {
  const main = end !== "reverse";
  const through = "M1 14H39";
  const diverging = "M11 14 31 3H39";
  const other = main ? "M17 10.7 31 3H39" : "M19 14H39";
  return svg("svg", { class: "mark turnout", viewBox: "0 0 40 18", role: "img", "aria-label": end ? `laid ${end}` : "turnout", data: { end: end ?? "" } },
    !end && svg("path", { d: through, class: "way" }),
    !end && svg("path", { d: diverging, class: "way" }),
    end && svg("path", { d: other, class: "way off" }),
    end && svg("path", { d: main ? through : "M1 14H11L31 3H39", class: "way on" }),
    end && svg("circle", { cx: 11, cy: 14, r: 2.2, class: "toe" }));
}

/** A square: filled for there, open and struck through for away. */
export function presence(there: boolean): SVGElement {
  return svg("svg", { class: "mark presence", viewBox: "0 0 24 24", "aria-hidden": "true", data: { there } },
    svg("rect", { x: 4, y: 4, width: 16, height: 16, class: there ? "solid line" : "line" }),
    !there && svg("path", { d: "M1 23 23 1", class: "line" }));
}

/** A tick for a throw that arrived, a cross for one that did not. */
export function arrived(completed: boolean): SVGElement {
  return svg("svg", { class: "mark arrived", viewBox: "0 0 24 24", "aria-hidden": "true", data: { completed } },
    svg("path", { d: completed ? "M4 13 9.5 19 20 5" : "M4 4 20 20M20 4 4 20", class: "line" }));
}

/** What became of work: a tick for helped, a cross for not, a dash for routine, a ring while it is not known. */
export function outcomeMark(outcome: "helped" | "not-helped" | "routine" | "unknown"): SVGElement {
  const path = { helped: "M4 13 9.5 19 20 5", "not-helped": "M4 4 20 20M20 4 4 20", routine: "M3 12H21", unknown: "M12 5a7 7 0 1 0 .01 0Z" }[outcome];
  return svg("svg", { class: "mark outcome", viewBox: "0 0 24 24", "aria-hidden": "true", data: { outcome } }, svg("path", { d: path, class: "line" }));
}

/** Three turnouts' toes in a row: many, not one. */
export function many(): SVGElement {
  return svg("svg", { class: "mark many", viewBox: "0 0 32 24", "aria-hidden": "true" },
    [5, 16, 27].map((x) => svg("circle", { cx: x, cy: 12, r: 3.6, class: "line" })));
}

/** The wordmark's turnout. */
export function emblem(): SVGElement {
  return svg("svg", { class: "emblem", viewBox: "0 0 64 28", "aria-hidden": "true" },
    ...[6, 14, 22, 30, 38, 46, 54].map((x) => svg("path", { d: `M${x} 15.5V25`, class: "sleeper" })),
    svg("path", { d: "M1 17.5H63M1 23H63", class: "rail" }),
    svg("path", { d: "M9 17.5 46 3H63M20 17.5 48 7.5H63", class: "rail diverging" }));
}

/** A lineside cabinet with its door shut. */
export function cabinetMark(): SVGElement {
  return svg("svg", { class: "mark cabinet", viewBox: "0 0 24 24", "aria-hidden": "true" },
    svg("path", { d: "M4 3H20V21H4ZM4 8H20M12 8V21M2 21H22", class: "line" }));
}
