// The control room's page: what stands, what is new, what comes in.

import { alertView, type AlertView } from "../alertview.ts";
import { segment, type Alert, type Notice, type Status } from "../api.ts";
import { arrange, fill, h } from "../dom.ts";
import { diamond, many, turnoutSymbol } from "../marks.ts";
import type { Draw } from "../page.ts";
import { sentence } from "../sentence.ts";
import { strip } from "../strip.ts";
import { since, span, when } from "../time.ts";
import { causeName, conditionName, count, percent, toEnd } from "../words.ts";

const clearedShown = 12;

export const alertsPage: Draw = (root, yard) => {
  const open = h("div", { id: "alerts-open", class: "alerts" });
  const cleared = h("ol", { id: "alerts-cleared", class: "cleared" });
  const clearedPart = h("section", { class: "lately", "aria-labelledby": "lately" }, h("h2", { id: "lately" }, "Cleared lately"), cleared);
  const calm = h("div", { id: "calm", class: "calm", hidden: true });
  const notices = h("ul", { id: "notices", class: "notices", "aria-label": "Felt by many", hidden: true });
  const sum = h("p", { id: "summary", class: "summary" });
  const heads = h("div", { class: "alert heads", "aria-hidden": "true" },
    h("span", null, "Priority"), h("span", null, "Turnout, end, what is seen"), h("span", null, "Why, most probable first"), h("span", null, "What to check on site"));
  const live = strip(yard.stream);
  fill(root,
    h("div", { class: "control" },
      h("section", { "aria-labelledby": "title" },
        h("div", { class: "head" }, h("h1", { id: "title", tabindex: -1 }, "Alerts"), sum),
        notices, calm, heads, open, clearedPart),
      h("aside", { class: "throws", "aria-labelledby": "throws-title" }, h("h2", { id: "throws-title" }, "Throws as they arrive"), live.el)));

  const views = new Map<string, AlertView>();
  let drawnCleared = "";

  const draw = (): void => {
    const list = yard.standing.open();
    const els = list.map((a) => {
      let v = views.get(a.id);
      if (!v) {
        v = alertView(false);
        const view = v.el;
        view.addEventListener("focusin", () => window.setTimeout(() => view.contains(document.activeElement) && yard.standing.seen(a.id), 1500));
        views.set(a.id, v);
      }
      v.update(a, yard.standing.news(a.id));
      return v.el;
    });
    for (const id of views.keys()) if (!list.some((a) => a.id === id)) views.delete(id);
    arrange(open, els);
    heads.hidden = list.length === 0;
    const lately = yard.standing.cleared().slice(0, clearedShown);
    clearedPart.hidden = lately.length === 0;
    const key = lately.map((a) => a.id + a.changed_at).join();
    if (key !== drawnCleared) fill(cleared, lately.map(clearedLine)); // or a link there would lose the focus
    drawnCleared = key;
    drawSummary();
  };

  const drawNotices = (): void => {
    const list = yard.notices.items();
    notices.hidden = list.length === 0;
    fill(notices, list.map(noticeLine));
    drawSummary();
  };

  const drawSummary = (): void => {
    const s = yard.status();
    const n = yard.standing.open().length;
    calm.hidden = n > 0 || !yard.standing.ready();
    fill(sum, n > 0 && byPriority(yard.standing.open()), n > 0 && s && " · ", s && watched(s.turnouts, s.learning), lastThrow(latest(live.latest()?.started_at, s?.last_throw_at)));
    if (!calm.hidden) fill(calm, calmWords(s, document.documentElement.dataset.stream !== "open", yard.notices.items().length > 0).map((p, i) => h("p", { class: i === 0 ? "said" : undefined }, p)));
  };

  const offs = [yard.standing.subscribe(draw), yard.notices.subscribe(drawNotices), yard.stream.on("link", () => window.setTimeout(drawSummary))];
  const timer = window.setInterval(drawSummary, 2000);
  document.addEventListener("status", drawSummary);
  draw();
  drawNotices();

  const step = (by: number): void => {
    const all = [...open.children] as HTMLElement[];
    const i = all.findIndex((el) => el.contains(document.activeElement));
    const next = all[i < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(all.length - 1, Math.max(0, i + by))];
    next?.focus();
    next?.scrollIntoView({ block: "nearest" });
  };

  return {
    title: "Alerts",
    key(ev): boolean {
      switch (ev.key) {
        case "j":
          step(1);
          return true;
        case "k":
          step(-1);
          return true;
        case "Enter": {
          const el = document.activeElement;
          const turnout = el instanceof HTMLElement && el.matches("article.alert") ? el.dataset.turnout : undefined;
          if (turnout) yard.go(`/turnouts/${segment(turnout)}`);
          return Boolean(turnout);
        }
      }
      return false;
    },
    close(): void {
      for (const off of offs) off();
      live.close();
      window.clearInterval(timer);
      document.removeEventListener("status", drawSummary);
    },
  };
};

function byPriority(list: Alert[]): (Node | string)[] {
  const out: (Node | string)[] = [];
  for (const p of ["high", "medium", "low"] as const) {
    const n = list.filter((a) => a.priority === p).length;
    if (n > 0) out.push(h("span", { class: "tallied" }, diamond(p), ` ${n} ${p}`), " ");
  }
  return out;
}

function watched(turnouts: number, learning: number): string {
  const said = count(turnouts - learning, "turnout watched", "turnouts watched");
  return learning > 0 ? `${said}, ${learning.toLocaleString("en-GB")} still learning` : said;
}

/** What an empty list means: only where throws come in does it mean anything. */
function calmWords(s: Status | undefined, lost: boolean, felt: boolean): [string, string] {
  if (lost) return ["What stands now is not known.", "The connection is lost."];
  if (s && !s.ready) return ["What stands now is not known.", `No throws are taken now: ${s.reason ?? "no reason is told"}`];
  if (s && s.turnouts === 0) return ["Nothing has been heard yet.", "No turnout has sent a throw. The first one that arrives is taken up by itself."];
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
    h("a", { href: `/turnouts/${segment(a.turnout)}` }, a.turnout),
    h("span", { class: "end" }, turnoutSymbol(a.to), toEnd(a.to)),
    h("span", null, conditionName(a.condition).toLowerCase(), first && `: ${causeName(first.cause)} ${percent(first.probability)}`),
    h("span", { class: "stood" }, "stood ", span(Date.parse(a.cleared_at ?? a.changed_at) - Date.parse(a.raised_at))));
}
