// The control room's page: what calls for someone, first first; what was seen;
// what is hidden; and nothing else that moves.

import { segment, type Alert, type Case, type Notice, type Status } from "../api.ts";
import { subject, type Section } from "../cases.ts";
import { Deeds } from "../control/bar.ts";
import { ratesPart } from "../control/rates.ts";
import { Remarks } from "../control/remarks.ts";
import { row, type Row } from "../control/row.ts";
import { soundBar } from "../control/soundbar.ts";
import { askName, givenName } from "../control/who.ts";
import { arrange, fill, h, remember, throttle } from "../dom.ts";
import { many, turnoutSymbol } from "../marks.ts";
import type { Draw } from "../page.ts";
import { sentence } from "../sentence.ts";
import { may, session } from "../session.ts";
import { strip } from "../strip.ts";
import { since, span, when } from "../time.ts";
import { causeName, conditionName, count, percent, toEnd } from "../words.ts";

const clearedShown = 12;
const shownFirst = 40; // rows of a section, and how many more at a time
const shownMore = 100;

const sections: [Section, string, string][] = [
  ["calls", "Calls for someone", "unacknowledged"],
  ["acknowledged", "Acknowledged", "acknowledged"],
  ["returned", "Returned to normal, not seen", "returned, not seen"],
  ["hidden", "Hidden", "hidden"],
];

interface Part {
  el: HTMLElement;
  number: HTMLElement;
  list: HTMLElement;
  more: HTMLButtonElement;
  shown: number;
}

