// One alert: all that is said of it, and all that became of it.

import { alertView } from "../alertview.ts";
import { readAlertJournal, readCase, readSendings, segment, type Case, type Entry, type Sending } from "../api.ts";
import { calledAt, sectionOf, subject } from "../cases.ts";
import { Deeds } from "../control/bar.ts";
import { found } from "../control/row.ts";
import { fill, h, throttle, type Child } from "../dom.ts";
import { failure } from "../failure.ts";
import { presence, turnoutSymbol } from "../marks.ts";
import type { Draw } from "../page.ts";
import { sentence } from "../sentence.ts";
import { since, when } from "../time.ts";
import { causeName, conditionName, count, toEnd } from "../words.ts";

const page = 100; // lines of the journal at a time

const standings: Record<Case["standing"], string> = {
  unacknowledged: "Calls for someone", acknowledged: "Acknowledged", "returned-unacknowledged": "Returned to normal, not seen",
  shelved: "Shelved", suppressed: "Quiet by a window", "out-of-service": "Out of service", normal: "Over",
};

const actions: Record<string, string> = {
  raised: "Raised", changed: "Changed", cleared: "Cleared", acknowledge: "Acknowledged", shelve: "Shelved", unshelve: "No longer shelved", note: "Note",
  judge: "Found", reopen: "Taken back", deliver: "Sent", remind: "Reminded", escalate: "Escalated",
};

const reasons: Record<Sending["reason"], string> = {
  raised: "raised", changed: "more serious", cleared: "cleared", reminder: "reminder", escalated: "escalated", "still-stands": "still stands", trial: "trial",
};

export const alertPage: Draw = (root, yard, [id = ""], signal) => {
  const title = h("h1", { tabindex: -1 }, "Alert");
  const standing = h("p", { class: "summary standing", id: "standing" });
  const facts = h("dl", { class: "facts" });
  const causes = h("div", { class: "alerts", id: "alert-said" });
  const journal = h("ol", { class: "journal", id: "alert-journal" });
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => void readMore() } }, "Earlier");
  const sent = h("tbody");
  const noneSent = h("p", { class: "soft", hidden: true }, "Nothing was or is to be sent: no route names it.");
  const table = h("table", { class: "people sendings", "aria-label": "What was sent" },
    h("thead", null, h("tr", null, ["To", "Because", "Due", "Outcome"].map((n) => h("th", { scope: "col" }, n)))), sent);
  const trouble = h("div");
  const view = alertView(true, true);
  const deeds = new Deeds(yard.cases, () => undefined);
  const rest = h("div", { hidden: true }, facts,
    h("section", { class: "said", "aria-labelledby": "said-title" }, h("h2", { id: "said-title" }, "What is seen, and why"), causes),
    h("div", { class: "alert-parts" },
      h("section", { "aria-labelledby": "journal-title" }, h("h2", { id: "journal-title" }, "What became of it"), journal, more),
      h("section", { "aria-labelledby": "sent-title" }, h("h2", { id: "sent-title" }, "What was sent"), table, noneSent)));
  fill(root, h("div", { class: "head" }, title, standing), trouble, rest, deeds.el);
  let c: Case | undefined;
  let next: string | undefined;
  const ours = { title: "Alert" };

  const draw = (): void => {
    if (!c) return;
    ours.title = `${subject(c)}, ${conditionName(c.condition).toLowerCase()}`;
    yard.retitle();
    fill(title, c.turnout ? subject(c) : [presence(false), subject(c)], " ", h("span", { class: "end" }, c.turnout ? [c.to && turnoutSymbol(c.to), c.to ? `${toEnd(c.to)}, ` : ""] : "cabinet, ", conditionName(c.condition).toLowerCase()));
    standing.dataset.standing = c.standing;
    fill(standing, h("b", { class: c.standing === "unacknowledged" ? "flag" : undefined }, standings[c.standing]), state(c));
    const p = c.place;
    const fact = (name: string, what: Child): HTMLElement | false => Boolean(what) && h("div", null, h("dt", null, name), h("dd", null, what));
    fill(facts,
      fact(c.turnout ? "Turnout" : "Cabinet", c.turnout ? h("a", { href: `/turnouts/${segment(c.turnout)}`, id: "to-turnout" }, c.turnout) : h("a", { href: "/cabinets" }, c.cabinet ?? "")),
      fact("Area", p.area ?? ""), fact("Line", p.line ?? ""), fact("Drive", p.drive ?? ""),
      fact("Criticality", p.criticality ? `${p.criticality} of 5` : ""),
      fact("Raised", when(c.raised_at)), fact("Calls", c.call ? count(c.call + 1, "time", "times") : "once"),
      fact("Notes on the turnout", p.notes ?? ""));
    view.update(c, undefined);
    fill(causes, view.el);
    deeds.draw([c], false);
    rest.hidden = false;
  };

  const load = async (): Promise<void> => {
    try {
      const [now, lines, sendings] = await Promise.all([readCase(id, signal), readAlertJournal(id, { limit: page }, signal), readSendings(id, signal)]);
      c = now;
      next = lines.next || undefined;
      fill(trouble);
      fill(journal, lines.items.map(line));
      more.hidden = !next;
      fill(sent, sendings.map(sending));
      table.hidden = sendings.length === 0;
      noneSent.hidden = sendings.length > 0;
      draw();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The alert could not be read.", () => void load()));
    }
  };
  const readMore = async (): Promise<void> => {
    try {
      const lines = await readAlertJournal(id, { limit: page, cursor: next }, signal);
      next = lines.next || undefined;
      more.hidden = !next;
      journal.append(...lines.items.map(line));
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The journal could not be read.", () => void readMore()));
    }
  };
  const reload = throttle(() => void load(), 1000);
  const known = (): void => draw();
  document.addEventListener("session", known);
  const off = yard.stream.on("case", (x) => {
    if (x.id !== id) return;
    c = x;
    draw();
    reload();
  });
  void load();

  return {
    get title() {
      return ours.title;
    },
    refresh: () => void load(),
    key(ev): boolean {
      if (ev.key === "Enter" && c?.turnout && (document.activeElement === document.body || document.activeElement?.matches("h1, main"))) {
        yard.go(`/turnouts/${segment(c.turnout)}`);
        return true;
      }
      if (ev.key === "Escape") {
        yard.go("/");
        return true;
      }
      return deeds.key(ev.key, c ? [c] : []);
    },
    close(): void {
      off();
      reload.cancel();
      document.removeEventListener("session", known);
    },
  };
};

