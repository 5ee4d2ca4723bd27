// The form that starts a turnout's baseline anew: out of the way, as it is
// seldom right.

import { post, Problem, segment } from "../api.ts";
import { fill, h, remember, remembered } from "../dom.ts";
import { failure } from "../failure.ts";

const shortest = 5; // characters of a reason

/** done is called once the baseline starts anew. */
export function rebaseline(turnout: string, done: () => void): HTMLElement {
  const reason = h("input", { id: "rebaseline-reason", name: "reason", required: true, minlength: shortest, maxlength: 4096, autocomplete: "off" });
  const by = h("input", { id: "rebaseline-by", name: "by", maxlength: 128, autocomplete: "off", value: remembered("by") ?? "" });
  const button = h("button", { class: "act", type: "submit" }, "Start anew");
  const outcome = h("div", { id: "rebaseline-outcome", class: "wide", role: "status" });
  // A reason of blanks is none.
  reason.addEventListener("input", () => reason.setCustomValidity(reason.value.trim().length < shortest ? `A reason of at least ${shortest} characters, please.` : ""));
  const form = h("form", { class: "work-form", id: "rebaseline-form" },
    h("p", { class: "wide" }, "Everything learned of what is normal is set anew from the next throws; a fault that is there now becomes normal."),
    h("label", { class: "wide" }, h("span", null, `Reason, at least ${shortest} characters`), reason),
    h("label", { class: "by" }, h("span", null, "Started by"), by), h("p", null, button), outcome);
  form.addEventListener("submit", (ev) => {
    ev.preventDefault();
    void (async () => {
      button.disabled = true;
      try {
        await post(`/turnouts/${segment(turnout)}/rebaseline`, { reason: reason.value.trim(), by: by.value.trim() || undefined });
        remember("by", by.value.trim() || null);
        reason.value = "";
        fill(outcome, h("p", { class: "good" }, "Started anew: the next throws say what is normal."));
        done();
      } catch (err) {
        fill(outcome, failure(err, err instanceof Problem && err.status === 422 ? "This is refused." : "The baseline was not started anew."));
      } finally {
        button.disabled = false;
      }
    })();
  });
  return h("details", { class: "rebaseline", id: "rebaseline" }, h("summary", null, "Start its baseline anew"), form);
}