export const alertsPage: Draw = (root, yard, _args, signal) => {
  const calm = h("div", { id: "calm", class: "calm", hidden: true });
  const notices = h("ul", { id: "notices", class: "notices", "aria-label": "Felt by many", hidden: true });
  const sum = h("p", { id: "summary", class: "summary" });
  const cleared = h("ol", { id: "alerts-cleared", class: "cleared" });
  const clearedPart = h("section", { class: "lately", "aria-labelledby": "lately" }, h("h2", { id: "lately" }, "Cleared lately"), cleared);
  const acting = h("p", { class: "acting", hidden: true });
  const live = strip(yard.stream);
  const sound = soundBar(yard.sound);
  const rates = ratesPart(signal);
  const deeds = new Deeds(yard.cases, () => draw(), () => {
    chosen.clear(); // or the next deed would be done to all of them again
    draw();
  }, (id) => yard.go(`/alerts/${segment(id)}`));
  const parts = new Map(sections.map(([s, name]): [Section, Part] => {
    const list = h("div", { class: "cases", id: `cases-${s}` });
    const number = h("span", { class: "number" });
    const part: Part = {
      list, number, shown: shownFirst,
      more: h("button", { type: "button", class: "act more", hidden: true, on: { click: () => { part.shown += shownMore; draw(); } } }),
      el: s === "hidden"
        ? h("details", { class: "part", data: { part: s }, on: { toggle: () => draw() } }, h("summary", null, h("h2", null, name, " ", number)), list)
        : h("section", { class: "part", data: { part: s }, "aria-label": name }, h("h2", null, name, " ", number), list),
    };
    part.el.append(part.more);
    return [s, part];
  }));
  const wall = h("button", { type: "button", class: "quiet", id: "wall", title: "Larger for a wall (w)", on: { click: () => toWall() } }, "Wall");
  fill(root,
    sound.strip,
    h("div", { class: "control" },
      h("div", { class: "control-main" },
        h("div", { class: "head" }, h("h1", { id: "title", tabindex: -1 }, "Alerts"), sum, h("div", { class: "head-tools" }, acting, sound.el, wall)),
        rates.el, notices,
        h("div", { id: "alerts-open" }, parts.get("calls")!.el, calm, parts.get("acknowledged")!.el, parts.get("returned")!.el),
        parts.get("hidden")!.el, clearedPart),
      h("aside", { class: "throws", "aria-labelledby": "throws-title" }, h("h2", { id: "throws-title" }, "Throws as they arrive"), live.el)),
    deeds.el);

  const rows = new Map<string, Row>();
  const chosen = new Set<string>(); // by their boxes
  let current = ""; // the row that the keys mean
  let order: Case[] = []; // as shown
  let drawnCleared = "";
  const remarks = new Remarks(signal, () => draw());

  const drawn = (part: Part, s: Section): readonly Case[] => {
    const list = yard.cases.section(s);
    part.el.hidden = list.length === 0;
    part.number.textContent = list.length.toLocaleString("en-GB");
    if (part.el instanceof HTMLDetailsElement && !part.el.open) return [];
    const shown = list.slice(0, part.shown);
    part.more.hidden = shown.length === list.length;
    part.more.textContent = `${Math.min(shownMore, list.length - shown.length)} more of ${(list.length - shown.length).toLocaleString("en-GB")}`;
    return shown;
  };

  const rowOf = (c: Case): Row => {
    let r = rows.get(c.id);
    if (!r) {
      const made = row(may("operator"), (now) => {
        current = c.id;
        void deeds.run("a", [yard.cases.get(now.id) ?? now]);
      });
      made.el.addEventListener("focusin", () => choose(c.id));
      made.el.addEventListener("pointerdown", () => choose(c.id));
      made.box.addEventListener("change", () => {
        if (made.box.checked) chosen.add(c.id);
        else chosen.delete(c.id);
        drawBar();
      });
      rows.set(c.id, (r = made));
    }
    r.update(c, remarks.of(c.id), deeds.said(c.id));
    return r;
  };

  const draw = throttle(() => {
    const had = order;
    const held = document.activeElement instanceof Element ? document.activeElement.closest<HTMLElement>("article.case") : null;
    const place = held && document.activeElement !== held ? (document.activeElement as HTMLElement) : undefined;
    order = [];
    for (const [s] of sections) {
      const part = parts.get(s)!;
      const list = drawn(part, s);
      order.push(...list);
      arrange(part.list, list.map((c) => rowOf(c).el));
    }
    const there = new Set(order.map((c) => c.id));
    for (const id of rows.keys()) if (!there.has(id)) rows.delete(id);
    for (const id of chosen) if (!there.has(id)) chosen.delete(id);
    settle(had, there, held);
    if (place?.isConnected && document.activeElement === document.body) place.focus({ preventScroll: true });
    drawCleared();
    drawBar();
    drawSummary();
  }, 120);

  // What was dealt with leaves its section: the next call takes its place.
  const settle = (had: Case[], there: Set<string>, held: HTMLElement | null): void => {
    const calls = yard.cases.section("calls");
    const was = had.find((c) => c.id === current);
    const is = yard.cases.get(current);
    const dealt = was?.standing === "unacknowledged" && is?.standing !== "unacknowledged" && !deeds.said(current)?.wrong;
    if (dealt || !there.has(current)) {
      const at = had.findIndex((c) => c.id === current);
      const next = had.slice(at + 1).find((c) => yard.cases.get(c.id)?.standing === "unacknowledged") ?? calls[0];
      current = next?.id ?? (there.has(current) ? current : (order[0]?.id ?? ""));
    }
    for (const [id, r] of rows) {
      r.el.tabIndex = id === current ? 0 : -1;
      r.el.toggleAttribute("data-current", id === current);
    }
    if (held && (!held.isConnected || held.dataset.alert !== current || document.activeElement === document.body)) rows.get(current)?.el.focus({ preventScroll: false });
  };

  const choose = (id: string): void => {
    if (id === current) return;
    current = id;
    for (const [x, r] of rows) {
      r.el.tabIndex = x === id ? 0 : -1;
      r.el.toggleAttribute("data-current", x === id);
    }
    drawBar();
  };

  /** What the keys mean: what is chosen by its box, or the row one is on. */
  const meant = (): Case[] => {
    const list = order.filter((c) => chosen.has(c.id)).map((c) => yard.cases.get(c.id) ?? c);
    const one = yard.cases.get(current);
    return list.length > 0 ? list : one ? [one] : [];
  };

  const drawBar = (): void => {
    for (const [id, r] of rows) {
      r.el.toggleAttribute("data-chosen", chosen.has(id));
      r.box.checked = chosen.has(id);
    }
    deeds.draw(meant(), chosen.size > 0);
  };

  const drawCleared = (): void => {
    const lately = yard.standing.cleared().filter((a) => !yard.cases.get(a.id)).slice(0, clearedShown);
    clearedPart.hidden = lately.length === 0;
    const key = lately.map((a) => a.id + a.changed_at).join();
    if (key !== drawnCleared) fill(cleared, lately.map(clearedLine)); // or a link there would lose the focus
    drawnCleared = key;
  };

  const drawNotices = (): void => {
    const list = yard.notices.items();
    notices.hidden = list.length === 0;
    fill(notices, list.map(noticeLine));
    drawSummary();
  };

  const drawSummary = (): void => {
    const s = yard.status();
    const calls = yard.cases.section("calls").length;
    const tallies = sections.map(([x, , word]): [number, string] => [yard.cases.section(x).length, word]).filter(([n]) => n > 0);
    fill(sum, tallies.map(([n, word]) => [h("span", { class: "tallied" }, h("b", null, n.toLocaleString("en-GB")), ` ${word}`), " "]),
      yard.cases.truncated() && " and more", h("span", { class: "watched" }, s && watched(s.turnouts, s.learning), lastThrow(latest(live.latest()?.started_at, s?.last_throw_at))));
    calm.hidden = calls > 0 || !yard.cases.ready();
    if (calm.hidden) return;
    const none = yard.cases.size() === 0;
    calm.toggleAttribute("data-some", !none);
    const said = calmWords(s, document.documentElement.dataset.stream !== "open", yard.notices.items().length > 0, yard.cases.section("acknowledged").length, yard.cases.section("hidden").length);
    const key = said.join("\n");
    if (calm.dataset.said !== key) fill(calm, said.map((p, i) => h("p", { class: i === 0 ? "said" : undefined }, p)));
    calm.dataset.said = key;
  };

  const drawActing = (): void => {
    acting.hidden = session()?.access !== "open";
    fill(acting, h("button", { type: "button", class: "quiet", id: "acting", on: { click: () => void askName() } }, givenName() ? ["You are ", h("b", null, givenName())] : "Say who you are"));
  };

  const toWall = (): void => {
    const on = document.documentElement.toggleAttribute("data-wall");
    try {
      if (on) sessionStorage.setItem("throwline.wall", "1");
      else sessionStorage.removeItem("throwline.wall");
    } catch {
      remember("wall", null); // no storage here: as long as the page
    }
    wall.setAttribute("aria-pressed", String(on));
  };
  wall.setAttribute("aria-pressed", String(document.documentElement.hasAttribute("data-wall")));

  // Who is here decides what a row offers.
  const known = (): void => {
    rows.clear();
    drawActing();
    draw();
  };
  const soundDrawn = window.setInterval(() => sound.draw(), 1000);
  document.addEventListener("session", known);
  document.addEventListener("name", drawActing);
  document.addEventListener("status", drawSummary);
  const offs = [
    yard.cases.subscribe(draw), yard.standing.subscribe(drawCleared), yard.notices.subscribe(drawNotices),
    yard.stream.on("case", () => remarks.follow()),
    yard.stream.on("link", () => window.setTimeout(drawSummary)),
  ];
  const timer = window.setInterval(drawSummary, 2000);
  sound.draw();
  remarks.follow();
  drawActing();
  draw();
  drawNotices();

  const step = (by: number): void => {
    const i = order.findIndex((c) => c.id === current);
    const onRow = document.activeElement?.closest("article.case");
    const next = order[onRow ? Math.min(order.length - 1, Math.max(0, i + by)) : Math.max(0, i)];
    const el = next && rows.get(next.id)?.el;
    el?.focus({ preventScroll: true });
    el?.scrollIntoView({ block: "nearest" });
  };

  return {
    title: "Alerts",
    refresh(): void {
      remarks.follow();
      rates.refresh();
    },
    key(ev): boolean {
      const at = document.activeElement;
      switch (ev.key) {
        case "j":
        case "ArrowDown":
          step(1);
          return true;
        case "k":
        case "ArrowUp":
          step(-1);
          return true;
        case " ": {
          if (!at?.matches("article.case") || !may("operator")) return false;
          const box = rows.get(current)?.box;
          box?.click();
          return Boolean(box);
        }
        case "Enter":
          if (!at?.matches("article.case") || !current) return false;
          yard.go(`/alerts/${segment(current)}`);
          return true;
        case "Escape":
          if (chosen.size === 0) return false;
          chosen.clear();
          drawBar();
          return true;
        case "w":
          toWall();
          return true;
      }
      return deeds.key(ev.key, meant());
    },
    close(): void {
      for (const off of offs) off();
      draw.cancel();
      remarks.follow.cancel();
      rates.close();
      live.close();
      window.clearInterval(timer);
      window.clearInterval(soundDrawn);
      document.removeEventListener("session", known);
      document.removeEventListener("name", drawActing);
      document.removeEventListener("status", drawSummary);
    },
  };
};

