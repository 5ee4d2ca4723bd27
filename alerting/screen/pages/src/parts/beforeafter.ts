// Before and after a visit: effort, duration and the course of the throws,
// side by side, and what the throws after it say of the work.

import { get, segment, type End, type ThrowDetail, type Trace, type Channel, type Trends, type Work } from "../api.ts";
import { meanCourse, percentOf, quantile, valueAt, type Course } from "../align.ts";
import { yardNow } from "../clock.ts";
import { OverlayGraph } from "../chart/overlay.ts";
import { fill, h, svg } from "../dom.ts";
import { failure } from "../failure.ts";
import { turnoutSymbol } from "../marks.ts";
import { written } from "../time.ts";
import { channelOf, endOf, seriesOf } from "../trenddata.ts";
import { judged } from "../verdict.ts";
import { change, count, featureName, figure, quantityName, toEnd, withUnit } from "../words.ts";
import { verdictLine } from "./work.ts";

const day = 86400e3;
const reach = 42 * day; // looked at on either side
const most = 20; // throws on either side: those nearest to the visit
const courses = 16; // traces on either side that make the mean course
const parts = 160;
const compared = ["effort", "duration"];
const ends: End[] = ["normal", "reverse"];

interface Row {
  key: string;
  at: number; // ms
  values: (number | null)[]; // as compared
}

export class BeforeAfter {
  readonly el: HTMLElement;
  private readonly turnout: string;
  private readonly signal: AbortSignal;
  private readonly rem: number;
  private readonly list = h("select", { id: "visit-pick", on: { change: () => this.choose(this.list.value) } });
  private readonly endPick = h("div", { class: "choice", role: "group", "aria-label": "End" });
  private readonly verdict = h("ul", { class: "became", id: "visit-verdict" });
  private readonly figures = h("div", { class: "pairs", id: "visit-figures" });
  private readonly shape = h("div", { class: "graphs", id: "visit-shape" });
  private readonly trouble = h("div");
  private graph: OverlayGraph | undefined;
  private work: Work[] = [];
  private chosen = "";
  private to: End = "normal";
  private channel = "";
  private asked = 0;
  private read = "";

  constructor(turnout: string, signal: AbortSignal, rem: number) {
    this.turnout = turnout;
    this.signal = signal;
    this.rem = rem;
    this.el = h("div", { class: "before-after", id: "before-after" },
      h("div", { class: "tools" }, h("label", { class: "inline" }, h("span", null, "Visit"), this.list), this.endPick),
      this.verdict, this.trouble, this.figures, this.shape);
    this.drawEnds();
  }

  use(channel: string): void {
    this.channel = channel;
    void this.draw();
  }

  /** The visits that there are; the latest that changed something is looked at first. */
  show(work: Work[]): void {
    this.work = work.filter((w) => w.work !== "rebaselined");
    if (!this.work.some((w) => w.done_at === this.chosen)) this.chosen = (this.work.find((w) => (w.verdicts ?? []).length > 0) ?? this.work.find((w) => w.work !== "inspected") ?? this.work[0])?.done_at ?? "";
    fill(this.list, this.work.map((w) => h("option", { value: w.done_at, selected: w.done_at === this.chosen }, `${written(Date.parse(w.done_at), "moment")}, ${w.work}${w.note ? `: ${w.note.slice(0, 40)}` : ""}`)));
    void this.draw();
  }

  choose(doneAt: string): void {
    if (!this.work.some((w) => w.done_at === doneAt)) return;
    this.chosen = doneAt;
    this.list.value = doneAt;
    void this.draw();
  }

  close(): void {
    this.asked++;
    this.graph?.close();
  }

  private drawEnds(): void {
    fill(this.endPick, ends.map((e) => h("button", { type: "button", class: "act", "aria-pressed": String(e === this.to), data: { end: e }, on: { click: () => { this.to = e; this.drawEnds(); void this.draw(); } } }, `To ${e}`)));
  }

  // Looking changes nothing, so it is no bound.
  private bounds(w: Work): [number, number] {
    const at = Date.parse(w.done_at);
    const others = this.work.filter((x) => x.work !== "inspected" && x.done_at !== w.done_at).map((x) => Date.parse(x.done_at));
    return [Math.max(at - reach, ...others.filter((t) => t < at)), Math.min(at + reach, yardNow() + day, ...others.filter((t) => t > at))];
  }

