// Recording work at the trackside, with one thumb: what was done, and done.

import { all, segment, type Case, type NewFound } from "../api.ts";
import { fill, h, remember, remembered } from "../dom.ts";
import type { Draw } from "../page.ts";
import { finding, type Finding } from "../parts/judge.ts";
import { sentence } from "../sentence.ts";
import { may, named, readSession, session } from "../session.ts";
import { fieldTime, when, zoneName } from "../time.ts";
import { outbox } from "../waiting.ts";
import { causeName, conditionName, percent, pressing, toEnd, workKinds } from "../words.ts";
import { workNow } from "../worktime.ts";

const shown = 3; // alerts that are asked about

export const visitPage: Draw = (root, _yard, [name = ""], signal) => {
  const said = h("p", { class: "why-here", id: "visit-why" });
  const kinds = h("fieldset", { class: "kinds", id: "kinds" }, h("legend", null, "What was done?"),
    workKinds.map((k) => h("label", { class: "pick" }, h("input", { type: "radio", name: "kind", value: k }), h("span", null, k))));
  const asked = h("div", { class: "asked", id: "visit-found" });
  const note = h("textarea", { id: "visit-note", rows: 2, maxlength: 4096 });
  const by = h("input", { id: "visit-by", maxlength: 128, autocomplete: "off", value: remembered("by") ?? "" });
  const at = h("input", { id: "visit-at", type: "datetime-local" });
  const more = h("details", { class: "besides" }, h("summary", null, "Note, name, another time"),
    h("div", { class: "besides-body" }, h("label", null, h("span", null, "Note"), note), h("label", { class: "by" }, h("span", null, "Your name"), by),
      h("label", null, h("span", null, `When (${zoneName()}); left empty: now`), at)));
  const wrong = h("p", { class: "wrong", role: "alert", id: "visit-wrong" });
  const done = h("button", { type: "submit", class: "act main done", id: "visit-done" }, "Done");
  const form = h("form", { class: "visit-form", id: "visit-form", novalidate: true }, kinds, asked, more, h("div", { class: "thumb" }, wrong, done));
  const outcome = h("div", { id: "visit-outcome", role: "status", tabindex: -1 });
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Record work"), h("p", { class: "at-turnout" }, h("a", { href: `/turnouts/${segment(name)}` }, name))), said, form, outcome);

  let findings: { alert: Case; ask: Finding }[] = [];
  let sent = false;
  const offs: (() => void)[] = [];

  // What stands is asked about; without a connection the work can be recorded all the same.
  const read = async (): Promise<void> => {
    let open: Case[];
    try {
      open = (await all<Case>("/alerts", { turnout: name, state: "open" }, 100, signal)).items.toSorted(pressing);
    } catch {
      if (!signal.aborted) said.textContent = "What stands here cannot be read now; the work can be recorded all the same.";
      return;
    }
    const first = open[0];
    fill(said, first ? [`${conditionName(first.condition)} ${toEnd(first.to)}`, first.causes[0] && `, ${causeName(first.causes[0].cause)} ${percent(first.causes[0].probability)}`, open.length > 1 && `; ${open.length - 1} more`, "."] : "No alert stands here.");
    findings = open.slice(0, shown).map((c) => ({ alert: c, ask: finding(`${conditionName(c.condition)} ${toEnd(c.to)}: was there something?`, c.causes, c.handling.found) }));
    fill(asked, findings.length > 0 && h("details", { class: "besides" }, h("summary", null, "What was found"), h("div", { class: "besides-body" }, findings.map((f) => f.ask.el))));
  };
  void read();

  const drawRole = (): void => {
    const barred = session() !== undefined && !may("maintainer");
    done.disabled = barred;
    if (barred) wrong.textContent = "Recording work is for maintainers; your account may not.";
  };
  document.addEventListener("session", drawRole, { signal });
  drawRole();

  form.addEventListener("change", (ev) => {
    // Not as a field is left: the button would move from under the thumb.
    if (!done.disabled && (ev.target as HTMLInputElement).type === "radio") wrong.textContent = "";
    form.dataset.kind = chosen() ?? "";
  });
  const chosen = (): string | undefined => kinds.querySelector<HTMLInputElement>("input:checked")?.value;

  form.addEventListener("submit", (ev) => {
    ev.preventDefault();
    const kind = chosen();
    if (!kind) {
      wrong.textContent = "First touch what was done.";
      kinds.querySelector<HTMLElement>("input")?.focus();
      return;
    }
    const founds = findings.flatMap(({ alert, ask }): { alert: Case; found: NewFound }[] => {
      const found = ask.value();
      const old = alert.handling.found;
      return !found || (old && old.true === found.true && (old.cause ?? "") === (found.cause ?? "")) ? [] : [{ alert, found }];
    });
    const who = named() ? undefined : by.value.trim() || undefined;
    if (founds.length > 0 && !named() && !who) {
      more.open = true;
      wrong.textContent = "Whose word is it, what was found? Please give your name.";
      by.focus();
      return;
    }
    if (sent) return; // a second touch of an impatient thumb
    sent = true;
    done.disabled = true;
    wrong.textContent = "";
    if (who) remember("by", who);
    void (async () => {
      if (!session()) await readSession().catch(() => undefined);
      const text = note.value.trim();
      const moment = fieldTime(at.value) ?? new Date(workNow()).toISOString();
      const visit = { kind: "visit" as const, turnout: name, body: { work: kind, done_at: moment, ...(text ? { note: text } : {}), ...(who ? { by: who } : {}) } };
      // All are kept before the first is sent.
      const tries = [outbox.put(visit), ...founds.map(({ alert, found }) => outbox.put({ kind: "finding", turnout: name, alert: alert.id, body: { found, ...(who ? { by: who } : {}) } }))];
      const left = (await Promise.all(tries)).filter((k) => k !== undefined);
      if (signal.aborted) return;
      tell(kind, moment, founds.length, left.map((k) => ({ why: k.why ?? "not sent yet", refused: Boolean(k.refused) })));
      if (left.length === 0) return;
      // What becomes of it while one still looks is told too.
      offs.push(outbox.subscribe(() => {
        const still = outbox.items().filter((k) => left.some((l) => l.id === k.id));
        if (form.hidden && (still.length === 0 || still.some((k) => k.refused))) tell(kind, moment, founds.length, still.map((k) => ({ why: k.why ?? "", refused: Boolean(k.refused) })));
      }));
    })();
  });

  const tell = (kind: string, moment: string, found: number, left: { why: string; refused: boolean }[]): void => {
    form.hidden = true;
    const refused = left.find((l) => l.refused);
    const state = refused ? "refused" : left.length > 0 ? "kept" : "sent";
    fill(outcome, h("div", { class: "recorded", data: { state } },
      h("h2", null, state === "sent" ? "Recorded." : state === "kept" ? "Kept on this device, not yet sent." : "Refused."),
      h("p", null, h("b", null, name), ` ${kind}, `, when(moment), found > 0 && `, with what was found`, "."),
      state === "kept" && h("p", { id: "kept-said" }, sentence(left[0]!.why), " It is sent by itself once the connection is back, and only once. Do not record it again; keep this browser’s data until then."),
      state === "refused" && h("p", { class: "bad" }, sentence(refused!.why)),
      state === "sent" && h("p", { class: "soft" }, "The next throws say whether it helped; the turnout’s page tells."),
      h("p", { class: "row" }, h("a", { class: "act main", href: "/work" }, "To the work list"), h("a", { class: "act", href: `/turnouts/${segment(name)}` }, "To the turnout"),
        h("button", { type: "button", class: "act", on: { click: again } }, "Record more here"))));
    outcome.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  };

  const again = (): void => {
    sent = false;
    for (const off of offs.splice(0)) off();
    done.disabled = false;
    form.hidden = false;
    fill(outcome);
    form.reset();
    by.value = remembered("by") ?? "";
    drawRole();
    void read();
  };

  return { title: `Record work, ${name}`, refresh: () => { if (!said.textContent) void read(); }, close: () => { for (const off of offs) off(); } };
};