function watched(turnouts: number, learning: number): string {
  const said = count(turnouts - learning, "turnout watched", "turnouts watched");
  return learning > 0 ? `${said}, ${learning.toLocaleString("en-GB")} still learning` : said;
}

/** What an empty list means: only where throws come in does it mean anything. */
function calmWords(s: Status | undefined, lost: boolean, felt: boolean, seen: number, hidden: number): [string, string] {
  if (lost) return ["What stands now is not known.", "The connection is lost."];
  if (s && !s.ready) return ["What stands now is not known.", `No throws are taken now: ${s.reason ?? "no reason is told"}`];
  if (s && s.turnouts === 0) return ["Nothing has been heard yet.", "No turnout has sent a throw. The first one that arrives is taken up by itself."];
  if (seen > 0) return ["Nothing new calls for anyone.", "What stands and was seen is below."];
  if (hidden > 0) return ["Nothing calls for anyone.", `${count(hidden, "alert is", "alerts are")} hidden below. That nothing calls does not mean healthy.`];
  if (felt) return ["No turnout stands out.", "What many feel together is told above; no turnout differs from its own past beyond that, as far as it is known. That does not mean healthy."];
  return ["Nothing stands out.", "No throw differs from its turnout’s own past, as far as that is known. That does not mean healthy."];
}