  private async draw(): Promise<void> {
    const i = this.work.findIndex((w) => w.done_at === this.chosen);
    const w = this.work[i];
    if (!w || !this.channel) return;
    const [from, to] = this.bounds(w);
    const settled = Math.abs(yardNow() - Date.parse(w.done_at)) > reach; // nothing comes after it any more
    const verdicts = judged(this.work)[i]!;
    const key = JSON.stringify([this.chosen, this.to, this.channel, from, settled ? to : Math.floor(yardNow() / day), verdicts]);
    if (key === this.read) return;
    this.read = key;
    const mine = ++this.asked;
    fill(this.verdict, verdicts.map(verdictLine));
    try {
      const iso = (ms: number): string => new Date(ms).toISOString();
      const t = await get<Trends>(`/turnouts/${segment(this.turnout)}/trends`, { from: iso(from), to: iso(to), features: compared.join(","), limit: 20000 }, this.signal);
      if (mine !== this.asked) return;
      const at = Date.parse(w.done_at);
      const e = endOf(t, this.to);
      const series = compared.map((f) => seriesOf(e, this.channel, f));
      const rows = (e?.at ?? []).map((s, n): Row & { completed: boolean } => ({ key: e!.keys[n]!, at: s * 1e3, completed: e!.completed[n]!, values: series.map((x) => x?.value[n] ?? null) })).filter((r) => r.completed);
      const before = rows.filter((r) => r.at < at).slice(-most);
      const after = rows.filter((r) => r.at >= at).slice(0, most);
      fill(this.trouble);
      fill(this.figures, compared.map((f, n) => this.pair(f, series[n]?.unit ?? "", before.map((r) => r.values[n] ?? null), after.map((r) => r.values[n] ?? null))));
      Object.assign(this.el.dataset, { before: before.length, after: after.length, visit: w.done_at });
      await this.drawShape(mine, before.slice(-courses), after.slice(0, courses));
    } catch (err) {
      this.read = "";
      if (!this.signal.aborted && mine === this.asked) fill(this.trouble, failure(err, "The throws about the visit could not be read.", () => void this.draw()));
    }
  }

  private pair(feature: string, unit: string, before: (number | null)[], after: (number | null)[]): HTMLElement {
    const sides = ([["Before", before], ["After", after]] as const).map(([name, all]) => {
      const sorted = all.filter((v) => v !== null).sort((a, b) => a - b);
      return { name, all: all.filter((v) => v !== null), n: sorted.length, low: quantile(sorted, 0.25), mid: quantile(sorted, 0.5), high: quantile(sorted, 0.75) };
    });
    const [a, b] = [sides[0]!, sides[1]!];
    const p = percentOf(a.mid, b.mid);
    const range = [...a.all, ...b.all];
    const low = Math.min(...range);
    const high = Math.max(...range);
    return h("figure", { class: "pair-figure", data: { feature } },
      h("figcaption", null, h("b", null, featureName(feature)), p === undefined ? h("span", { class: "soft" }, " nothing to compare") : [" ", h("b", { class: "change" }, change(Math.abs(p) < 0.05 ? 0 : p)), h("span", { class: "soft" }, " after the visit")]),
      h("div", { class: "sides" }, sides.map((s) => h("div", { class: "side" },
        h("p", { class: "side-name" }, `${s.name}, ${count(s.n, "throw", "throws")}`),
        s.n === 0 ? h("p", { class: "soft" }, s.name === "After" ? "none yet" : "none") : [strip(s.all, s, low, high), h("p", null, h("b", null, withUnit(s.mid, unit)), h("span", { class: "soft" }, ` half of them ${figure(s.low)} to ${withUnit(s.high, unit)}`))]))));
  }

