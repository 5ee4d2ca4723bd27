// What the next shift has to know, on screen and on paper.

import { readHandover, type Case, type End, type Entry, type FiledWork, type Handover } from "../api.ts";
import { alertsFile, segment, workFile } from "../api.ts";
import { fill, h, type Child } from "../dom.ts";
import { failure } from "../failure.ts";
import { diamond } from "../marks.ts";
import type { Draw } from "../page.ts";
import { printButton, printedLine } from "../parts/printed.ts";
import { ratesTable } from "../parts/figures.ts";
import { rangePicker, type Chosen } from "../parts/range.ts";
import { sentence } from "../sentence.ts";
import { since, when } from "../time.ts";
import { causeLine, causeName, conditionName, count, forecastLine, percent, toEnd } from "../words.ts";

export const handoverPage: Draw = (root, _yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "handover-said" });
  const trouble = h("div");
  const body = h("div", { id: "handover", class: "sheets" });
  const files = h("span", { class: "files" });
  let turn = 0;
  const range = rangePicker([["Last 8 h", 8], ["Last 12 h", 12]], 8, (c) => void load(c));
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Shift hand-over"), said), printedLine(signal),
    h("div", { class: "tools" }, range.el, printButton(), files), trouble, body);

  const load = async (c: Chosen): Promise<void> => {
    const mine = ++turn;
    try {
      const d = await readHandover(c.range(), signal);
      if (mine !== turn) return;
      fill(trouble);
      fill(said, "From ", when(d.from, "full"), " to ", when(d.to, "full"));
      fill(files, h("a", { href: alertsFile({ from: d.from, to: d.to }), download: "" }, "Alerts as CSV"), " ", h("a", { href: workFile({ from: d.from, to: d.to }), download: "" }, "Work as CSV"));
      fill(body, draw(d));
      body.dataset.read = d.to;
    } catch (err) {
      if (!signal.aborted && mine === turn) fill(trouble, failure(err, "The hand-over could not be read.", () => void load(c)));
    }
  };
  range.start();
  return { title: "Shift hand-over", refresh: () => void load(range.chosen()), close: () => { turn++; } };
};

function draw(d: Handover): Child[] {
  const open = new Set((d.standing ?? []).map((c) => c.id));
  const cleared = new Set((d.cleared ?? []).map((c) => c.id));
  const hidden = (d.raised ?? []).filter((c) => !open.has(c.id) && !cleared.has(c.id));
  const unowned = (d.standing ?? []).filter((c) => c.standing === "unacknowledged").length;
  const sections = [
    part("Stands now", "standing", d.standing, caseRow, "Nothing stands."),
    part("Raised, and hidden since", "raised", hidden, caseRow, ""),
    part("Cleared", "cleared", d.cleared, caseRow, "Nothing cleared."),
    part("Acknowledged in this shift", "acknowledged", d.acknowledged, (c) => shortRow(c, [`by ${c.handling.acknowledged_by ?? "?"}, `, when(c.handling.acknowledged_at ?? c.changed_at)]), "Nobody acknowledged anything."),
    part("Shelved", "shelved", d.shelved, (c) => shortRow(c, ["until ", c.handling.shelved_until ? when(c.handling.shelved_until) : "?", ` by ${c.handling.shelved_by ?? "?"}: ${c.handling.shelved_for ?? ""}`]), "Nothing is shelved."),
    part("What people wrote and did", "notes", d.notes, noteRow, "Nobody wrote or did anything."),
    part("Work", "work", d.work, workRow, "No work was recorded."),
    part("Cabinets silent now", "silent", d.cabinets_silent, (c) => h("li", null, h("b", null, c.cabinet), h("span", null, "offline since ", when(c.at), " (", since(c.at, "for"), ")")), "All cabinets are heard from."),
  ];
  return [
    d.truncated && h("p", { class: "bad" }, "More happened in this time than is told here."),
    h("p", { class: "lead-line" }, h("b", null, count((d.standing ?? []).length, "alert stands", "alerts stand")), unowned > 0 && [", ", h("b", { class: "bad" }, `${unowned} not acknowledged`)],
      `; ${count((d.raised ?? []).length, "was", "were")} raised and ${count((d.cleared ?? []).length, "cleared", "cleared")} in this shift, ${count((d.work ?? []).length, "visit", "visits")} made.`),
    ...sections.filter((x) => x.n > 0).map((x) => x.el),
    sections.some((x) => x.n === 0) && h("p", { class: "soft nothing", id: "handover-nothing" }, sections.filter((x) => x.n === 0).map((x) => x.none).join(" ")),
    h("section", { class: "part-sheet", "aria-label": "How often people were called" }, h("h2", null, "How often people were called"), ratesTable(d.rates)),
    h("div", { class: "signed" }, h("p", null, "Handed over by"), h("p", null, "Taken over by"), h("p", null, "At")),
  ];
}

