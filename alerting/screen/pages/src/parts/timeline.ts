// Work and alerts on one axis: a row for the visits, one for each condition.
// What a mark means is told when it is pointed at or has the focus.

import { fill, h } from "../dom.ts";
import { outcomeMark } from "../marks.ts";
import { written } from "../time.ts";

/** Something on the axis. */
export interface Item {
  id: string;
  kind: "work" | "alert";
  row: string; // its name
  at: number; // s
  until?: number; // s; undefined: a moment
  state?: "standing" | "seen" | "hidden" | "over";
  outcome?: "helped" | "not-helped" | "routine" | "unknown";
  about: string;
}

const most = 80; // marks of a row

export class Timeline {
  readonly el: HTMLElement;
  private readonly rows = h("div", { class: "tl-rows" });
  private readonly said = h("p", { class: "axis-said", id: "axis-said" });
  private readonly pick: (i: Item) => void;
  private items: Item[] = [];
  private drawn = "";

  /** pick is called when a mark is pressed. */
  constructor(pick: (i: Item) => void) {
    this.pick = pick;
    this.el = h("div", { class: "timeline", id: "timeline", role: "group", "aria-label": "Work and alerts on the axis of the graphs" }, this.rows, this.said);
    this.say([]);
  }

  show(items: Item[], [from, to]: [number, number]): void {
    this.items = items;
    const key = JSON.stringify([items, Math.round((from / (to - from)) * 400), Math.round(((to - from) / 60))]);
    if (key === this.drawn || !(to > from)) return;
    this.drawn = key;
    const inside = items.filter((i) => (i.until ?? i.at) >= from && i.at <= to);
    const names = [...new Set(inside.map((i) => i.row))].sort((a, b) => Number(a !== "Visits") - Number(b !== "Visits") || (a < b ? -1 : 1));
    const share = (s: number): number => Math.max(0, Math.min(100, (100 * (s - from)) / (to - from)));
    const held = this.el.contains(document.activeElement) ? (document.activeElement as HTMLElement).dataset.item : undefined;
    fill(this.rows, names.map((name) => h("div", { class: "tl-row" }, h("span", { class: "tl-name" }, name),
      h("div", { class: "tl-track" }, inside.filter((i) => i.row === name).slice(-most).map((i) => {
        const b = h("button", { type: "button", class: `tl-item tl-${i.kind}`, "aria-label": i.about, data: { item: i.id, state: i.state, outcome: i.outcome },
          on: { click: () => this.pick(i), focus: () => this.say([i]), blur: () => this.say([]), mouseenter: () => this.say([i]), mouseleave: () => this.say([]) } },
          i.kind === "work" && outcomeMark(i.outcome ?? "unknown"));
        b.style.left = `${share(i.at)}%`;
        if (i.until !== undefined) b.style.width = `${share(i.until) - share(i.at)}%`;
        return b;
      })))), names.length === 0 && h("p", { class: "soft" }, "No visit and no alert in this time."),
      h("div", { class: "tl-row tl-axis", "aria-hidden": "true" }, h("span", { class: "tl-name" }), h("div", { class: "tl-track" }, [0, 0.25, 0.5, 0.75, 1].map((f) => {
        const t = h("span", { class: "tl-tick" }, written((from + f * (to - from)) * 1e3, to - from > 2 * 86400 ? "day" : "minute"));
        t.style.left = `${100 * f}%`;
        return t;
      }))));
    this.el.dataset.items = String(inside.length);
    if (held) this.rows.querySelector<HTMLElement>(`[data-item="${CSS.escape(held)}"]`)?.focus();
  }

  /** What is at a place, in words; nothing: how to find out. */
  say(items: Item[]): void {
    fill(this.said, items.length > 0 ? items.slice(0, 3).map((i) => h("span", { class: `said-${i.kind}` }, i.about)) : h("span", { class: "soft" }, this.items.length > 0 ? "Point at a mark here or on a graph to read what it is; press it to look closer." : ""));
  }

  /** The items at a time, or within some seconds of it. */
  near(at: number, within: number): Item[] {
    return this.items.filter((i) => (i.until === undefined ? Math.abs(i.at - at) <= within : at >= i.at - within && at <= i.until + within));
  }
}
