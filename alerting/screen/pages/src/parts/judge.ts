// What was found at an alert: whether there was something, and what it was.
// It feeds the figures of how good the alerts have been here.

import { actOn, type Case, type Cause, type CauseName, type NewFound } from "../api.ts";
import { fill, h, remember, remembered } from "../dom.ts";
import { failure } from "../failure.ts";
import { may, named } from "../session.ts";
import { when } from "../time.ts";
import { causeName, percent } from "../words.ts";

const allCauses: CauseName[] = ["dry-slide-chairs", "seized-roller", "obstruction", "lock-adjustment", "back-drive", "hydraulic-leak", "motor-wear", "supply-voltage", "measurement", "detection-adjustment", "cold-weather", "unknown"];

let forms = 0;

export interface Finding {
  el: HTMLElement;
  /** What was said; undefined: nothing. */
  value(): NewFound | undefined;
}

/** The question itself; causes are those that the alert holds likely. */
export function finding(question: string, causes: Cause[], before?: Case["handling"]["found"]): Finding {
  const id = `found-${++forms}`;
  const option = (value: string, words: string): HTMLElement =>
    h("label", { class: "pick" }, h("input", { type: "radio", name: id, value, checked: before !== undefined && String(before.true) === value }), h("span", null, words));
  const likely = causes.filter((c): c is Cause & { cause: CauseName } => (allCauses as string[]).includes(c.cause) && c.cause !== "unknown");
  const rest = allCauses.filter((c) => !likely.some((l) => l.cause === c));
  const chosen = before?.cause ?? "";
  const what = h("select", { id: `${id}-cause` }, h("option", { value: "" }, "not said"),
    likely.length > 0 && h("optgroup", { label: "Held likely" }, likely.map((c) => h("option", { value: c.cause, selected: c.cause === chosen }, `${causeName(c.cause)}, ${percent(c.probability)}`))),
    h("optgroup", { label: "Others" }, rest.map((c) => h("option", { value: c, selected: c === chosen }, causeName(c)))));
  const cause = h("div", { class: "found-cause", hidden: before?.true !== true }, h("label", { for: what.id }, "What was it?"), what);
  const set = h("fieldset", { class: "found" }, h("legend", null, question), h("div", { class: "pair" }, option("true", "There was something"), option("false", "There was nothing")), cause);
  const said = (): string | undefined => set.querySelector<HTMLInputElement>("input:checked")?.value;
  set.addEventListener("change", () => {
    cause.hidden = said() !== "true";
  });
  return {
    el: set,
    value(): NewFound | undefined {
      const v = said();
      if (v === undefined) return undefined;
      return v === "true" ? { true: true, ...(what.value ? { cause: what.value as CauseName } : {}) } : { true: false };
    },
  };
}

/** In a line: what was found, by whom and when. */
export function foundLine(f: NonNullable<Case["handling"]["found"]>): HTMLElement {
  return h("p", { class: "found-line" }, h("b", null, f.true ? `Found: ${f.cause ? causeName(f.cause) : "something"}` : "Found: nothing; a false alert"),
    f.note && ` “${f.note}”`, h("span", { class: "soft" }, f.by && ` · ${f.by}`, ", ", when(f.at)));
}

/** What stands under an alert on its turnout's page; judged is called with what the server says then. */
export function judgePart(c: Case, judged: (c: Case) => void): HTMLElement {
  const el = h("div", { class: "judge", data: { judge: c.id } });
  const show = (open: boolean): void => {
    const f = c.handling.found;
    if (!open) {
      fill(el, f ? foundLine(f) : h("p", { class: "soft found-line" }, "Nobody has said yet what was found."),
        may("maintainer") && h("button", { type: "button", class: "act", data: { act: "judge" }, on: { click: () => show(true) } }, f ? "Change what was found" : "Say what was found"));
      return;
    }
    const ask = finding("Was there something at the turnout?", c.causes, f);
    const note = h("input", { maxlength: 4096, value: f?.note ?? "", autocomplete: "off" });
    const by = h("input", { maxlength: 128, value: remembered("by") ?? "", autocomplete: "off" });
    const outcome = h("div", { role: "status" });
    const save = h("button", { type: "submit", class: "act main" }, "Save");
    const form = h("form", { class: "judge-form" }, ask.el, h("label", null, h("span", null, "Note"), note), !named() && h("label", null, h("span", null, "Your name"), by),
      h("p", { class: "row" }, save, " ", h("button", { type: "button", class: "act", on: { click: () => show(false) } }, "Leave it")), outcome);
    form.addEventListener("submit", (ev) => {
      ev.preventDefault();
      const found = ask.value();
      if (!found) {
        fill(outcome, h("p", { class: "wrong" }, "Say first whether there was something."));
        return;
      }
      if (!named() && !by.value.trim()) {
        fill(outcome, h("p", { class: "wrong" }, "Whose word is it? Please give your name."));
        by.focus();
        return;
      }
      void (async () => {
        save.disabled = true;
        try {
          c = await actOn(c.id, "judge", { found: { ...found, ...(note.value.trim() ? { note: note.value.trim() } : {}) }, ...(named() ? {} : { by: by.value.trim() }) });
          if (!named()) remember("by", by.value.trim());
          show(false);
          judged(c);
        } catch (err) {
          fill(outcome, failure(err, "It was not saved."));
        } finally {
          save.disabled = false;
        }
      })();
    });
    fill(el, form);
    el.querySelector<HTMLElement>("input")?.focus();
  };
  show(false);
  return el;
}