/** none is said where the list is empty. */
function part<T>(name: string, id: string, list: readonly T[] | null | undefined, row: (t: T) => HTMLElement, none: string): { n: number; none: string; el: HTMLElement } {
  const its = list ?? [];
  return { n: its.length, none, el: h("section", { class: "part-sheet", id: `handover-${id}`, "aria-label": name }, h("h2", null, name, h("span", { class: "soft" }, ` ${its.length}`)), h("ol", { class: "told" }, its.map(row))) };
}

function head(c: Case): Child[] {
  return [diamond(c.priority), h("span", { class: "prio" }, c.priority), " ",
    c.turnout ? h("a", { href: `/turnouts/${segment(c.turnout)}` }, c.turnout) : h("b", null, c.cabinet ?? ""), c.to && h("span", { class: "soft" }, ` ${toEnd(c.to)}`)];
}

const standingWords: Record<string, string> = {
  unacknowledged: "not acknowledged", acknowledged: "acknowledged", "returned-unacknowledged": "nobody has said that he saw it", shelved: "shelved", suppressed: "suppressed", "out-of-service": "out of service", normal: "over",
};

function caseRow(c: Case): HTMLElement {
  const first = c.causes[0];
  const f = c.handling.found;
  return h("li", { data: { alert: c.id, standing: c.standing } }, h("span", { class: "who" }, head(c)),
    h("div", null, h("p", null, h("b", null, conditionName(c.condition)), ", since ", when(c.since), c.cleared_at && [", cleared ", when(c.cleared_at)], ", ", c.standing === "acknowledged" && c.handling.acknowledged_by ? `acknowledged by ${c.handling.acknowledged_by}` : h("span", { class: c.standing === "unacknowledged" ? "bad" : "" }, standingWords[c.standing] ?? c.standing), "."),
      first && h("p", { class: "soft" }, causeLine(first), " ", percent(first.probability), c.forecast && ["; ", forecastLine(c.forecast)], "."),
      f && h("p", null, `Found: ${f.true ? causeName(f.cause ?? "something") : "nothing"}${f.note ? `, “${f.note}”` : ""}.`)));
}

function shortRow(c: Case, what: Child[]): HTMLElement {
  return h("li", { data: { alert: c.id } }, h("span", { class: "who" }, head(c)), h("p", null, h("b", null, conditionName(c.condition)), ", ", what));
}

const done: Record<string, string> = { acknowledge: "acknowledged", shelve: "shelved", unshelve: "ended the shelving", note: "wrote", judge: "said what was found", reopen: "took back" };

function noteRow(e: Entry): HTMLElement {
  const f = e.found;
  const text = e.note || f?.note;
  return h("li", null, h("span", { class: "who" }, when(e.at), " ", h("a", { href: `/turnouts/${segment(e.turnout)}` }, e.turnout)),
    h("p", null, h("b", null, e.by ?? "", " ", done[e.action] ?? e.action), e.until && [" until ", when(e.until)], f && [`: ${f.true ? causeName(f.cause ?? "something") : "nothing was found"}`], text && [": ", h("span", { class: "quote" }, text)]));
}

function workRow(w: FiledWork): HTMLElement {
  return h("li", null, h("span", { class: "who" }, when(w.done_at), " ", h("a", { href: `/turnouts/${segment(w.turnout)}` }, w.turnout)),
    h("div", null, h("p", null, h("b", null, w.work), w.note && `: ${w.note}`, w.by && h("span", { class: "soft" }, ` · ${w.by}`)), (w.verdicts ?? []).map((v) => h("p", { class: "soft" }, `${toEnd(v.to as End)}: ${v.outcome === "not-helped" ? "did not help" : v.outcome}. ${sentence(v.said)}`))));
}