  private async drawShape(mine: number, before: Row[], after: Row[]): Promise<void> {
    const wanted = [...before, ...after];
    fill(this.shape, h("p", { class: "soft" }, wanted.length === 0 ? "" : "Reading the traces…"));
    const details = await Promise.all(wanted.map((r) => get<ThrowDetail>(`/throws/${segment(r.key)}`, {}, this.signal)));
    if (mine !== this.asked) return;
    const of = (list: Row[]): { course: Course; some: Trace | undefined } => {
      const its = details.filter((d) => list.some((r) => r.key === d.key)).flatMap((d): { channel: Channel; start: number; trace: Trace }[] => {
        const trace = d.traces.find((t) => channelOf(t) === this.channel);
        const channel = d.channels.find((c) => channelOf(c) === this.channel);
        return trace && channel ? [{ channel, start: trace.phases[0]?.start_s ?? 0, trace }] : [];
      });
      return { course: meanCourse(its, parts), some: its[its.length - 1]?.trace };
    };
    const [a, b] = [of(before), of(after)];
    this.graph?.close();
    this.graph = undefined;
    const trace = b.some ?? a.some;
    if (!trace || a.course.throws + b.course.throws === 0) {
      fill(this.shape, h("p", { class: "soft" }, "No raw trace about this visit is kept: only the features are."));
      return;
    }
    // Both over the longer one's seconds.
    const x = (a.course.at[parts - 1] ?? 0) > (b.course.at[parts - 1] ?? 0) ? a.course.at : b.course.at;
    const over = (c: Course, values: (number | null)[]): (number | null)[] => {
      const last = c.at[parts - 1] ?? 0;
      const usable = { offset_s: 0, sample_rate_hz: last > 0 ? (parts - 1) / last : 1, samples: values.map((v) => v ?? NaN) };
      return x.map((s) => {
        const v = c.throws > 0 ? valueAt(usable, s) : null;
        return v === null || Number.isNaN(v) ? null : v;
      });
    };
    const lines = ([["before", a.course, "blue"], ["after", b.course, "ink"]] as const).map(([name, c, ink]) => ({ name, ink, values: over(c, c.mid), band: { low: over(c, c.low), high: over(c, c.high) } }));
    const start = trace.phases[0]?.start_s ?? 0;
    const unit = trace.unit;
    const g = new OverlayGraph(15, this.rem, "visit");
    g.show({
      title: `Mean course, ${quantityName(trace.quantity)}, ${unit}`, x, lines, phases: trace.phases.map((p) => ({ ...p, start_s: p.start_s - start, end_s: p.end_s - start })),
      label: `Mean course of ${quantityName(trace.quantity)} ${toEnd(this.to)} before (${a.course.throws} throws) and after (${b.course.throws} throws) the visit, with the band of eight in ten. Arrow keys go along it.`,
      read: (i) => (i === undefined ? ["the mean of ", h("b", null, String(a.course.throws)), " throws before, ", h("b", null, String(b.course.throws)), " after"] :
        [`${x[i]!.toFixed(2)} s: before ${withUnit(lines[0]!.values[i], unit)}, after `, h("b", null, withUnit(lines[1]!.values[i], unit))]),
    });
    this.graph = g;
    fill(this.shape, h("h3", { class: "shape-head" }, turnoutSymbol(this.to), ` The course ${toEnd(this.to)}`), g.el,
      h("p", { class: "legend" }, h("span", { class: "key-mid" }, "mean before"), h("span", { class: "key-band" }, "eight in ten before"), h("span", { class: "key-ink" }, "mean after"), h("span", { class: "key-after" }, "eight in ten after")));
  }
}

/** The values in the order of their throws, half of them marked, and their middle. */
function strip(all: number[], s: { low: number; mid: number; high: number }, low: number, high: number): SVGElement {
  // What differs by less than a few per cent is not drawn as if it were much.
  const reach = Math.max(high - low, 0.05 * Math.abs(s.mid)) || 1;
  const y = (v: number): number => 25 - (40 * (v - (low + high) / 2)) / reach;
  const x = (i: number): number => (all.length > 1 ? 4 + (112 * i) / (all.length - 1) : 60);
  return svg("svg", { class: "strip-plot", viewBox: "0 0 120 50", "aria-hidden": "true", preserveAspectRatio: "none" },
    svg("rect", { x: 0, width: 120, y: y(s.high), height: Math.max(1, y(s.low) - y(s.high)), class: "half" }),
    svg("path", { d: `M0 ${y(s.mid)}H120`, class: "middle" }),
    all.map((v, i) => svg("path", { d: `M${x(i).toFixed(2)} ${y(v).toFixed(2)}h0.01`, class: "dot" })));
}