function noticeLine(n: Notice): HTMLElement {
  return h("li", { data: { area: n.area, what: n.what } }, many(), h("span", { class: "felt" }, "Felt by many: "), sentence(n.said), " ",
    h("span", { class: "soft" }, "For ", since(n.since, "for"), "."));
}

function latest(a: string | undefined, b: string | undefined): string | undefined {
  return a && b ? (Date.parse(a) > Date.parse(b) ? a : b) : (a ?? b);
}

function lastThrow(at: string | undefined): (Node | string)[] {
  return at ? [" · last throw ", since(at)] : [];
}

function clearedLine(a: Alert): HTMLElement {
  const first = a.causes[0];
  return h("li", { data: { alert: a.id, turnout: a.turnout } },
    h("span", { class: "at" }, when(a.cleared_at ?? a.changed_at)),
    h("a", { href: `/alerts/${segment(a.id)}` }, subject(a)),
    a.turnout ? h("span", { class: "end" }, turnoutSymbol(a.to), toEnd(a.to)) : null,
    h("span", null, conditionName(a.condition).toLowerCase(), first && `: ${causeName(first.cause)} ${percent(first.probability)}`),
    h("span", { class: "stood" }, "stood ", span(Date.parse(a.cleared_at ?? a.changed_at) - Date.parse(a.raised_at))));
}
