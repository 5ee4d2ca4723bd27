// The form that says what is known of a turnout, and its words.

import { Problem, type NewPlace, type Place } from "../api.ts";
import { h } from "../dom.ts";
import { field, form, text, type Field } from "../form.ts";
import { by } from "./sure.ts";

/** By number: how much hangs on a turnout. */
export const criticalities = [
  "not said, counts as 3", "1 slight: there is another way round", "2 small: a train or two waits", "3 medium: the trains of a line wait",
  "4 large: a junction stands still", "5 severe: the traffic of an area stands still",
];

const drives = ["electric", "hydraulic", "pneumatic", "manual", "other"] as const;

export interface PlaceForm {
  el: HTMLFormElement;
  first: HTMLElement;
}

/** The form for one turnout; without a place it asks for the name too. send throws what the API answers. */
export function placeForm(id: string, p: Place | undefined, areas: string[], lines: string[], send: (turnout: string, place: NewPlace) => Promise<void>, cancel: () => void): PlaceForm {
  const number = (name: string, value: number | undefined, more: object = {}): HTMLInputElement =>
    h("input", { id: `${id}-${name}`, type: "number", step: "any", value: value ? String(value) : "", inputmode: "decimal", ...more });
  const list = (name: string, of: string[]): HTMLElement => h("datalist", { id: `${id}-${name}s` }, of.map((v) => h("option", { value: v })));
  const plain = (name: string, value: string | undefined): HTMLInputElement => h("input", { id: `${id}-${name}`, value: value ?? "", maxlength: 128, autocomplete: "off", list: `${id}-${name}s` });
  const name = field("turnout", "Turnout", text(`${id}-turnout`, { maxlength: 64, autocomplete: "off" }), "As it sends: A-Z a-z 0-9 . _ -");
  const area = field("area", "Area", plain("area", p?.area), "Left empty: taken from the name.");
  const line = field("line", "Line", plain("line", p?.line));
  const position = field("position", "Order on the line", number("position", p?.position), "Kilometres, chains, numbers: whatever you count.");
  const drive = field("drive", "Kind of drive", h("select", { id: `${id}-drive` }, h("option", { value: "" }, "not said"), drives.map((d) => h("option", { value: d, selected: p?.drive === d }, d))));
  const critical = field("criticality", "What a failure does", h("select", { id: `${id}-criticality` }, criticalities.map((c, i) => h("option", { value: String(i), selected: (p?.criticality ?? 0) === i }, c))));
  const time = field("throw_time_s", "Longest throw allowed, s", number("throw-time", p?.throw_time_s, { min: 0, max: 3600 }), "For the days left.");
  const rise = field("effort_rise_percent", "Rise of effort allowed, %", number("effort-rise", p?.effort_rise_percent, { min: 0, max: 10000 }), "For the days left.");
  const out = h("input", { type: "checkbox", id: `${id}-out`, checked: p?.out_of_service });
  const notes = field("notes", "Notes", h("textarea", { id: `${id}-notes`, rows: 2, maxlength: 4096 }, p?.notes ?? ""));
  const service: Field = { ...field("out_of_service", "Out of service", out), el: h("div", { class: "field box" }, h("label", null, out, " Out of service: its alerts call nobody")) };
  notes.el.classList.add("wide");
  const fields = [...(p ? [] : [name]), area, line, position, drive, critical, time, rise, service, notes];
  const number0 = (f: Field): number | undefined => (f.input.value.trim() === "" ? undefined : Number(f.input.value));
  const f = form(id, fields, p ? "Save" : "Add", p ? "It was not saved." : "It was not added.", () => {
    const turnout = p?.turnout ?? name.input.value.trim();
    if (!/^[A-Za-z0-9._-]{1,64}$/.test(turnout)) return Promise.reject(new Problem(422, "", [{ location: "body.turnout", message: `expected 1 to 64 of A-Z a-z 0-9 . _ -, found ${turnout}` }]));
    return send(turnout, {
      area: area.input.value.trim() || undefined, line: line.input.value.trim() || undefined, position: number0(position),
      drive: (drive.input.value || undefined) as NewPlace["drive"], criticality: Number(critical.input.value) || undefined,
      throw_time_s: number0(time), effort_rise_percent: number0(rise), out_of_service: out.checked || undefined,
      notes: notes.input.value.trim() || undefined, by: by(),
    });
  });
  f.el.classList.add("place-form");
  f.el.append(list("area", areas), list("line", lines));
  f.el.querySelector("button[type=submit]")!.after(" ", h("button", { type: "button", class: "act", on: { click: cancel } }, "Leave it"));
  f.el.addEventListener("keydown", (ev) => {
    if (ev.key !== "Escape") return;
    ev.stopPropagation();
    ev.preventDefault();
    cancel();
  });
  return { el: f.el, first: fields[0]!.input };
}
