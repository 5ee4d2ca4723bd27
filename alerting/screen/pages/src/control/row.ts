// One case in the control room's list.

import { segment, type Case, type Entry } from "../api.ts";
import { calledAt, subject } from "../cases.ts";
import { fill, h, type Child } from "../dom.ts";
import { cabinetMark, diamond, turnoutSymbol } from "../marks.ts";
import { sentence } from "../sentence.ts";
import { since, when } from "../time.ts";
import { causeLine, change, conditionMeaning, conditionName, forecastLine, percent, toEnd } from "../words.ts";
import { remarkOf } from "./remarks.ts";

export interface Row {
  el: HTMLElement;
  /** The box by which one of several is chosen. */
  box: HTMLInputElement;
  /** Draws it anew where something has changed. said: what came of a deed. */
  update(c: Case, remark: Entry | undefined, said: { what: string; wrong: boolean } | undefined): void;
}

/** May: who is here may do something; acts are the buttons of the row itself. */
export function row(may: boolean, acknowledge: (c: Case) => void): Row {
  const box = h("input", { type: "checkbox", tabindex: -1 });
  const el = h("article", { class: "case", tabindex: -1 });
  let drawn = "";
  return {
    el,
    box,
    update(c, remark, said): void {
      const key = JSON.stringify([c, remark?.id, said]);
      if (key === drawn) return;
      drawn = key;
      Object.assign(el.dataset, { alert: c.id, turnout: c.turnout, condition: c.condition, priority: c.priority, standing: c.standing });
      const title = `case-${c.id}`;
      el.setAttribute("aria-labelledby", title);
      box.setAttribute("aria-label", `Choose ${subject(c)}, ${conditionName(c.condition).toLowerCase()}`);
      const calls = c.standing === "unacknowledged";
      fill(el,
        h("div", { class: "case-mark" }, diamond(c.priority), h("span", { class: "word" }, c.priority), may && h("label", { class: "choose-one" }, box)),
        who(c, title),
        why(c),
        h("div", { class: "case-state" }, state(c), remark && note(remark, c),
          calls && may && h("button", { type: "button", class: "act main", tabindex: -1, "aria-label": `Acknowledge ${subject(c)}`, on: { click: () => acknowledge(c) } }, "Acknowledge")),
        said && h("p", { class: said.wrong ? "case-said wrong" : "case-said" }, said.what));
    },
  };
}

function who(c: Case, id: string): HTMLElement {
  const p = c.place;
  const place = [p.area, p.line, p.position !== undefined && p.position !== 0 ? `at ${p.position}` : ""].filter(Boolean).join(" · ");
  return h("div", { class: "case-who" },
    h("h3", { id }, h("a", { href: `/alerts/${segment(c.id)}`, tabindex: -1 }, c.turnout ? null : cabinetMark(), subject(c)),
      c.turnout ? h("span", { class: "end" }, turnoutSymbol(c.to), toEnd(c.to)) : h("span", { class: "end" }, "cabinet")),
    h("p", { class: "condition", title: conditionMeaning(c.condition) }, conditionName(c.condition),
      c.change_percent !== undefined && h("span", { class: "change" }, " ", change(c.change_percent))),
    place && h("p", { class: "case-place" }, place),
    (p.criticality ?? 0) >= 4 && h("p", { class: "case-place" }, p.criticality === 5 ? "much hangs on it" : "more than usual hangs on it"));
}

function why(c: Case): HTMLElement {
  const first = c.causes[0];
  const said = first?.evidence[0];
  const at = said?.lastIndexOf(": ") ?? -1;
  return h("div", { class: "case-why" },
    c.turnout
      ? first && h("p", { class: "cause" }, causeLine(first), " ", h("b", null, percent(first.probability)))
      : h("p", { class: "cause" }, "Nothing is heard of it: what its turnouts do is not known. ", h("a", { href: "/cabinets", tabindex: -1 }, "All cabinets")),
    c.forecast && h("p", { class: "forecast" }, h("span", null, "Forecast: "), forecastLine(c.forecast)),
    said && h("p", { class: "evidence" }, at < 0 ? sentence(said) : [sentence(said.slice(at + 2)), " ", h("span", { class: "measured" }, sentence(said.slice(0, at)))]));
}

function state(c: Case): Child {
  const d = c.handling;
  const again = (c.reopened ?? 0) > 0 && h("p", { class: "soft" }, `stood again ${c.reopened === 1 ? "once" : `${c.reopened} times`}`);
  switch (c.standing) {
    case "unacknowledged":
      return [h("p", { class: "waits" }, h("b", null, since(calledAt(c), "for")), " not acknowledged"), again];
    case "acknowledged":
      return [h("p", null, "Acknowledged ", d.acknowledged_by && ["by ", h("b", null, d.acknowledged_by), " "], d.acknowledged_at && since(d.acknowledged_at)), found(c), again];
    case "returned-unacknowledged":
      return [h("p", null, "Returned to normal ", c.cleared_at && since(c.cleared_at), h("br"), "stood from ", when(c.raised_at)), again];
    case "shelved":
      return h("p", null, "Shelved ", d.shelved_by && ["by ", h("b", null, d.shelved_by), " "], c.quiet_to && ["until ", when(c.quiet_to)], d.shelved_for && `: ${d.shelved_for}`);
    case "suppressed":
      return h("p", null, "Quiet by the window ", h("b", null, c.quiet ?? ""), c.quiet_to && [" until ", when(c.quiet_to)]);
    case "out-of-service":
      return h("p", null, "The turnout is out of service");
  }
  return found(c);
}

export function found(c: Case): Child {
  const f = c.handling.found;
  return f && h("p", { class: "was-found" }, f.true ? `Found: ${f.cause ? f.cause.replaceAll("-", " ") : "there was something"}` : "Found: nothing, a false alert", f.by && `, says ${f.by}`);
}

function note(e: Entry, c: Case): Child {
  const text = remarkOf(e);
  if (e.action === "shelve" && c.standing === "shelved") return null; // it is the reason that stands there
  return h("p", { class: "remark" }, h("q", null, text), " ", h("span", { class: "soft" }, e.by && `${e.by}, `, since(e.at)));
}
