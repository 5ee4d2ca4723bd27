// The bar at the foot of the page: what can be done to what is chosen, each
// deed with its key, and what came of the last.

import type { Case } from "../api.ts";
import { subject, type Cases } from "../cases.ts";
import { fill, h } from "../dom.ts";
import { conditionName } from "../words.ts";
import { deeds, type Deed } from "./deeds.ts";

const shownFor = 12_000; // ms that is said at a row what went well; what went wrong stays until the next deed

export class Deeds {
  readonly el = h("div", { class: "deeds", id: "deeds", hidden: true });
  private readonly about = h("span", { class: "about" });
  private readonly acts = h("div", { class: "acts", role: "toolbar", "aria-label": "What to do about it" });
  private readonly told = h("p", { class: "told", id: "told", role: "status", "aria-live": "polite" });
  private readonly list: Deed[];
  private readonly words = new Map<string, { what: string; wrong: boolean }>();
  private readonly changed: () => void;
  private readonly done: () => void;
  private readonly open: ((id: string) => void) | undefined;
  private meant: Case[] = [];
  private drawn = "";
  private busy = false;
  private acted = false;

  /** changed is called when something is to be said at a row, done after a deed; open opens an alert's page, where there is one to open. */
  constructor(cases: Cases, changed: () => void, done: () => void = () => undefined, open?: (id: string) => void) {
    this.changed = changed;
    this.done = done;
    this.open = open;
    this.list = deeds(cases, (id, what, wrong) => this.say(id, what, wrong));
    this.el.append(h("div", { class: "deeds-in" }, this.about, this.acts), this.told);
  }

  /** What is said at a row. */
  said(id: string): { what: string; wrong: boolean } | undefined {
    return this.words.get(id);
  }

  /** several: they were chosen by their boxes. */
  draw(meant: Case[], several: boolean): void {
    this.meant = meant;
    const fits = this.list.filter((d) => meant.some((c) => d.fits(c)));
    const key = JSON.stringify([meant.map((c) => [c.id, c.condition]), several, fits.map((d) => d.key)]);
    this.el.hidden = fits.length === 0 && !this.told.textContent;
    if (key === this.drawn) return;
    this.drawn = key;
    const one = meant[0];
    fill(this.about, meant.length > 1 || several ? h("b", null, `${meant.length} chosen`) : one && [h("b", null, subject(one)), ` ${conditionName(one.condition).toLowerCase()}`]);
    fill(this.acts, fits.map((d, i) => h("button", { type: "button", class: i === 0 && d.key === "a" ? "act main" : "act", "aria-keyshortcuts": d.key, data: { deed: d.key }, on: { click: () => void this.run(d.key, this.meant) } },
      h("kbd", { "aria-hidden": "true" }, d.key), " ", d.name)),
    this.open && meant.length === 1 && one && h("button", { type: "button", class: "act", data: { deed: "open" }, on: { click: () => this.open?.(one.id) } }, h("kbd", { "aria-hidden": "true" }, "Enter"), " Open"));
  }

  /** A key: true where it is that of a deed. */
  key(key: string, meant: Case[]): boolean {
    const d = this.list.find((x) => x.key === key);
    if (!d) return false;
    void this.run(key, meant);
    return true;
  }

  async run(key: string, meant: Case[]): Promise<void> {
    const d = this.list.find((x) => x.key === key);
    const list = d ? meant.filter((c) => d.fits(c)) : [];
    if (!d || this.busy) return;
    if (list.length === 0) {
      if (meant.length > 0 && this.list.some((x) => meant.some((c) => x.fits(c)))) this.tellLine(`${d.name}: not for ${meant.length === 1 ? subject(meant[0]!) : "any of these"} now.`);
      return;
    }
    for (const c of list) this.words.delete(c.id);
    this.busy = true;
    this.acted = false;
    try {
      await d.run(list);
    } finally {
      this.busy = false;
      if (this.acted) this.done();
    }
  }

  private say(id: string, what: string, wrong: boolean): void {
    const w = { what, wrong };
    this.acted = true;
    this.words.set(id, w);
    const c = this.meant.find((x) => x.id === id);
    this.tellLine(c ? `${subject(c)}: ${what}` : what);
    this.changed();
    if (!wrong) {
      window.setTimeout(() => {
        if (this.words.get(id) !== w) return;
        this.words.delete(id);
        this.changed();
      }, shownFor);
    }
  }

  private tellLine(what: string): void {
    this.told.textContent = what;
    this.el.hidden = false;
    window.setTimeout(() => {
      if (this.told.textContent === what) this.told.textContent = "";
    }, shownFor);
  }
}
