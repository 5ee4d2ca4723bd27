// The fleet as a list: for screen readers, for narrow screens, and to sort.

import { segment } from "../api.ts";
import { bar } from "../alertview.ts";
import { arrange, fill, h } from "../dom.ts";
import { when } from "../time.ts";
import { states, told, worse, type Spot } from "./states.ts";

const rowsAtOnce = 250;

type Order = "place" | "turnout" | "state" | "learned" | "last";

export interface FleetTable {
  el: HTMLElement;
  draw(list: Spot[], worstFirst: boolean): void;
  /** The first rows only, again. */
  fold(): void;
}

/** The drawn sign of a state, as on the map. */
export function sign(s: Spot): HTMLElement {
  return h("b", { class: "spot-sign", data: { state: s.state, priority: s.priority }, "aria-hidden": "true" }, h("i", { data: { letter: states[s.state].letter } }));
}

export function drawTable(lacking: (turnout: string) => string): FleetTable {
  const body = h("tbody");
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => { shown += rowsAtOnce; again(); } } }, "Show more");
  let order: Order = "place";
  let asked: Order = "place";
  let shown = rowsAtOnce;
  let list: Spot[] = [];
  const rows = new Map<string, { el: HTMLTableRowElement; drawn: string }>();
  const head = (key: Order, name: string): HTMLElement =>
    h("th", { scope: "col", data: { order: key } }, h("button", { type: "button", class: "sort", on: { click: () => { order = key; again(); } } }, name));
  const heads = [head("turnout", "Turnout"), head("place", "Area and line"), head("state", "State"), head("learned", "Learned"), head("last", "Last throw"), h("th", { scope: "col" }, "Cabinet")];
  const el = h("div", null, h("table", { class: "fleet-table" }, h("thead", null, h("tr", null, heads)), body), more);

  const again = (): void => {
    const sorted = order === "place" ? list : [...list].sort(orders[order]);
    arrange(body, sorted.slice(0, shown).map((s) => {
      const key = JSON.stringify(s) + lacking(s.turnout);
      let row = rows.get(s.turnout);
      if (!row) rows.set(s.turnout, (row = { el: h("tr", { data: { turnout: s.turnout } }), drawn: "" }));
      if (row.drawn !== key) {
        row.drawn = key;
        drawRow(row.el, s, lacking(s.turnout));
      }
      return row.el;
    }));
    for (const th of heads) if (th.dataset.order) th.setAttribute("aria-sort", th.dataset.order === order ? "ascending" : "none");
    more.hidden = sorted.length <= shown;
  };
  return {
    el,
    draw(next, worstFirst): void {
      list = next;
      const now = worstFirst ? "state" : "place";
      if (now !== asked) order = asked = now;
      again();
    },
    fold(): void {
      shown = rowsAtOnce;
    },
  };
}

const byName = (a: Spot, b: Spot): number => (a.turnout < b.turnout ? -1 : 1);

const orders: Record<Exclude<Order, "place">, (a: Spot, b: Spot) => number> = {
  turnout: byName,
  state: (a, b) => worse(a, b) || byName(a, b),
  learned: (a, b) => (a.learnt ?? -1) - (b.learnt ?? -1) || byName(a, b),
  last: (a, b) => (b.last ?? 0) - (a.last ?? 0) || byName(a, b),
};

function drawRow(el: HTMLTableRowElement, s: Spot, lack: string): void {
  el.dataset.state = s.state;
  fill(el,
    h("th", { scope: "row" }, h("a", { href: `/turnouts/${segment(s.turnout)}` }, s.turnout)),
    h("td", { class: "place" }, s.area || h("span", { class: "soft" }, "no area"), s.line && `, ${s.line}`),
    h("td", { class: "state" }, sign(s), h("span", null, told(s))),
    h("td", { class: "learned" }, s.learnt === null ? h("span", { class: "soft" }, "no throws") : s.learnt >= 1 ? h("span", { class: "soft" }, "learned") : [bar(s.learnt), h("span", null, lack.replace(/^, /, "") || `${Math.floor(100 * s.learnt)}\u00a0%`)]),
    h("td", { class: "last" }, s.last !== null && when(new Date(1000 * s.last).toISOString())),
    h("td", { class: "cab" }, s.cabinet));
}
