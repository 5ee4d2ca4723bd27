// The visits to a turnout, and the form that records one.

import { post, Problem, segment, type Work } from "../api.ts";
import { yardNow } from "../clock.ts";
import { fill, h, remember, remembered } from "../dom.ts";
import { failure } from "../failure.ts";
import { outcomeMark, turnoutSymbol } from "../marks.ts";
import { sentence } from "../sentence.ts";
import { fieldTime, fieldValue, onZone, when, zoneName } from "../time.ts";
import { judged, type Judged } from "../verdict.ts";
import { toEnd, workKinds } from "../words.ts";
import { rebaseline } from "./rebaseline.ts";

export class WorkPart {
  readonly el: HTMLElement;
  private readonly list = h("ol", { class: "visits", id: "visits" });
  private readonly offZone: () => void;

  /** recorded is called once a visit has been filed. */
  constructor(turnout: string, recorded: () => void) {
    const kind = h("select", { id: "work-kind", name: "work", required: true }, h("option", { value: "" }, "choose"), workKinds.map((k) => h("option", { value: k }, k)));
    const at = h("input", { id: "work-at", name: "done_at", type: "datetime-local" });
    const zone = h("span", null, zoneName());
    const note = h("textarea", { id: "work-note", name: "note", rows: 2, maxlength: 4096 });
    const by = h("input", { id: "work-by", name: "by", maxlength: 128, autocomplete: "off", value: remembered("by") ?? "" });
    const button = h("button", { class: "act main", type: "submit" }, "Record");
    const outcome = h("div", { id: "work-outcome", role: "status" });
    const now = h("button", { type: "button", class: "act", on: { click: () => { at.value = fieldValue(yardNow()); } } }, "Now");
    const form = h("form", { class: "work-form", id: "work-form" },
      h("label", null, h("span", null, "What was done"), kind),
      h("div", { class: "field" }, h("label", { for: "work-at" }, "When (", zone, ")"), h("span", { class: "row" }, at, now), h("small", null, "Left empty: now.")),
      h("label", { class: "wide" }, h("span", null, "Note"), note),
      h("label", { class: "by" }, h("span", null, "Recorded by"), by), h("p", null, button), outcome);
    form.addEventListener("submit", (ev) => {
      ev.preventDefault();
      void (async () => {
        button.disabled = true;
        try {
          const w = await post<Work>(`/turnouts/${segment(turnout)}/work`, {
            work: kind.value, done_at: fieldTime(at.value), note: note.value.trim() || undefined, by: by.value.trim() || undefined,
          });
          remember("by", by.value.trim() || null);
          kind.value = note.value = at.value = "";
          fill(outcome, h("p", { class: "good" }, `Recorded: ${w?.work ?? ""}.`));
          recorded();
        } catch (err) {
          fill(outcome, failure(err, err instanceof Problem && err.status === 422 ? "This cannot be recorded." : "It was not recorded."));
        } finally {
          button.disabled = false;
        }
      })();
    });
    this.offZone = onZone(() => {
      const t = fieldTime(at.value);
      zone.textContent = zoneName();
      if (t) at.value = "";
    });
    this.el = h("div", { class: "work" }, h("div", null, h("h3", null, "Visits"), this.list), h("div", { class: "for-maintainers" }, h("h3", null, "Record a visit"), h("p", { class: "at-track" }, h("a", { class: "act", href: `/turnouts/${segment(turnout)}/visit` }, "At the trackside: three touches")), form, rebaseline(turnout, recorded)));
  }

  show(work: Work[]): void {
    const became = judged(work);
    fill(this.list, work.length === 0 && h("li", { class: "soft" }, "No visit is recorded."),
      work.map((w, i) => h("li", { data: { work: w.work } }, h("span", { class: "at" }, when(w.done_at)), h("b", null, w.work), h("span", null, w.note, w.by && h("span", { class: "soft" }, `${w.note ? " · " : ""}${w.by}`)),
        h("ul", { class: "became" }, became[i]?.map(verdictLine)))));
  }

  close(): void {
    this.offZone();
  }
}

/** What became of a visit at one end, as an item of a list. */
export function verdictLine(j: Judged): HTMLElement {
  return h("li", { data: { outcome: j.outcome, to: j.to } }, outcomeMark(j.outcome),
    j.to && [h("span", { class: "end" }, turnoutSymbol(j.to), toEnd(j.to)), ": "],
    h("b", null, j.words), j.said.length > 0 && [". ", h("span", { class: "soft" }, j.said.map((s) => sentence(s.drive ? `${s.drive} drive: ${s.text}` : s.text)).join(" "))]);
}
