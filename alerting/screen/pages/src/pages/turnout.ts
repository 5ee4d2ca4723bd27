// One turnout: what it has learned, what stands, its traces and how it went.

import { alertView, bar, type AlertView } from "../alertview.ts";
import { all, get, segment, type Alert, type TurnoutDetail } from "../api.ts";
import { arrange, fill, h, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { arrived, turnoutSymbol } from "../marks.ts";
import type { Draw } from "../page.ts";
import { TracesPart } from "../parts/traces.ts";
import { TrendsPart } from "../parts/trends.ts";
import { WorkPart } from "../parts/work.ts";
import { since, when } from "../time.ts";
import { channelOf } from "../trenddata.ts";
import { count, pressing, quantityName } from "../words.ts";

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
  const trends = new TrendsPart(name, signal, rem, (key) => yard.go(`/throws/${segment(key)}`));
  const work = new WorkPart(name, () => void load());
  const trouble = h("div");
  const rest = h("div", { hidden: true }, alertsPart,
    h("section", { "aria-labelledby": "traces-title" }, h("div", { class: "part-head" }, h("h2", { id: "traces-title" }, "Latest throws over their past"), channels), traces.el),
    h("section", { "aria-labelledby": "trends-title" }, h("h2", { id: "trends-title" }, "How it went"), trends.el),
    h("section", { "aria-labelledby": "work-title" }, h("h2", { id: "work-title" }, "Work"), work.el));
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, name, symbol), state), trouble, facts, rest);

  const views = new Map<string, AlertView>();
  let t: TurnoutDetail | undefined;
  let past: Alert[] = [];
  let channel = "";

  const drawAlerts = (): void => {
    const open = yard.standing.ready() ? yard.standing.open().filter((a) => a.turnout === name) : (t?.alerts ?? []).toSorted(pressing);
    arrange(alerts, open.map((a) => {
      let v = views.get(a.id);
      if (!v) views.set(a.id, (v = alertView(true, views.size === 0)));
      v.update(a, yard.standing.news(a.id));
      return v.el;
    }));
    alertsPart.hidden = open.length === 0;
    const known = new Map([...past, ...yard.standing.cleared().filter((a) => a.turnout === name), ...open].map((a) => [a.id, a]));
    trends.mark([...known.values()], t?.work ?? []);
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
          h("dd", { role: "meter", "aria-label": `Learned to ${l.to}`, "aria-valuemin": 0, "aria-valuemax": l.needed, "aria-valuenow": Math.min(l.throws, l.needed) }, bar(share),
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
  };

  const load = async (): Promise<void> => {
    try {
      const [detail, cleared] = await Promise.all([
        get<TurnoutDetail>(`/turnouts/${segment(name)}`, {}, signal),
        all<Alert>("/alerts", { turnout: name, state: "all" }, alertsMarked, signal),
      ]);
      t = detail;
      past = cleared.items;
      fill(trouble);
      rest.hidden = false;
      drawHead();
      work.show(detail.work);
      drawAlerts();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The turnout could not be read.", start));
    }
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
      work.close();
    },
  };
};
