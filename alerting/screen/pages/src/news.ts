// The line that says, on every page, that an alert calls for someone. On the
// control room's own page it is there for who cannot see.

import { segment, type Case } from "./api.ts";
import { subject, type Cases } from "./cases.ts";
import { fill, h, throttle } from "./dom.ts";
import { diamond, turnoutSymbol } from "./marks.ts";
import { conditionName, toEnd } from "./words.ts";

export class News {
  private readonly root: HTMLElement;
  private readonly cases: Cases;
  private told = "";

  constructor(root: HTMLElement, cases: Cases) {
    this.root = root;
    this.cases = cases;
    cases.subscribe(throttle(() => this.draw(), 150));
  }

  private draw(): void {
    const fresh = this.cases.fresh();
    const worst = fresh[0];
    const key = worst ? `${fresh.length} ${worst.id} ${worst.priority}` : "";
    if (key === this.told) return; // a screen reader would read it again
    this.told = key;
    this.root.classList.toggle("on", Boolean(worst));
    if (!worst) {
      fill(this.root);
      return;
    }
    fill(this.root,
      h("span", { class: "flag" }, fresh.length === 1 ? "New alert" : `${fresh.length} new alerts`),
      line(worst),
      h("button", { type: "button", class: "act", id: "seen", on: { click: () => this.cases.seen() } }, "Leave it to others"));
  }
}

function line(c: Case): HTMLElement {
  return h("a", { href: `/alerts/${segment(c.id)}`, data: { alert: c.id } },
    diamond(c.priority), ` ${c.priority}: `, h("b", null, subject(c)), " ", c.turnout ? turnoutSymbol(c.to) : null, ` ${c.to ? toEnd(c.to) + ", " : ""}${conditionName(c.condition).toLowerCase()}`);
}
