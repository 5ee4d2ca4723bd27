// A throw's features beside what its past led to expect.

import type { FeatureValue, Trace } from "../api.ts";
import { h, svg } from "../dom.ts";
import { against } from "../trenddata.ts";
import { featureName, features, figure, quantityName, withUnit } from "../words.ts";

export function featureTable(traces: Trace[]): HTMLElement {
  return h("table", { class: "features", id: "features" },
    h("thead", null, h("tr", null, h("th", { scope: "col" }, "Feature"), h("th", { scope: "col", class: "num" }, "Value"), h("th", { scope: "col" }, "Expected range"), h("th", { scope: "col" }, "Against its past"))),
    traces.map((t) => h("tbody", null,
      h("tr", { class: "group" }, h("th", { scope: "rowgroup", colspan: 4 }, `${t.drive}, ${quantityName(t.quantity)}`)),
      order(t.features).map(([name, f]) => row(name, f)))));
}

function order(all: Record<string, FeatureValue>): [string, FeatureValue][] {
  const known = Object.keys(features);
  const place = (n: string): number => (known.includes(n) ? known.indexOf(n) : known.length);
  return Object.entries(all).sort((a, b) => place(a[0]) - place(b[0]));
}

function row(name: string, f: FeatureValue): HTMLElement {
  const place = against(f.value, f.low, f.high);
  return h("tr", { data: { feature: name, place } },
    h("th", { scope: "row" }, featureName(name)),
    h("td", { class: "num" }, withUnit(f.value, f.unit)),
    h("td", { class: "num" }, place === "unknown" ? h("span", { class: "soft" }, "too little known") : `${figure(f.low)} to ${withUnit(f.high, f.unit)}`),
    h("td", { class: "gauge-cell" }, place !== "unknown" && [gauge(f.value, f.low!, f.high!), h("span", { class: place === "within" ? "soft" : "bad" }, place)]));
}

/** The expected range as a bar in the middle, the value as a mark upon, above or below it. */
function gauge(value: number, low: number, high: number): SVGElement {
  const width = high - low || Math.abs(high) || 1;
  const x = Math.max(3, Math.min(97, 30 + (40 * (value - low)) / width));
  const out = value < low || value > high;
  return svg("svg", { class: "mark gauge", viewBox: "0 0 100 12", "aria-hidden": "true" },
    svg("path", { d: "M0 6H100", class: "axis" }), svg("rect", { x: 30, y: 2, width: 40, height: 8, class: "range" }),
    out ? svg("path", { d: `M${x} 1.5 ${x + 4.5} 6 ${x} 10.5 ${x - 4.5} 6Z`, class: "out" }) : svg("path", { d: `M${x} 0V12`, class: "in" }));
}
