// The fleet as marks: along its lines, each turnout in its place in the order
// of the line, or the worst first. Thousands of marks are one small element each.

import { segment } from "../api.ts";
import { arrange, fill, h } from "../dom.ts";
import { count } from "../words.ts";
import { order, short, states, told, worse, type Spot, type State } from "./states.ts";

export interface FleetMap {
  el: HTMLElement;
  draw(list: Spot[], worstFirst: boolean, names: boolean): void;
}

interface Row {
  el: HTMLElement;
  marks: HTMLElement;
  said: HTMLElement;
}

const linesTogether = 10; // of marks, laid out at once; more of one row are pieces that follow each other

/** lacking gives what is still to be learned of a turnout, in words or "". */
export function drawMap(lacking: (turnout: string) => string, pointed: (s: Spot | undefined) => void): FleetMap {
  const el = h("div", { class: "fleet-map" });
  const marks = new Map<string, { el: HTMLAnchorElement; drawn: string; spot: Spot }>();
  const rows = new Map<string, Row>();
  const areas = new Map<string, HTMLElement>();
  let drawnBefore = 0; // marks
  let perRow = 1; // marks beside each other, about
  let current = ""; // the turnout whose mark one gets to with Tab

  const mark = (s: Spot): HTMLAnchorElement => {
    const label = `${s.turnout}: ${told(s)}${s.state === "learning" ? lacking(s.turnout) : ""}`;
    const key = `${s.state} ${s.priority} ${label}`;
    let m = marks.get(s.turnout);
    if (!m) {
      const a = h("a", { class: "spot", href: `/turnouts/${segment(s.turnout)}`, tabindex: -1, data: { turnout: s.turnout } });
      marks.set(s.turnout, (m = { el: a, drawn: "", spot: s }));
    }
    m.spot = s;
    if (m.drawn !== key) {
      m.drawn = key;
      m.el.dataset.state = s.state;
      m.el.dataset.priority = s.priority;
      m.el.setAttribute("aria-label", label);
      fill(m.el, h("i", { data: { letter: states[s.state].letter } }), h("span", null, short(s)));
    }
    return m.el;
  };

  const row = (key: string, name: string, soft: boolean, first: boolean): Row => {
    let r = rows.get(key);
    if (!r) {
      const said = h("small");
      const line = h("div", { class: "marks", role: "group", "aria-label": first ? name : `${name}, more` });
      r = { el: h("div", { class: first ? "fleet-row" : "fleet-row more", data: { row: key } }, first ? h("h3", { class: soft ? "unsaid" : undefined }, name, said) : h("span"), line), marks: line, said };
      rows.set(key, r);
    }
    return r;
  };

  const put = (key: string, name: string, soft: boolean, list: Spot[]): HTMLElement[] => {
    const drawn: HTMLElement[] = [];
    for (let at = 0; at < list.length; at += linesTogether * perRow) {
      const piece = list.slice(at, at + linesTogether * perRow);
      const r = row(at === 0 ? key : `${key} ${at}`, name, soft, at === 0);
      arrange(r.marks, piece.map(mark));
      const text = count(list.length, "turnout", "turnouts");
      if (r.said.textContent !== text) r.said.textContent = text;
      // What is out of sight is not laid out: its height is guessed, so that the scroll bar tells the truth.
      r.el.style.setProperty("contain-intrinsic-block-size", `auto ${Math.ceil(piece.length / perRow) * (el.dataset.names === "true" ? 3.3 : 1.95) + (at === 0 ? 1 : 0)}rem`);
      drawn.push(r.el);
    }
    return drawn;
  };

  /** How many marks the style sheet puts beside each other. */
  const fitting = (): number => {
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
    const free = el.clientWidth / rem - (matchMedia("(max-width: 52rem)").matches ? 0.5 : 12.5);
    return Math.max(1, Math.floor(free / (el.dataset.names === "true" ? 5.5 : 1.8)));
  };

  let last: Parameters<FleetMap["draw"]> | undefined;
  new ResizeObserver(() => {
    if (last && el.clientWidth > 0 && fitting() !== perRow) draw(...last);
  }).observe(el);

  const draw = (list: Spot[], worstFirst: boolean, names: boolean): void => {
    const which = worstFirst ? "worst" : "line";
    // Moved one by one in sight of the page, thousands of marks would take seconds.
    const anew = el.dataset.order !== which || (el.querySelector(".spot") !== null && Math.abs(list.length - drawnBefore) > 1000);
    if (anew) el.replaceChildren();
    drawnBefore = list.length;
    el.dataset.order = which;
    el.dataset.names = String(names);
    perRow = fitting();
    last = [list, worstFirst, names];
    const groups = new Map<string, Spot[]>();
    const add = (key: string, s: Spot): void => {
      const g = groups.get(key);
      if (g) g.push(s);
      else groups.set(key, [s]);
    };
    if (worstFirst) {
      for (const s of [...list].sort(worse)) add(s.state, s);
      arrange(el, order.filter((s) => groups.has(s)).flatMap((s: State) => put(`state ${s}`, states[s].name, false, groups.get(s)!)));
    } else {
      for (const s of list) add(JSON.stringify([s.area, s.line]), s);
      const byArea = new Map<string, HTMLElement[]>();
      for (const [key, g] of groups) {
        const [area, line] = JSON.parse(key) as [string, string];
        byArea.set(area, [...(byArea.get(area) ?? []), ...put(key, line || "no line said", !line, g)]);
      }
      arrange(el, [...byArea].map(([area, drawn]) => {
        let box = areas.get(area);
        if (!box) areas.set(area, (box = h("section", { class: "fleet-area" }, h("h2", null, area || "no area said"), h("div"))));
        arrange(box.lastElementChild!, drawn);
        return box;
      }));
    }
    // One stop for Tab among the marks; the arrows do the rest.
    if (!list.some((s) => s.turnout === current)) reach(el.querySelector<HTMLAnchorElement>(".spot")?.dataset.turnout ?? "");
    else reach(current);
  };

  const reach = (turnout: string): void => {
    if (current !== turnout) marks.get(current)?.el.setAttribute("tabindex", "-1");
    current = turnout;
    marks.get(current)?.el.setAttribute("tabindex", "0");
  };

  const of = (t: EventTarget | null): Spot | undefined => {
    const a = t instanceof Element ? t.closest<HTMLElement>(".spot") : null;
    return a ? marks.get(a.dataset.turnout ?? "")?.spot : undefined;
  };

  el.addEventListener("focusin", (ev) => {
    const s = of(ev.target);
    if (!s) return;
    reach(s.turnout);
    pointed(s);
  });
  el.addEventListener("pointerover", (ev) => pointed(of(ev.target) ?? marks.get((document.activeElement as HTMLElement | null)?.dataset?.turnout ?? "")?.spot));
  el.addEventListener("pointerleave", () => pointed(of(document.activeElement)));
  el.addEventListener("keydown", (ev) => {
    if (ev.altKey || ev.ctrlKey || ev.metaKey || !of(ev.target)) return;
    const at = (ev.target as Element).closest<HTMLElement>(".spot")!;
    const next = step(el, at, ev.key);
    if (!next) return;
    ev.preventDefault();
    next.focus();
    next.scrollIntoView({ block: "nearest" });
  });
  return { el, draw };
}

