// One turnout: what it has learned, what stands, its traces and how it went.

import { alertView, bar, type AlertView } from "../alertview.ts";
import { all, get, segment, type Alert, type Case, type TurnoutDetail } from "../api.ts";
import { arrange, fill, h, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { arrived, turnoutSymbol } from "../marks.ts";
import type { Draw } from "../page.ts";
import { BeforeAfter } from "../parts/beforeafter.ts";
import { ComparePart } from "../parts/compare.ts";
import { judgePart } from "../parts/judge.ts";
import { TracesPart } from "../parts/traces.ts";
import { TrendsPart } from "../parts/trends.ts";
import { WorkPart } from "../parts/work.ts";
import { since, when } from "../time.ts";
import { channelOf } from "../trenddata.ts";
import { conditionName, count, pressing, quantityName, toEnd } from "../words.ts";

const alertsMarked = 300; // of the past, at most

export const turnoutPage: Draw = (root, yard, [name = ""], signal) => {
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
  const symbol = h("span", { class: "laid" });
  const state = h("p", { class: "summary", id: "turnout-state" });
  const facts = h("dl", { class: "facts", id: "learned" });
  const alerts = h("div", { id: "turnout-alerts", class: "alerts" });
  const alertsPart = h("section", { "aria-labelledby": "alerts-title" }, h("h2", { id: "alerts-title" }, "Open alerts"), alerts);
  const channels = h("div", { class: "choice", id: "channels", role: "group", "aria-label": "Channel" });
  const traces = new TracesPart(name, signal, rem);
  const visitPart = new BeforeAfter(name, signal, rem);
  const trends = new TrendsPart(name, signal, rem, (key) => yard.go(`/throws/${segment(key)}`), (i) => {
    if (i.kind === "work") {
      visitPart.choose(i.id.slice("work ".length));
      visits.scrollIntoView({ block: "start" });
      visits.querySelector<HTMLElement>("select")?.focus({ preventScroll: true });
      return;
    }
    const id = i.id.slice("alert ".length);
    const earlier = earlierPart.querySelector<HTMLElement>(`[data-judge="${CSS.escape(id)}"]`);
    if (earlier) earlierPart.open = true;
    (earlier ?? alerts.querySelector<HTMLElement>(`[data-judge="${CSS.escape(id)}"]`))?.scrollIntoView({ block: "center" });
    (earlier ?? alerts.querySelector<HTMLElement>(`[data-judge="${CSS.escape(id)}"]`))?.querySelector<HTMLElement>("button")?.focus({ preventScroll: true });
  });
  const compare = new ComparePart(name, signal, rem);
  const earlierList = h("ol", { class: "earlier", id: "earlier-alerts" });
  const earlierSaid = h("summary", null, "Earlier alerts");
  const earlierPart = h("details", { class: "earlier-part", id: "earlier", hidden: true }, earlierSaid, earlierList);
  const visits = h("section", { "aria-labelledby": "visits-title", hidden: true }, h("h2", { id: "visits-title" }, "Before and after a visit"), visitPart.el);
  const compareTitle = h("h2", { id: "compare-title", tabindex: -1 }, "Throw against throw");
  const record = h("a", { class: "act main record for-maintainers", href: `/turnouts/${segment(name)}/visit` }, "Record work");
  const work = new WorkPart(name, () => void load());
  const trouble = h("div");
  const rest = h("div", { hidden: true }, alertsPart, earlierPart,
    h("section", { "aria-labelledby": "traces-title" }, h("div", { class: "part-head" }, h("h2", { id: "traces-title" }, "Latest throws over their past"), channels), traces.el),
    h("section", { "aria-labelledby": "trends-title" }, h("h2", { id: "trends-title" }, "How it went"), trends.el),
    visits,
    h("section", { "aria-labelledby": "compare-title" }, compareTitle, compare.el),
    h("section", { "aria-labelledby": "work-title" }, h("h2", { id: "work-title" }, "Work"), work.el));
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, name, symbol), state, record), trouble, facts, rest);

  const views = new Map<string, AlertView>();
  let t: TurnoutDetail | undefined;
  let past: Case[] = [];
  const judges = new Map<string, { of: string; el: HTMLElement }>(); // by alert
  let channel = "";

  const drawAlerts = (): void => {
    const open = yard.standing.ready() ? yard.standing.open().filter((a) => a.turnout === name) : (t?.alerts ?? []).toSorted(pressing);
    arrange(alerts, open.map((a) => {
      let v = views.get(a.id);
      if (!v) views.set(a.id, (v = alertView(true, views.size === 0)));
      v.update(a, yard.standing.news(a.id));
      return v.el;
    }).flatMap((el, i) => {
      const c = past.find((x) => x.id === open[i]!.id);
      return c ? [el, judgeOf(c)] : [el];
    }));
    alertsPart.hidden = open.length === 0;
    const known = new Map<string, Alert | Case>([...yard.standing.cleared().filter((a) => a.turnout === name), ...open, ...past].map((a) => [a.id, a]));
    // How an alert is handled is read; whether it stands is told as it happens.
    for (const a of [...open, ...yard.standing.cleared()]) {
      const c = known.get(a.id);
      if (c && c !== a && c.cleared_at !== a.cleared_at && Date.parse(a.changed_at) >= Date.parse(c.changed_at)) known.set(a.id, { ...c, ...a });
    }
    trends.mark([...known.values()], t?.work ?? []);
    drawEarlier(past.filter((c) => c.cleared_at && !open.some((a) => a.id === c.id)));
  };

  // The same element as long as nothing has changed: someone may be writing in it.
  const judgeOf = (c: Case): HTMLElement => {
    const of = JSON.stringify(c.handling.found ?? null);
    let j = judges.get(c.id);
    if (!j || j.of !== of) judges.set(c.id, (j = { of, el: judgePart(c, () => void load()) }));
    return j.el;
  };

  const drawEarlier = (list: Case[]): void => {
    earlierPart.hidden = list.length === 0;
    const unsaid = list.filter((c) => !c.handling.found).length;
    fill(earlierSaid, `Earlier alerts: ${list.length}`, unsaid > 0 && h("span", { class: "soft" }, `, of ${unsaid} nobody has said what was found`));
    const rows = list.map((c) => {
      const key = `earlier-${c.id}`;
      const row = [...earlierList.children].find((el) => el.id === key) ?? h("li", { id: key }, h("p", null, h("b", null, `${conditionName(c.condition)} ${toEnd(c.to)}`), h("span", { class: "soft" }, " raised ", when(c.raised_at), ", cleared ", when(c.cleared_at ?? c.changed_at))));
      arrange(row, [row.firstElementChild!, judgeOf(c)]);
      return row;
    });
    arrange(earlierList, rows);
  };

  const drawHead = (): void => {
    if (!t) return;
    fill(symbol, turnoutSymbol(t.last_to));
    fill(state,
      t.state === "learning" ? "Still learning: until it has, only a throw that does not arrive is told." : t.open_alerts > 0 ? `${count(t.open_alerts, "open alert", "open alerts")}.` : "Watched; nothing stands out.",
      t.last_throw_at && [" Last throw ", since(t.last_throw_at), ` to ${t.last_to ?? "?"}`, !t.completed && h("b", { class: "bad" }, ", ", arrived(false), " incomplete"), "."]);
    fill(facts,
      t.learning.map((l) => {
        const share = Math.min(1, l.throws / Math.max(1, l.needed));
        return h("div", { data: { learned: l.to } }, h("dt", null, `Learned to ${l.to}`),
          h("dd", null, h("span", { role: "meter", "aria-label": `Learned to ${l.to}`, "aria-valuemin": 0, "aria-valuemax": l.needed, "aria-valuenow": Math.min(l.throws, l.needed) }, bar(share)),
            l.throws >= l.needed ? ` yes, from ${count(l.throws, "throw", "throws")} of ${l.total.toLocaleString("en-GB")}` : ` ${l.throws} of ${l.needed} throws needed, ${l.total} in all`));
      }),
      h("div", null, h("dt", null, "Drives"), h("dd", null, t.drives.join(", ") || "–")),
      h("div", null, h("dt", null, "Measures"), h("dd", null, t.quantities.map(quantityName).join(", ") || "–")),
      t.last_throw_at && h("div", null, h("dt", null, "Last throw"), h("dd", null, when(t.last_throw_at))));
  };

  // The channels are those that have been measured: the trends name them.
  const drawChannels = (list: { drive: string; quantity: string }[]): void => {
    const names = [...new Map(list.map((c) => [channelOf(c), c])).entries()];
    if (names.length === 0) return;
    if (!names.some(([k]) => k === channel)) choose((names.find(([, c]) => c.drive === "main") ?? names[0]!)[0]);
    channels.hidden = names.length < 2;
    fill(channels, names.map(([k, c]) => h("button", { type: "button", class: "act", "aria-pressed": String(k === channel), data: { channel: k }, on: { click: () => { choose(k); drawChannels(list); } } }, `${c.drive}, ${quantityName(c.quantity)}`)));
  };

  const choose = (k: string): void => {
    channel = k;
    traces.use(k);
    trends.use(k);
    visitPart.use(k);
  };

  const load = async (): Promise<void> => {
    try {
      const [detail, cleared] = await Promise.all([
        get<TurnoutDetail>(`/turnouts/${segment(name)}`, {}, signal),
        all<Case>("/alerts", { turnout: name, state: "all" }, alertsMarked, signal),
      ]);
      t = detail;
      past = cleared.items;
      fill(trouble);
      rest.hidden = false;
      drawHead();
      work.show(detail.work);
      visits.hidden = !detail.work.some((w) => w.work !== "rebaselined");
      visitPart.show(detail.work);
      void compareOnce();
      drawAlerts();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The turnout could not be read.", start));
    }
  };

  // Led here from a throw, one wants to see it beside another.
  const asked = new URLSearchParams(location.search).get("compare") ?? undefined;
  let compared = false;
  const compareOnce = async (): Promise<void> => {
    if (compared) return;
    compared = true;
    await compare.begin(asked);
    if (!asked || signal.aborted) return;
    compareTitle.scrollIntoView({ block: "start" });
    compareTitle.focus({ preventScroll: true });
  };

  const start = (): void => {
    void load();
    traces.refresh();
    void readChannels();
    void trends.read();
  };
  const readChannels = async (): Promise<void> => {
    try {
      const latest = await get<{ items: { traces: { drive: string; quantity: string }[] }[] }>(`/turnouts/${segment(name)}/throws`, { limit: 8 }, signal);
      drawChannels(latest.items.flatMap((x) => x.traces));
    } catch {
      // The parts say themselves that nothing can be read.
    }
  };
  const reload = throttle(() => void load(), 4000);
  const offs = [
    yard.standing.subscribe(drawAlerts),
    yard.stream.on("case", (c) => {
      if (c.turnout === name) reload();
    }),
    yard.stream.on("throw", (x) => {
      if (x.turnout !== name) return;
      traces.refresh();
      trends.follow();
      reload();
      if (!channel) void readChannels();
    }),
  ];
  start();
  yard.standing.fresh().filter((a) => a.turnout === name).forEach((a) => yard.standing.seen(a.id));

  return {
    title: name,
    refresh: start,
    key(ev): boolean {
      switch (ev.key) {
        case "ArrowLeft":
          traces.step(1);
          return true;
        case "ArrowRight":
          traces.step(-1);
          return true;
        case "0":
          return trends.reset();
      }
      return false;
    },
    close(): void {
      for (const off of offs) off();
      reload.cancel();
      traces.close();
      trends.close();
      visitPart.close();
      compare.close();
      work.close();
    },
  };
};
