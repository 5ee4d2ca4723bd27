// One alert, as it stands in the list of alerts and on its turnout's page.

import { segment, type Alert, type Cause } from "./api.ts";
import { fill, h } from "./dom.ts";
import { diamond, turnoutSymbol } from "./marks.ts";
import { sentence } from "./sentence.ts";
import { since, when } from "./time.ts";
import { causeLine, causeName, change, conditionMeaning, conditionName, forecastLine, percent, toEnd } from "./words.ts";

export interface AlertView {
  el: HTMLElement;
  /** Draws it anew where the alert or its news has changed. */
  update(a: Alert, news: "raised" | "changed" | undefined): void;
}

/**
 * full: with all causes, each with evidence and checks, for the turnout's own
 * page; opened: the first of them is unfolded.
 */
export function alertView(full: boolean, opened = false): AlertView {
  const el = h("article", { class: "alert", tabindex: full ? undefined : 0 });
  let drawn = "";
  let unfolded: Set<string> | undefined; // causes, once drawn
  return {
    el,
    update(a, news): void {
      const key = JSON.stringify([a, news]);
      if (key === drawn) return;
      Object.assign(el.dataset, { alert: a.id, turnout: a.turnout, condition: a.condition, priority: a.priority });
      if (news) el.dataset.news = news;
      else delete el.dataset.news;
      const title = `alert-${a.id}`;
      el.setAttribute("aria-labelledby", title);
      if (drawn && full) unfolded = new Set([...el.querySelectorAll<HTMLElement>("details[open]")].map((d) => d.dataset.cause ?? ""));
      unfolded ??= new Set(opened && a.causes[0] ? [a.causes[0].cause] : []);
      drawn = key;
      fill(el, mark(a, news), what(a, title, full), full ? why(a, unfolded) : [shortWhy(a), checks(a.causes[0])]);
    },
  };
}

function mark(a: Alert, news: string | undefined): HTMLElement {
  return h("div", { class: "alert-mark" }, diamond(a.priority), h("span", { class: "word" }, a.priority),
    news && h("strong", { class: "flag" }, news === "raised" ? "New" : "Changed"));
}

function what(a: Alert, id: string, full: boolean): HTMLElement {
  const name = full
    ? h("h3", { id }, conditionName(a.condition), a.to && h("span", { class: "end" }, turnoutSymbol(a.to), toEnd(a.to)))
    : h("h3", { id }, h("a", { href: `/turnouts/${segment(a.turnout)}` }, a.turnout), h("span", { class: "end" }, turnoutSymbol(a.to), toEnd(a.to)));
  return h("div", { class: "alert-what" }, name,
    full ? h("p", { class: "meaning" }, conditionMeaning(a.condition)) : h("p", { class: "condition", title: conditionMeaning(a.condition) }, conditionName(a.condition)),
    h("p", { class: "figures" },
      a.change_percent !== undefined && [h("b", { class: "change" }, change(a.change_percent)), " against its past", a.drive ? `, ${a.drive} drive` : "", h("br")],
      "since ", when(a.since), " (", since(a.since, "for"), ")"),
    h("p", { class: "figures" }, a.cleared_at ? ["cleared ", when(a.cleared_at)] : ["told ", since(a.raised_at)],
      a.changed_at !== a.raised_at && !a.cleared_at && [", changed ", since(a.changed_at)]),
    a.forecast && h("p", { class: "forecast" }, h("span", null, "Forecast "), sentence(forecastLine(a.forecast))));
}

function shortWhy(a: Alert): HTMLElement {
  const [first, ...others] = a.causes;
  return h("div", { class: "alert-why" }, first && [
    h("p", { class: "cause" }, causeLine(first), " ", h("b", null, percent(first.probability))),
    first.evidence[0] && evidence(first.evidence[0], "p"),
    others.length > 0 && h("p", { class: "others" }, "Else ", others.slice(0, 3).map((c) => `${causeName(c.cause)}\u00a0${percent(c.probability)}`).join(", "),
      others.length > 3 && ` and ${others.length - 3} more`)]);
}

function checks(c: Cause | undefined): HTMLElement {
  return h("div", { class: "alert-checks" }, c && c.checks.length > 0 && [h("h4", null, "What to check"), h("ul", null, c.checks.map((one) => h("li", null, sentence(one))))]);
}

function why(a: Alert, unfolded: Set<string>): HTMLElement {
  return h("div", { class: "alert-causes" }, a.causes.map((c, i) =>
    h("details", { class: "cause-entry", open: unfolded.has(c.cause), data: { cause: c.cause } },
      h("summary", null, h("span", { class: "name" }, i === 0 ? causeLine(c) : causeName(c.cause)), bar(c.probability), h("b", null, percent(c.probability))),
      h("div", { class: "cause-body" },
        c.evidence.length > 0 && h("div", null, h("h4", null, "Evidence"), h("ul", null, c.evidence.map((e) => evidence(e, "li")))),
        c.checks.length > 0 && h("div", null, h("h4", null, "What to check"), h("ul", null, c.checks.map((e) => h("li", null, sentence(e)))))))));
}

// Evidence tells the figures and then, after the last colon, what they mean:
// that is read first here.
function evidence(e: string, tag: "p" | "li"): HTMLElement {
  const at = e.lastIndexOf(": ");
  const body = at < 0 ? sentence(e) : [h("span", { class: "means" }, sentence(e.slice(at + 2))), " ", h("span", { class: "measured", title: sentence(e.slice(0, at)) }, sentence(e.slice(0, at)))];
  return h(tag, { class: "evidence" }, body);
}

/** A share drawn as a hatched length; the figure stands beside it. */
export function bar(share: number): HTMLElement {
  const inner = h("span");
  inner.style.width = `${Math.round(100 * Math.min(1, Math.max(0, share)))}%`;
  return h("span", { class: "share", "aria-hidden": "true" }, inner);
}
