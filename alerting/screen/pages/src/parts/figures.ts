// Figures of how often people were called and of how good the alerts have been.

import type { Figure, Lead, Merit, Rates } from "../api.ts";
import { h, type Child } from "../dom.ts";
import { sentence } from "../sentence.ts";
import { figure, percent } from "../words.ts";

/** How often people were called, each beside its level. */
export function ratesTable(r: Rates): HTMLElement {
  const list: Figure[] = [r.hourly, r.worst, r.flooded, r.standing, r.chattering, ...(r.alerts > 0 ? r.shares : [])];
  const plain = (v: number): string => (Number.isInteger(v) ? v.toLocaleString("en-GB") : figure(v));
  const withUnit = (v: number, f: Figure): string => `${plain(v)}${f.unit ? `\u00a0${f.unit}` : ""}`;
  const name = (f: Figure): string => (r.shares.includes(f) ? `Share of ${f.name} priority` : sentence(f.name).replace(/\.$/, ""));
  return h("div", { class: "scroll-x", tabindex: 0, role: "group", "aria-label": "How often people were called" }, h("table", { class: "levels" },
    h("thead", null, h("tr", null, h("th", { scope: "col" }, "Figure"), h("th", { scope: "col", class: "num" }, "Here"), h("th", { scope: "col", class: "num" }, "Level"), h("th", { scope: "col" }, "Which is"))),
    h("tbody", null, list.map((f) => h("tr", { data: { word: f.word }, title: sentence(f.said) }, h("th", { scope: "row" }, name(f)), h("td", { class: "num" }, withUnit(f.value, f)), h("td", { class: "num" }, withUnit(f.level, f)),
      h("td", null, f.word === "above" ? h("b", { class: "bad" }, "above") : f.word))))));
}

function lead(l: Lead | undefined): Child[] {
  return l ? [h("b", null, `${figure(l.days_p50)}\u00a0days`), h("span", { class: "soft" }, l.n > 1 ? ` (half of ${l.n}: ${figure(l.days_p25)} to ${figure(l.days_p75)})` : " (once)")] : [h("span", { class: "soft" }, "too few to say")];
}

/** How good the alerts have been, by what people have said of them. */
export function meritList(m: Merit): HTMLElement {
  const answered = m.true + m.false;
  const entry = (name: string, ...what: Child[]): HTMLElement => h("div", null, h("dt", null, name), h("dd", null, ...what));
  return h("dl", { class: "facts merit" },
    entry("Alerts judged", h("b", null, `${answered} of ${m.alerts}`)),
    entry("False alerts", answered > 0 ? [h("b", null, String(m.false)), h("span", { class: "soft" }, ` of ${answered} judged`)] : h("span", { class: "soft" }, "none judged yet")),
    entry("Cause right at first", m.causes > 0 ? [h("b", null, percent(m.first / m.causes)), h("span", { class: "soft" }, ` of ${m.causes}; among the first two ${percent(m.two / m.causes)}`)] : h("span", { class: "soft" }, "no cause said yet")),
    entry("Lead to the visit", ...lead(m.lead_to_visit)),
    entry("Lead to a throw that failed", ...lead(m.lead_to_failure)),
    entry("Failed throws warned of", m.failures > 0 ? [h("b", null, `${m.warned} of ${m.failures}`)] : h("span", { class: "soft" }, "none failed")));
}