/** The mark that a key leads to. */
function step(el: HTMLElement, at: HTMLElement, key: string): HTMLElement | undefined {
  const line = at.closest(".marks")!;
  const all = (): HTMLElement[] => [...el.querySelectorAll<HTMLElement>(".spot")];
  const lines = (): Element[] => [...el.querySelectorAll(".marks")];
  switch (key) {
    case "ArrowRight":
    case "ArrowLeft": {
      const beside = key === "ArrowRight" ? at.nextElementSibling : at.previousElementSibling;
      if (beside) return beside as HTMLElement;
      const list = all();
      return list[list.indexOf(at) + (key === "ArrowRight" ? 1 : -1)];
    }
    case "Home":
      return line.firstElementChild as HTMLElement;
    case "End":
      return line.lastElementChild as HTMLElement;
    case "PageDown":
    case "PageUp": {
      const list = lines();
      return list[list.indexOf(line) + (key === "PageDown" ? 1 : -1)]?.firstElementChild as HTMLElement | undefined;
    }
    case "ArrowDown":
    case "ArrowUp":
      return below(lines(), line, at, key === "ArrowDown");
  }
  return undefined;
}

/** The nearest mark of the next row, in the same line or the next one. */
function below(lines: Element[], line: Element, at: HTMLElement, down: boolean): HTMLElement | undefined {
  const here = at.getBoundingClientRect();
  const [x, y] = [here.left, here.top];
  for (const l of [line, lines[lines.indexOf(line) + (down ? 1 : -1)]]) {
    if (!l) continue;
    let best: HTMLElement | undefined;
    let row: number | undefined;
    let off = Infinity;
    const list = [...l.children] as HTMLElement[];
    for (const m of down ? list : list.reverse()) {
      const r = m.getBoundingClientRect();
      if (down ? r.top <= y + 4 : r.top >= y - 4) continue;
      row ??= r.top;
      if (Math.abs(r.top - row) > 4) break;
      if (Math.abs(r.left - x) < off) [best, off] = [m, Math.abs(r.left - x)];
    }
    if (best) return best;
  }
  return undefined;
}
