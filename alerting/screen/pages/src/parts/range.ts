// A time to look at: the last hours, or from one moment to another. The
// address keeps it, so that it can be given to someone.

import { yardNow } from "../clock.ts";
import { h, fill } from "../dom.ts";
import { fieldTime, fieldValue, zoneName } from "../time.ts";

export interface Chosen {
  range(): { from: string; to: string };
}

export interface RangePicker {
  el: HTMLElement;
  /** Tells the first choice. */
  start(): void;
  chosen(): Chosen;
}

/** usual are names and hours; changed is told every choice. */
export function rangePicker(usual: [name: string, hours: number][], first: number, changed: (c: Chosen) => void): RangePicker {
  const asked = new URLSearchParams(location.search);
  let hours: number | undefined = Number(asked.get("hours")) || first;
  let fixed = asked.get("from") && asked.get("to") ? { from: asked.get("from")!, to: asked.get("to")! } : undefined;
  if (fixed && (Number.isNaN(Date.parse(fixed.from)) || Number.isNaN(Date.parse(fixed.to)))) fixed = undefined;
  if (fixed) hours = undefined;
  const buttons = h("div", { class: "choice", role: "group", "aria-label": "Time" });
  const from = h("input", { type: "datetime-local", id: "range-from" });
  const to = h("input", { type: "datetime-local", id: "range-to" });
  const wrong = h("p", { class: "wrong", role: "alert" });
  const form = h("form", { class: "range-form", hidden: !fixed },
    h("label", { class: "inline" }, h("span", null, `From (${zoneName()})`), from), h("label", { class: "inline" }, h("span", null, "to"), to), h("button", { class: "act", type: "submit" }, "Show"), wrong);
  const chosen = (): Chosen => ({
    range(): { from: string; to: string } {
      if (fixed) return fixed;
      const now = yardNow();
      return { from: new Date(now - (hours ?? first) * 3600e3).toISOString(), to: new Date(now).toISOString() };
    },
  });
  const keep = (): void => {
    const q = new URLSearchParams(location.search);
    for (const k of ["hours", "from", "to"]) q.delete(k);
    if (fixed) {
      q.set("from", fixed.from);
      q.set("to", fixed.to);
    } else if (hours !== first) q.set("hours", String(hours));
    history.replaceState(history.state, "", location.pathname + (q.size > 0 ? `?${q.toString()}` : ""));
  };
  const draw = (): void => fill(buttons, usual.map(([name, n]) => h("button", { type: "button", class: "act", "aria-pressed": String(hours === n && form.hidden), data: { hours: n }, on: { click: () => {
    hours = n;
    fixed = undefined;
    form.hidden = true;
    keep();
    draw();
    changed(chosen());
  } } }, name)), h("button", { type: "button", class: "act", "aria-pressed": String(!form.hidden), id: "range-fixed", on: { click: () => {
    const r = chosen().range();
    from.value = fieldValue(Date.parse(r.from));
    to.value = fieldValue(Date.parse(r.to));
    form.hidden = false;
    draw();
    from.focus();
  } } }, "From … to"));
  form.addEventListener("submit", (ev) => {
    ev.preventDefault();
    const [a, b] = [fieldTime(from.value), fieldTime(to.value)];
    wrong.textContent = !a || !b ? "Both, please." : Date.parse(a) >= Date.parse(b) ? "It should begin before it ends." : "";
    if (wrong.textContent) return;
    fixed = { from: a!, to: b! };
    hours = undefined;
    keep();
    changed(chosen());
  });
  if (fixed) {
    from.value = fieldValue(Date.parse(fixed.from));
    to.value = fieldValue(Date.parse(fixed.to));
  }
  draw();
  return { el: h("div", { class: "range-pick" }, buttons, form), start: () => changed(chosen()), chosen };
}