function state(c: Case): Child {
  const d = c.handling;
  const hidden = sectionOf(c.standing) === "hidden";
  return [
    c.standing === "unacknowledged" && [" for ", since(calledAt(c), "for")],
    hidden && [c.standing === "shelved" && d.shelved_by && ` by ${d.shelved_by}`, c.standing === "suppressed" && `: ${c.quiet ?? ""}`, c.quiet_to && [" until ", when(c.quiet_to)], c.standing === "shelved" && d.shelved_for && `: ${d.shelved_for}`],
    !hidden && d.acknowledged_at && [c.standing === "acknowledged" ? "" : ", acknowledged", d.acknowledged_by && ` by ${d.acknowledged_by}`, " ", since(d.acknowledged_at)],
    c.cleared_at && [", cleared ", since(c.cleared_at)],
    found(c),
  ];
}

function line(e: Entry): HTMLElement {
  const f = e.found;
  return h("li", { data: { action: e.action } },
    h("span", { class: "at" }, when(e.at)),
    h("b", null, actions[e.action] ?? e.action),
    h("span", null,
      f && (f.true ? (f.cause ? causeName(f.cause) : "there was something") : "nothing: a false alert"),
      e.target && `to ${e.target}`, e.outcome && `${e.target ? ": " : ""}${e.outcome}`,
      e.until && ["until ", when(e.until)],
      (f || e.target || e.until) && (e.note || f?.note) && " ", (e.note || f?.note) && h("q", null, e.note || f?.note),
      " ", h("span", { class: "soft" }, e.by || "")));
}

function sending(s: Sending): HTMLElement {
  return h("tr", { data: { sent: s.sent } },
    h("th", { scope: "row" }, s.target),
    h("td", null, reasons[s.reason] ?? s.reason),
    h("td", null, when(s.since)),
    h("td", null, s.sent ? ["sent ", s.done_at && when(s.done_at)] : s.due ? [h("b", null, "waits"), ", tried next ", when(s.due)] : h("b", { class: "bad" }, "given up"),
      s.tries > 0 && `, ${count(s.tries, "try", "tries")} in vain`, s.outcome && s.outcome !== "sent" && h("span", { class: "soft" }, " ", sentence(s.outcome))));
}
