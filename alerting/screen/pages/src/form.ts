// Forms that tell what is wrong at the field that is wrong.

import { Problem } from "./api.ts";
import { fill, h, type Attributes } from "./dom.ts";
import { failure } from "./failure.ts";
import { sentence } from "./sentence.ts";

export interface Field {
  el: HTMLElement;
  input: HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement;
  /** The name of the field in the API's body. */
  name: string;
  wrong(what: string): void;
}

/** A labelled field; hint stands under it. */
export function field(name: string, label: string, input: Field["input"], hint = ""): Field {
  const wrong = h("small", { class: "wrong", id: `${input.id}-wrong`, hidden: true });
  const said = hint ? h("small", { id: `${input.id}-hint` }, hint) : null;
  input.setAttribute("aria-describedby", [said?.id, wrong.id].filter(Boolean).join(" "));
  const el = h("div", { class: "field" }, h("label", { for: input.id }, label), input, said, wrong);
  const tell = (what: string): void => {
    wrong.hidden = !what;
    wrong.textContent = what;
    if (what) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
  };
  input.addEventListener("input", () => tell(""));
  return { el, input, name, wrong: tell };
}

export const text = (id: string, more: Attributes = {}): HTMLInputElement => h("input", { id, required: true, autocapitalize: "none", spellcheck: "false", ...more });

/** Fields of passwords, with a button that shows what was typed. */
export function password(id: string, name: string, label: string, autocomplete: "current-password" | "new-password", hint = ""): Field {
  const input = text(id, { type: "password", autocomplete, maxlength: 1024 });
  const f = field(name, label, input, hint);
  const show = h("button", { type: "button", class: "quiet", "aria-pressed": "false", "aria-controls": id, "aria-label": `Show the ${label.toLowerCase()}` }, "Show");
  show.addEventListener("click", () => {
    const shown = input.type === "text";
    input.type = shown ? "password" : "text";
    show.setAttribute("aria-pressed", String(!shown));
    show.textContent = shown ? "Show" : "Hide";
  });
  const row = h("span", { class: "row" });
  input.replaceWith(row);
  row.append(input, show);
  return f;
}

export interface Form {
  el: HTMLFormElement;
  outcome: HTMLElement;
}

/** A form that sends; send throws what the API answers. */
export function form(id: string, fields: Field[], button: string, what: string, send: () => Promise<void>): Form {
  const act = h("button", { class: "act main", type: "submit" }, button);
  const outcome = h("div", { id: `${id}-outcome`, role: "status" });
  const el = h("form", { id, class: "person-form", novalidate: true }, fields.map((f) => f.el), h("p", null, act), outcome);
  el.addEventListener("submit", (ev) => {
    ev.preventDefault();
    const empty = fields.filter((f) => f.input.required && !f.input.value.trim());
    for (const f of fields) f.wrong(empty.includes(f) ? "Please fill this in." : "");
    fill(outcome);
    if (empty[0]) {
      empty[0].input.focus();
      return;
    }
    void (async () => {
      act.disabled = true;
      try {
        await send();
      } catch (err) {
        tell(err, fields, outcome, what);
      } finally {
        act.disabled = false;
      }
    })();
  });
  return { el, outcome };
}

function tell(err: unknown, fields: Field[], outcome: HTMLElement, what: string): void {
  let first: Field | undefined;
  const rest: { location?: string; message: string }[] = [];
  if (err instanceof Problem) {
    for (const d of err.details) {
      const f = fields.find((x) => d.location === `body.${x.name}`);
      f?.wrong(sentence(d.message));
      first ??= f;
      if (!f) rest.push(d);
    }
    if (first) {
      first.input.focus();
      if (rest.length === 0) return;
    }
  }
  fill(outcome, failure(err instanceof Problem ? new Problem(err.status, first ? "" : sentence(err.message), first ? rest : err.details) : err, what));
}
