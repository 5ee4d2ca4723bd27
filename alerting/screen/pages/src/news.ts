// The line that says, on every page, that an alert has come.

import { segment, type Alert } from "./api.ts";
import { fill, h } from "./dom.ts";
import { diamond, turnoutSymbol } from "./marks.ts";
import type { Standing } from "./standing.ts";
import { conditionName, toEnd } from "./words.ts";

export class News {
  private readonly root: HTMLElement;
  private readonly standing: Standing;
  private told = "";

  constructor(root: HTMLElement, standing: Standing) {
    this.root = root;
    this.standing = standing;
    standing.subscribe(() => this.draw());
  }

  private draw(): void {
    const fresh = this.standing.fresh();
    const key = fresh.map((a) => a.id + a.priority).join();
    if (key === this.told) return; // a screen reader would read it again
    this.told = key;
    const worst = fresh[0];
    this.root.classList.toggle("on", Boolean(worst));
    if (!worst) {
      fill(this.root);
      return;
    }
    fill(this.root,
      h("span", { class: "flag" }, this.flag(fresh)),
      this.line(worst),
      h("button", { type: "button", class: "act", id: "seen", on: { click: () => this.standing.seen() } }, "Seen"));
  }

  private flag(fresh: Alert[]): string {
    const raised = fresh.filter((a) => this.standing.news(a.id) === "raised").length;
    const changed = fresh.length - raised;
    const said = [raised === 1 ? "New alert" : raised && `${raised} new alerts`, changed > 0 && (raised > 0 ? `${changed} changed` : changed === 1 ? "Alert changed" : `${changed} alerts changed`)];
    return said.filter(Boolean).join(", ");
  }

  private line(a: Alert): HTMLElement {
    return h("a", { href: `/turnouts/${segment(a.turnout)}`, data: { alert: a.id } },
      diamond(a.priority), ` ${a.priority}: `, h("b", null, a.turnout), " ", turnoutSymbol(a.to), ` ${a.to ? toEnd(a.to) + ", " : ""}${conditionName(a.condition).toLowerCase()}`);
  }
}
