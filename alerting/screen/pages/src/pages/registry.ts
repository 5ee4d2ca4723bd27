// The registry: what people say of turnouts. Nothing of it is needed to begin.

import { all, dropPlace, placesFile, readFleet, savePlace, segment, type NewPlace, type Place } from "../api.ts";
import { fill, h, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import type { Draw } from "../page.ts";
import { may } from "../session.ts";
import { criticalities, placeForm } from "../setup/placeform.ts";
import { placesFilePart } from "../setup/placesfile.ts";
import { by, keepQuery, sure } from "../setup/sure.ts";
import { count } from "../words.ts";

const rowsAtOnce = 100;
const unsaidAtOnce = 40;
const placesRead = 200_000;

export const registryPage: Draw = (root, yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "registry-said", "aria-live": "polite" });
  const trouble = h("div", { role: "status" });
  const filter = h("input", { id: "registry-filter", type: "search", autocomplete: "off", spellcheck: "false", placeholder: "name, area, line", value: new URLSearchParams(location.search).get("q") ?? "" });
  const body = h("tbody");
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => { shown += rowsAtOnce; draw(); } } }, "Show more");
  const adding = h("div", { id: "adding" });
  const unsaid = h("section", { class: "unsaid-turnouts", id: "unsaid", hidden: true });
  const table = h("table", { class: "registry", id: "registry" },
    h("thead", null, h("tr", null, ["Turnout", "Area", "Line", "Order", "Drive", "What a failure does", "Limits", "Notes"].map((n) => h("th", { scope: "col" }, n)), h("td", { class: "for-maintainers-cell" }))), body);
  let list: Place[] = [];
  let silent: string[] = []; // turnouts that throw and of which nothing was said
  let shown = rowsAtOnce;
  let unsaidShown = unsaidAtOnce;
  let editing = "";
  let form: HTMLElement | undefined; // of what is edited: it keeps what was typed
  let loaded = false;
  let drawn = ""; // what was read and shown

  const add = h("button", { type: "button", class: "act main", id: "add-place", on: { click: () => addForm() } }, "Add a turnout");
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Registry"), said),
    h("p", { class: "lead" }, "Where turnouts are and how much hangs on them. Nothing here is needed to begin: a turnout is watched from its first throw. What you say orders the work list, draws the lines and chooses who is told."),
    trouble, unsaid,
    h("div", { class: "fleet-tools" },
      h("label", { class: "filter" }, h("span", null, "Filter"), filter),
      h("span", { class: "for-maintainers inline" }, add),
      h("a", { class: "act", id: "places-export", href: placesFile, download: "places.csv" }, "Export as CSV"),
      h("button", { type: "button", class: "act for-administrators inline", id: "to-import", on: { click: () => root.querySelector<HTMLElement>("#places-file")?.focus() } }, "Import a CSV file")),
    adding, table, more,
    h("div", { class: "for-administrators" }, placesFilePart(() => void load(), signal)));

  const areas = (): string[] => [...new Set(list.map((p) => p.area ?? ""))].filter(Boolean).sort();
  const lines = (): string[] => [...new Set(list.map((p) => p.line ?? ""))].filter(Boolean).sort();
  const button = (turnout: string): HTMLElement | null => body.querySelector(`tr[data-turnout="${CSS.escape(turnout)}"] [data-act=edit]`);

  const save = async (turnout: string, place: NewPlace): Promise<void> => {
    drawn = "";
    const p = await savePlace(turnout, place);
    list = list.filter((x) => x.turnout !== turnout);
    list.push(p);
    list.sort(inOrder);
    silent = silent.filter((x) => x !== turnout);
    fill(trouble);
  };

  const addForm = (): void => {
    const f = placeForm("place", undefined, areas(), lines(), async (turnout, place) => {
      await save(turnout, place);
      fill(adding);
      filter.value = turnout;
      draw();
      button(turnout)?.focus();
    }, () => { fill(adding); add.focus(); });
    fill(adding, h("div", { class: "panel" }, h("h2", null, "Add a turnout"), f.el));
    f.first.focus();
  };

  const edit = (turnout: string): void => {
    editing = turnout;
    form = undefined;
    draw();
    body.querySelector<HTMLElement>(".editing input")?.focus();
  };
  const leave = (): void => {
    const was = editing;
    editing = "";
    draw();
    button(was)?.focus();
  };

  const drop = async (turnout: string): Promise<void> => {
    try {
      await dropPlace(turnout, by());
      fill(trouble, h("p", { class: "good" }, `What was said of ${turnout} is forgotten.`));
      await load();
      filter.focus();
    } catch (err) {
      fill(trouble, failure(err, "It was not dropped."));
    }
  };

  const limits = (p: Place): string => [p.throw_time_s && `${p.throw_time_s}\u00a0s`, p.effort_rise_percent && `+${p.effort_rise_percent}\u00a0%`].filter(Boolean).join(", ");
  const row = (p: Place): HTMLElement => {
    if (p.turnout === editing && form) return form;
    if (p.turnout === editing) {
      const f = placeForm("edit", p, areas(), lines(), async (turnout, place) => { await save(turnout, place); leave(); }, leave);
      return form = h("tr", { class: "editing", data: { turnout: p.turnout } }, h("td", { colspan: 9 }, h("h3", null, p.turnout), f.el));
    }
    const soft = (v: string | undefined, none = ""): HTMLElement | string | false => v || (none !== "" && h("span", { class: "soft" }, none));
    const cell = (name: string, ...what: (HTMLElement | string | false)[]): HTMLElement => h("td", { data: { name } }, ...what);
    return h("tr", { data: { turnout: p.turnout } },
      h("th", { scope: "row" }, h("a", { href: `/turnouts/${segment(p.turnout)}` }, p.turnout), p.out_of_service && h("b", { class: "out" }, "out of service")),
      cell("Area", soft(p.area, "from the name")), cell("Line", soft(p.line)), cell("Order", p.position ? String(p.position) : ""), cell("Drive", soft(p.drive)),
      cell("What a failure does", p.criticality ? criticalities[p.criticality]! : soft("", "not said")), cell("Limits", limits(p)), h("td", { class: "notes", data: { name: "Notes" } }, p.notes ?? ""),
      h("td", { class: "for-maintainers-cell" }, h("div", { class: "row" },
        h("button", { type: "button", class: "act", data: { act: "edit" }, "aria-label": `Edit ${p.turnout}`, on: { click: () => edit(p.turnout) } }, "Edit"),
        sure("Drop", `Drop ${p.turnout}`, "Sure?", () => void drop(p.turnout)))));
  };

  const draw = (): void => {
    const q = filter.value.trim().toLowerCase();
    const found = list.filter((p) => [p.turnout, p.area ?? "", p.line ?? ""].some((x) => x.toLowerCase().includes(q)));
    said.textContent = !loaded ? "" : (found.length < list.length ? `${found.length.toLocaleString("en-GB")} of ` : "") + `${count(list.length, "turnout", "turnouts")} in it` + (silent.length > 0 ? `, ${silent.length.toLocaleString("en-GB")} not yet said` : "");
    fill(body, found.slice(0, shown).map(row));
    table.hidden = found.length === 0;
    more.hidden = found.length <= shown;
    unsaid.hidden = silent.length === 0;
    fill(unsaid, silent.length > 0 && [
      h("h2", null, `Not yet said: ${silent.length.toLocaleString("en-GB")}`),
      h("p", { class: "lead" }, "These throw and are watched; the registry says nothing of them.", may("maintainer") ? " One touch adds a turnout; say more of it when you like." : ""),
      h("ul", null, silent.slice(0, unsaidShown).map((t) => h("li", null, h("a", { href: `/turnouts/${segment(t)}` }, t),
        h("button", { type: "button", class: "act for-maintainers inline", data: { add: t }, "aria-label": `Add ${t}`, on: { click: () => void addOne(t) } }, "Add")))),
      h("p", { class: "row" },
        silent.length > unsaidShown && h("button", { type: "button", class: "act", on: { click: () => { unsaidShown += 400; draw(); } } }, "Show more"),
        silent.length > 1 && h("button", { type: "button", class: "act for-maintainers inline", id: "add-all", on: { click: (ev: MouseEvent) => void addAll(ev.currentTarget as HTMLButtonElement) } }, `Add all ${silent.length.toLocaleString("en-GB")}`)),
    ]);
  };

  const addOne = async (turnout: string): Promise<void> => {
    const i = silent.indexOf(turnout);
    try {
      await save(turnout, { by: by() });
      draw();
      fill(trouble, h("p", { class: "good" }, `${turnout} is in the registry.`));
      const next = silent[Math.min(i, silent.length - 1)];
      (next ? unsaid.querySelector<HTMLElement>(`[data-add="${CSS.escape(next)}"]`) : add)?.focus();
    } catch (err) {
      fill(trouble, failure(err, `${turnout} was not added.`));
    }
  };
  const addAll = async (b: HTMLButtonElement): Promise<void> => {
    b.disabled = true;
    try {
      for (const t of [...silent]) {
        await save(t, { by: by() });
        b.textContent = `${silent.length} to go`;
      }
    } catch (err) {
      fill(trouble, failure(err, "Not all were added."));
    }
    draw();
  };

  const load = async (): Promise<void> => {
    try {
      const [places, fleet] = await Promise.all([all<Place>("/places", {}, placesRead, signal), readFleet(signal)]);
      list = places.items;
      const there = new Set(list.map((p) => p.turnout));
      silent = fleet.turnouts.filter((t) => !there.has(t)).sort();
      loaded = true;
      const key = JSON.stringify([list, silent]);
      if (!editing && key !== drawn) draw(); // else what is under someone's pointer stays
      drawn = key;
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The registry could not be read.", () => void load()));
    }
  };

  let typing = 0;
  filter.addEventListener("input", () => {
    window.clearTimeout(typing);
    typing = window.setTimeout(() => {
      shown = rowsAtOnce;
      keepQuery("/registry", { q: filter.value.trim() });
      draw();
    }, 120);
  });
  const known = (): void => draw(); // what one may has become known
  document.addEventListener("session", known);
  // A turnout that begins to throw is one of which nothing was said.
  const again = throttle(() => void load(), 3000);
  const off = yard.stream.on("throw", (t) => {
    if (loaded && !silent.includes(t.turnout) && !list.some((p) => p.turnout === t.turnout)) again();
  });
  void load();
  return {
    title: "Registry",
    refresh: () => void load(),
    key(ev): boolean {
      if (ev.key !== "/") return false;
      filter.focus();
      filter.select();
      return true;
    },
    close(): void {
      window.clearTimeout(typing);
      again.cancel();
      off();
      document.removeEventListener("session", known);
    },
  };
};

function inOrder(a: Place, b: Place): number {
  const by = (x: string | undefined, y: string | undefined): number => ((x ?? "") < (y ?? "") ? -1 : (x ?? "") > (y ?? "") ? 1 : 0);
  return by(a.area, b.area) || by(a.line, b.line) || (a.position ?? 0) - (b.position ?? 0) || by(a.turnout, b.turnout);
}
