// The journal: what became of alerts, what people did, what was sent.

import { readJournal, segment, type Entry } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import type { Draw } from "../page.ts";
import { keepQuery } from "../setup/sure.ts";
import { fieldTime, fieldValue, onZone, when, zoneName } from "../time.ts";
import { causeName, count } from "../words.ts";

const page = 200; // lines that are asked for at once
const wantedAtOnce = 100; // that fit the filters
const mostPages = 20; // read for one screen of a rare thing

type Kind = "people" | "alerts" | "messages";

const kinds: Record<string, [kind: Kind, words: string]> = {
  raised: ["alerts", "raised"], changed: ["alerts", "more serious or less"], cleared: ["alerts", "cleared"],
  acknowledge: ["people", "acknowledged"], shelve: ["people", "shelved"], unshelve: ["people", "taken off the shelf"], note: ["people", "noted"],
  judge: ["people", "judged"], reopen: ["people", "reopened"],
  deliver: ["messages", "message"], remind: ["messages", "reminder"], escalate: ["messages", "escalated"],
};

/** Why a message was sent. */
const reasons: Record<string, string> = {
  raised: "as it was raised", changed: "as it became more serious", cleared: "as it cleared", reminder: "to remind", escalated: "as nobody had acknowledged", "still-stands": "as it still stood", trial: "a trial",
};

export const journalPage: Draw = (root, _yard, _args, signal) => {
  const query = new URLSearchParams(location.search);
  const said = h("p", { class: "summary", id: "journal-said", "aria-live": "polite" });
  const trouble = h("div", { role: "status" });
  const list = h("ol", { class: "journal", id: "journal" });
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => void load(false) } }, "Show older");
  const turnout = h("input", { id: "journal-turnout", type: "search", autocomplete: "off", spellcheck: "false", maxlength: 64, placeholder: "whole name", value: query.get("turnout") ?? "" });
  const kind = h("select", { id: "journal-kind" }, [["", "everything"], ["people", "what people did"], ["alerts", "what alerts did"], ["messages", "what was sent"]].map(([v, n]) => h("option", { value: v, selected: query.get("kind") === v }, n!)));
  const person = h("input", { id: "journal-by", type: "search", autocomplete: "off", spellcheck: "false", placeholder: "any part", value: query.get("by") ?? "" });
  const time = (id: string, name: string): HTMLInputElement => h("input", { id, type: "datetime-local", value: query.get(name) ? fieldValue(Date.parse(query.get(name)!)) : "" });
  const [from, to] = [time("journal-from", "from"), time("journal-to", "to")];
  const zones = [h("span", null), h("span", null)];
  const drawZones = (): void => zones.forEach((z, i) => { z.textContent = `${i === 0 ? "From" : "Until"} (${zoneName()})`; });
  const label = (words: string | HTMLElement, input: HTMLElement): HTMLElement => h("label", { class: "filter" }, typeof words === "string" ? h("span", null, words) : words, input);
  const clear = h("button", { type: "button", class: "act", on: { click: () => {
    turnout.value = kind.value = person.value = from.value = to.value = "";
    void load(true);
  } } }, "Clear the filters");
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Journal"), said),
    h("form", { class: "fleet-tools", role: "search", on: { submit: (ev: Event) => ev.preventDefault() } },
      label("Turnout", turnout), label("Show", kind), label("By", person), label(zones[0]!, from), label(zones[1]!, to), clear),
    trouble, list, more);
  drawZones();

  const row = (e: Entry): HTMLElement => {
    const [k, words] = kinds[e.action] ?? ["alerts" as Kind, e.action];
    const went = e.outcome === "sent";
    const found = e.found && (e.found.true ? `there was something${e.found.cause ? `: ${causeName(e.found.cause)}` : ""}` : "there was nothing");
    return h("li", { data: { action: e.action, kind: k } },
      h("span", { class: "at" }, when(e.at)),
      h("span", { class: "of" }, e.turnout && h("a", { href: `/turnouts/${segment(e.turnout)}` }, e.turnout), e.alert && !e.turnout && h("span", { class: "soft" }, "a cabinet")),
      h("b", null, e.alert ? h("a", { href: `/alerts/${segment(e.alert)}` }, words) : words),
      h("span", { class: "what" }, [
        found, e.target && `to ${e.target}`, e.outcome && (went ? "sent" : h("span", { class: "bad" }, e.outcome)), e.until && ["until ", when(e.until)], e.note && (k === "messages" && reasons[e.note] ? reasons[e.note] : h("q", null, e.note)), e.found?.note && h("q", null, e.found.note),
      ].filter(Boolean).flatMap((x, i) => (i ? [", ", x] : [x]))),
      h("span", { class: "by-whom" }, e.by || h("span", { class: "soft" }, "the program")));
  };

  const fits = (e: Entry): boolean => (!kind.value || (kinds[e.action]?.[0] ?? "alerts") === kind.value) && (!person.value.trim() || (e.by ?? "").toLowerCase().includes(person.value.trim().toLowerCase()));

  let cursor: string | undefined;
  let shown = 0;
  let read = 0;
  let asked = 0;
  const load = async (anew: boolean): Promise<void> => {
    const mine = ++asked;
    if (anew) {
      cursor = undefined;
      keepQuery("/journal", { turnout: turnout.value.trim(), kind: kind.value, by: person.value.trim(), from: fieldTime(from.value) ?? "", to: fieldTime(to.value) ?? "" });
    }
    const rows: HTMLElement[] = [];
    let seen = 0;
    let next = cursor;
    try {
      for (let i = 0; i < mostPages && rows.length < wantedAtOnce; i++) {
        const got = await readJournal({ turnout: turnout.value.trim() || undefined, from: fieldTime(from.value), to: fieldTime(to.value), cursor: next, limit: page }, signal);
        if (mine !== asked) return; // another question was asked meanwhile
        seen += got.items.length;
        rows.push(...got.items.filter(fits).map(row));
        next = got.next || undefined;
        if (!next) break;
      }
      fill(trouble);
      cursor = next;
      if (anew) {
        list.replaceChildren(...rows);
        shown = read = 0;
      } else {
        list.append(...rows);
        rows[0]?.querySelector<HTMLElement>("a")?.focus();
      }
      shown += rows.length;
      read += seen;
      more.hidden = !cursor;
      said.textContent = shown === 0 ? (cursor ? `nothing like that in the latest ${count(read, "line", "lines")}` : "nothing like that was entered") : `${count(shown, "line", "lines")}, newest first${cursor ? "; there are older ones" : ""}`;
    } catch (err) {
      if (!signal.aborted && mine === asked) fill(trouble, failure(err, "The journal could not be read.", () => void load(anew)));
    }
  };

  let typing = 0;
  const changed = (): void => {
    window.clearTimeout(typing);
    typing = window.setTimeout(() => void load(true), 250);
  };
  for (const el of [turnout, kind, person, from, to]) el.addEventListener("input", changed);
  const offZone = onZone(() => {
    drawZones();
    from.value = to.value = ""; // they were in the other zone
    void load(true);
  });
  void load(true);
  return {
    title: "Journal",
    refresh: () => { if (window.scrollY < 200) void load(true); },
    key(ev): boolean {
      if (ev.key !== "/") return false;
      turnout.focus();
      return true;
    },
    close(): void {
      window.clearTimeout(typing);
      offZone();
    },
  };
};
