// How a turnout's features went: one graph for each feature and end, their
// cursors and ranges moving together.

import { get, segment, type Alert, type Case, type End, type Trend, type Trends, type Work } from "../api.ts";
import { yardNow } from "../clock.ts";
import { TrendGraph, type Mark } from "../chart/trend.ts";
import { fill, h, remember, remembered, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { turnoutSymbol } from "../marks.ts";
import { onZone, span, written } from "../time.ts";
import { endOf, join, latest, seriesOf } from "../trenddata.ts";
import { judged, type Judged } from "../verdict.ts";
import { causeName, conditionName, count, featureName, features, rank, toEnd, usualFeatures } from "../words.ts";
import { Timeline, type Item } from "./timeline.ts";

const weight = (m: Mark): number => (m.priority ? rank[m.priority] : 0.5);

const ends: End[] = ["normal", "reverse"];
const day = 86400;
const ranges: [name: string, days: number][] = [["All", 0], ["1 y", 365], ["90 d", 90], ["30 d", 30], ["7 d", 7], ["24 h", 1]];

const stateWords: Record<NonNullable<Mark["state"]>, string> = { standing: "not acknowledged", seen: "acknowledged", hidden: "shelved or suppressed", over: "over" };

function stateOf(a: Alert | Case): NonNullable<Mark["state"]> {
  if (a.cleared_at) return "over";
  const s = "standing" in a ? a.standing : "unacknowledged";
  return s === "acknowledged" || s === "normal" ? "seen" : s === "unacknowledged" || s === "returned-unacknowledged" ? "standing" : "hidden";
}

/** When it cleared, or now; s. */
function ended(a: Alert): number {
  return Math.max(Date.parse(a.raised_at), a.cleared_at ? Date.parse(a.cleared_at) : yardNow()) / 1e3;
}

const brief: Record<Judged["outcome"], string> = { helped: ", helped", "not-helped": ", no help", routine: "", unknown: "" };

/** What is said of a visit, of one end or of both: what speaks against it counts most. */
function outcomeOf(list: Judged[] | undefined, to?: End): Judged["outcome"] {
  const its = (list ?? []).filter((j) => !to || !j.to || j.to === to).map((j) => j.outcome);
  return (["not-helped", "helped", "routine"] as const).find((o) => its.includes(o)) ?? "unknown";
}

export class TrendsPart {
  readonly el: HTMLElement;
  private readonly turnout: string;
  private readonly signal: AbortSignal;
  private readonly rem: number;
  private readonly open: (key: string) => void;
  private readonly grid = h("div", { class: "trends", id: "trends" });
  private readonly said = h("p", { class: "soft", id: "trends-said", "aria-live": "polite" });
  private readonly trouble = h("div");
  private readonly whole = h("button", { type: "button", class: "act", id: "whole", hidden: true, on: { click: () => this.reset() } }, "Whole range (0)");
  private readonly buttons = h("div", { class: "choice", role: "group", "aria-label": "Range" });
  private readonly offZone: () => void;
  private graphs: { to: End; feature: string; graph: TrendGraph }[] = [];
  private chosen: string[];
  private days: number;
  private channel = "";
  private data: Trends | undefined;
  private detail: Trends | undefined; // of the zoomed range, where the whole is thinned
  private zoomed: [number, number] | undefined;
  private asked = 0;
  private telling = 0;
  private alerts: (Alert | Case)[] = [];
  private work: Work[] = [];
  private became: Judged[][] = [];
  private readonly timeline: Timeline;

  constructor(turnout: string, signal: AbortSignal, rem: number, open: (key: string) => void, pick: (i: Item) => void) {
    this.timeline = new Timeline(pick);
    this.turnout = turnout;
    this.signal = signal;
    this.rem = rem;
    this.open = open;
    const kept = remembered("features")?.split(",").filter((f) => f in features);
    this.chosen = kept && kept.length > 0 ? kept : [...usualFeatures];
    this.days = Number(remembered("days") ?? 30);
    if (!ranges.some(([, d]) => d === this.days)) this.days = 30;
    this.el = h("div", { class: "trends-part" },
      h("div", { class: "tools" }, this.buttons, this.whole, this.picker(), this.said),
      this.timeline.el, this.trouble, this.grid,
      h("p", { class: "legend" }, h("span", { class: "key-dot" }, "a throw"), h("span", { class: "key-out" }, "outside the expected range"), h("span", { class: "key-cross" }, "incomplete (at the edge where beyond the scale)"),
        h("span", { class: "key-mid" }, "expected"), h("span", { class: "key-band" }, "expected range"), h("span", { class: "key-level" }, "smoothed level, 95 % band"),
        h("span", { class: "key-visit" }, "a visit"), h("span", { class: "key-stands" }, "an alert stands"), h("span", { class: "key-seen" }, "stands, acknowledged"), h("span", { class: "key-hidden" }, "shelved or suppressed"), h("span", { class: "key-over" }, "has cleared"),
        h("span", { class: "soft" }, "Drag to zoom, double click for the whole range, click a throw to open it.")));
    this.drawButtons();
    this.offZone = onZone(() => {
      for (const g of this.graphs) g.graph.rebuild();
    });
  }

  use(channel: string): void {
    if (channel === this.channel) return;
    this.channel = channel;
    this.build();
  }

  /** The moments to be marked. */
  mark(alerts: (Alert | Case)[], work: Work[]): void {
    this.alerts = alerts;
    this.work = work;
    this.became = judged(work);
    this.draw();
  }

  /** Reads everything anew. */
  async read(): Promise<void> {
    const mine = ++this.asked;
    try {
      const got = await this.fetch(this.days > 0 ? yardNow() / 1e3 - this.days * day : Date.UTC(2000, 0, 1) / 1e3);
      if (mine !== this.asked) return;
      this.data = got;
      fill(this.trouble);
      this.build();
    } catch (err) {
      if (!this.signal.aborted && mine === this.asked) fill(this.trouble, failure(err, "The trends could not be read.", () => void this.read()));
    }
  }

  /** Reads the throws since the latest one shown. */
  readonly follow = throttle(() => void this.readNewer(), 2500);

  /** Asks for the trends again: days change slowly, so not with every throw. */
  private readonly retell = throttle(() => void this.tell(), 8000);

  /** Shows the whole range again; false where it is shown already. */
  reset(): boolean {
    const was = this.zoomed !== undefined;
    this.zoomed = this.detail = undefined;
    this.whole.hidden = true;
    this.draw();
    if (was) void this.tell();
    return was;
  }

  close(): void {
    this.follow.cancel();
    this.retell.cancel();
    this.telling++;
    this.offZone();
    for (const g of this.graphs) g.graph.close();
  }

  private fetch(from: number, to?: number): Promise<Trends> {
    const iso = (s: number): string => new Date(s * 1e3).toISOString();
    return get<Trends>(`/turnouts/${segment(this.turnout)}/trends`, {
      from: iso(from), to: to === undefined ? undefined : iso(to), features: this.chosen.join(","), limit: 2000,
    }, this.signal);
  }

  private async readNewer(): Promise<void> {
    const data = this.data;
    if (!data) return;
    const from = latest(data);
    if (from === 0) return this.read();
    try {
      const more = await this.fetch(from);
      if (data !== this.data) return;
      if (more.truncated) return await this.read();
      if (join(data, more) > 0 || !this.zoomed) this.draw();
      if (!this.zoomed) this.retell();
    } catch {
      // The next throw asks again.
    }
  }

  private zoom(from: number, to: number): void {
    this.zoomed = [from, to];
    this.detail = undefined;
    this.whole.hidden = false;
    this.draw();
    void this.tell();
    if (!this.data?.ends.some((e) => e.thinned)) return;
    // What was thinned is shown in full where it is looked at closely.
    const mine = this.zoomed;
    this.fetch(from, to).then((d) => {
      if (this.zoomed !== mine) return;
      this.detail = d;
      this.draw();
    }, () => undefined);
  }

  private range(): [number, number] {
    if (this.zoomed) return this.zoomed;
    const now = Math.max(yardNow() / 1e3, this.data ? latest(this.data) : 0);
    if (this.days > 0) return [now - this.days * day, now];
    const first = Math.min(now - 3600, ...(this.data?.ends.map((e) => e.at[0] ?? now) ?? []));
    return [first, now];
  }

  private build(): void {
    for (const g of this.graphs) g.graph.close();
    this.graphs = [];
    if (!this.data || !this.channel) return;
    const on = { open: this.open, zoom: (a: number, b: number) => this.zoom(a, b), reset: () => void this.reset(), at: (t: number | undefined, pixel: number) => this.timeline.say(t === undefined ? [] : this.timeline.near(t, 7 * pixel)) };
    for (const feature of this.chosen) for (const to of ends) this.graphs.push({ to, feature, graph: new TrendGraph(to, this.channel, feature, this.rem, on) });
    fill(this.grid, ends.map((to) => h("h3", { class: "col-head" }, turnoutSymbol(to), ` To ${to}`)), this.graphs.map((g) => g.graph.el));
    this.draw();
    void this.tell();
  }

  // One after the other: each is read from all throws of the range.
  private async tell(): Promise<void> {
    const mine = ++this.telling;
    const [from, until] = this.range();
    const iso = (s: number): string => new Date(s * 1e3).toISOString();
    const cut = this.channel.lastIndexOf("/");
    for (const { to, feature, graph } of this.graphs) {
      let t: Trend | undefined;
      try {
        t = this.data && seriesOf(endOf(this.data, to), this.channel, feature) && await get<Trend>(`/turnouts/${segment(this.turnout)}/trend`, {
          to, drive: this.channel.slice(0, cut), quantity: this.channel.slice(cut + 1), feature, from: iso(from), until: this.zoomed && iso(until),
        }, this.signal);
      } catch {
        // The graph shows what it has; the trends themselves say what is wrong.
      }
      if (mine !== this.telling || this.signal.aborted) return;
      graph.tell(t);
    }
  }

  private draw(): void {
    const data = this.detail ?? this.data;
    if (!data) return;
    const range = this.range();
    for (const { to, feature, graph } of this.graphs) {
      const end = endOf(data, to);
      graph.show(end, seriesOf(end, this.channel, feature), this.marks(to), range);
    }
    this.timeline.show(this.items(), range);
    const d = this.data!;
    this.el.dataset.throws = String(d.throws);
    fill(this.said, count(d.throws, "throw", "throws"), d.truncated && "; older ones in this range are left out", data.ends.some((e) => e.thinned) && "; thinned, the extremes are kept",
      this.zoomed && `; from ${written(range[0] * 1e3, "moment")} to ${written(range[1] * 1e3, "moment")}`);
  }

  private marks(to: End): Mark[] {
    return [
      ...this.alerts.filter((a) => !a.to || a.to === to).map((a): Mark => ({
        at: Date.parse(a.raised_at) / 1e3, until: ended(a), state: stateOf(a), kind: "alert", text: conditionName(a.condition).toLowerCase(), priority: a.priority,
      })),
      ...this.work.map((w, i): Mark => ({ at: Date.parse(w.done_at) / 1e3, kind: "work", text: w.work + brief[outcomeOf(this.became[i], to)] })),
    ].sort((a, b) => weight(a) - weight(b) || b.at - a.at); // the first find room for their names
  }

  /** The same for the axis above the graphs, of both ends. */
  private items(): Item[] {
    return [
      ...this.work.map((w, i): Item => {
        const said = (this.became[i] ?? []).map((j) => `${j.to ? `${toEnd(j.to)} ` : ""}${j.words}`).join("; ");
        return { id: `work ${w.done_at}`, kind: "work", row: "Visits", at: Date.parse(w.done_at) / 1e3, outcome: outcomeOf(this.became[i]), about: `Visit ${written(Date.parse(w.done_at), "moment")}: ${w.work}${w.note ? `, ${w.note}` : ""}${w.by ? ` (${w.by})` : ""}. ${said}.` };
      }),
      ...this.alerts.map((a): Item => {
        const found = "handling" in a ? a.handling.found : undefined;
        return {
          id: `alert ${a.id}`, kind: "alert", row: conditionName(a.condition), at: Date.parse(a.raised_at) / 1e3, until: ended(a), state: stateOf(a),
          about: `${conditionName(a.condition)} ${toEnd(a.to)}, ${a.priority}: raised ${written(Date.parse(a.raised_at), "moment")}, ${a.cleared_at ? `cleared ${written(Date.parse(a.cleared_at), "moment")}` : `stands for ${span(yardNow() - Date.parse(a.raised_at))}`}, ${stateWords[stateOf(a)]}.${found ? ` Found: ${found.true ? causeName(found.cause ?? "something") : "nothing"}.` : ""}`,
        };
      }),
    ].sort((a, b) => a.at - b.at);
  }

  private drawButtons(): void {
    fill(this.buttons, ranges.map(([name, d]) => h("button", {
      type: "button", class: "act", "aria-pressed": String(d === this.days), data: { days: d },
      on: { click: () => { this.days = d; remember("days", String(d)); this.drawButtons(); this.reset(); void this.read(); } },
    }, name)));
  }

  private picker(): HTMLElement {
    const box = (f: string): HTMLElement => {
      const input = h("input", { type: "checkbox", value: f, checked: this.chosen.includes(f), on: { change: () => {
        this.chosen = Object.keys(features).filter((x) => (x === f ? input.checked : this.chosen.includes(x)));
        if (this.chosen.length === 0) this.chosen = [...usualFeatures];
        remember("features", this.chosen.join());
        void this.read();
      } } });
      return h("label", null, input, " ", featureName(f));
    };
    const picker = h("details", { class: "features-picker", id: "features-picker" }, h("summary", { class: "act" }, "Features"), h("div", { class: "boxes" }, Object.keys(features).map(box)));
    picker.addEventListener("keydown", (ev) => {
      if (ev.key !== "Escape") return;
      picker.open = false;
      picker.querySelector("summary")?.focus();
    });
    document.addEventListener("click", (ev) => {
      if (!picker.contains(ev.target as Node)) picker.open = false;
    }, { signal: this.signal });
    return picker;
  }
}
