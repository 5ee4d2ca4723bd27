// Two throws of a turnout to one end, laid over each other: trace by trace,
// their difference below, and what their features differ by.

import { get, segment, type End, type FeatureValue, type List, type Phase, type Throw, type ThrowDetail, type Trace } from "../api.ts";
import { percentOf, phaseMap, valueAt } from "../align.ts";
import { OverlayGraph } from "../chart/overlay.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { fieldTime, fieldValue, when, written } from "../time.ts";
import { channelOf } from "../trenddata.ts";
import { change, featureName, features, figure, quantityName, toEnd, withUnit } from "../words.ts";

const listed = 120; // throws read at once, both ends
const ends: End[] = ["normal", "reverse"];
type Side = "a" | "b";

export class ComparePart {
  readonly el: HTMLElement;
  private readonly turnout: string;
  private readonly signal: AbortSignal;
  private readonly rem: number;
  private readonly endPick = h("div", { class: "choice", role: "group", "aria-label": "End" });
  private readonly alignPick = h("div", { class: "choice", role: "group", "aria-label": "Laid over each other by" });
  private readonly pick: Record<Side, { list: HTMLSelectElement; day: HTMLInputElement; throws: Throw[]; shown: ThrowDetail | undefined }>;
  private readonly trouble = h("div");
  private readonly graphs = h("div", { class: "graphs overlays", id: "overlays" });
  private readonly table = h("div", { id: "compared" });
  private readonly key = h("p", { class: "legend" });
  private drawn: OverlayGraph[] = [];
  private to: End = "normal";
  private aligned = true;
  private asked = 0;
  private begun = false;

  constructor(turnout: string, signal: AbortSignal, rem: number) {
    this.turnout = turnout;
    this.signal = signal;
    this.rem = rem;
    const side = (s: Side, words: string): ComparePart["pick"][Side] & { el: HTMLElement } => {
      const list = h("select", { id: `compare-${s}`, on: { change: () => void this.draw() } });
      const day = h("input", { id: `compare-${s}-day`, type: "datetime-local", on: { change: () => void this.readSide(s) } });
      const el = h("div", { class: "compare-side", data: { side: s } },
        h("label", { for: list.id }, words), list, h("label", { for: day.id, class: "soft" }, "or the last ones up to"), day);
      return { list, day, throws: [], shown: undefined, el };
    };
    const a = side("a", "This throw");
    const b = side("b", "against this one");
    this.pick = { a, b };
    this.el = h("div", { class: "compare", id: "compare" },
      h("div", { class: "tools" }, this.endPick, this.alignPick),
      h("div", { class: "compare-sides" }, a.el, b.el), this.trouble, this.key, this.graphs, this.table);
    this.drawChoices();
  }

  /** Reads what there is to choose from; key: the throw to be looked at, where one is known. */
  async begin(key?: string): Promise<void> {
    if (this.begun) return;
    this.begun = true;
    try {
      if (key) {
        const d = await get<ThrowDetail>(`/throws/${segment(key)}`, {}, this.signal);
        if (d.turnout === this.turnout) {
          this.to = d.to;
          this.pick.a.shown = d;
          this.pick.a.day.value = fieldValue(Date.parse(d.started_at) + 60e3);
          this.drawChoices();
        }
      }
      await this.readSide("a", key);
      const first = this.pick.a.throws[0];
      const at = Date.parse((this.pick.a.throws.find((t) => t.key === this.pick.a.list.value) ?? first)?.started_at ?? "");
      // Against one of four weeks earlier, or the oldest there is.
      if (!Number.isNaN(at)) this.pick.b.day.value = fieldValue(at - 28 * 86400e3);
      await this.readSide("b");
      if (this.pick.b.throws.length === 0) {
        this.pick.b.day.value = "";
        await this.readSide("b", undefined, true);
      }
    } catch (err) {
      this.begun = false;
      if (!this.signal.aborted) fill(this.trouble, failure(err, "The throws could not be read.", () => void this.begin(key)));
    }
  }

  close(): void {
    for (const g of this.drawn) g.close();
  }

  private drawChoices(): void {
    fill(this.endPick, ends.map((e) => h("button", { type: "button", class: "act", "aria-pressed": String(e === this.to), data: { end: e }, on: { click: () => {
      this.to = e;
      this.drawChoices();
      void this.readSide("a").then(() => this.readSide("b", undefined, true)).catch(() => undefined);
    } } }, `To ${e}`)));
    fill(this.alignPick, ([["Phases aligned", true], ["From the start of the movement", false]] as const).map(([word, on]) =>
      h("button", { type: "button", class: "act", "aria-pressed": String(this.aligned === on), data: { aligned: on }, on: { click: () => { this.aligned = on; this.drawChoices(); void this.draw(); } } }, word)));
  }

  private async readSide(s: Side, key?: string, oldest = false): Promise<void> {
    const p = this.pick[s];
    const to = fieldTime(p.day.value);
    const page = await get<List<Throw>>(`/turnouts/${segment(this.turnout)}/throws`, { to, limit: listed }, this.signal);
    p.throws = page.items.filter((t) => t.to === this.to);
    const chosen = key ?? (oldest ? p.throws[p.throws.length - 1]?.key : p.throws[0]?.key);
    fill(p.list, p.throws.length === 0 && h("option", { value: "" }, "none to this end by then"), p.throws.map((t) => h("option", { value: t.key, selected: t.key === chosen }, line(t))));
    await this.draw();
  }

  private async detail(s: Side): Promise<ThrowDetail | undefined> {
    const p = this.pick[s];
    const key = p.list.value;
    if (!key) return undefined;
    if (p.shown?.key !== key) p.shown = await get<ThrowDetail>(`/throws/${segment(key)}`, {}, this.signal);
    return p.shown;
  }

  private async draw(): Promise<void> {
    const mine = ++this.asked;
    try {
      const [a, b] = await Promise.all([this.detail("a"), this.detail("b")]);
      if (mine !== this.asked) return;
      for (const g of this.drawn) g.close();
      this.drawn = [];
      if (!a || !b) {
        fill(this.graphs);
        fill(this.table);
        fill(this.key);
        fill(this.trouble, this.begun && h("p", { class: "soft" }, "Choose two throws."));
        return;
      }
      fill(this.trouble, a.key === b.key && h("p", { class: "soft" }, "This is the same throw twice."));
      fill(this.key, h("span", { class: "key-ink" }, when(a.started_at)), h("span", { class: "key-mid" }, when(b.started_at)),
        h("span", { class: "soft" }, this.aligned ? "The second one is stretched so that its phases fall on those of the first." : "Both begin where the movement does."));
      const pairs = a.traces.flatMap((t): [Trace, Trace][] => {
        const u = b.traces.find((x) => channelOf(x) === channelOf(t));
        return u ? [[t, u]] : [];
      });
      fill(this.graphs, pairs.length === 0 && h("p", { class: "soft" }, "These two have no channel in common."), pairs.map(([t, u]) => this.pair(a, b, t, u)));
      fill(this.table, pairs.length > 0 && table(a, b, pairs));
      Object.assign(this.el.dataset, { a: a.key, b: b.key });
    } catch (err) {
      if (!this.signal.aborted && mine === this.asked) fill(this.trouble, failure(err, "The two throws could not be read.", () => void this.draw()));
    }
  }

  private pair(a: ThrowDetail, b: ThrowDetail, t: Trace, u: Trace): HTMLElement {
    const ca = a.channels.find((c) => channelOf(c) === channelOf(t));
    const cb = b.channels.find((c) => channelOf(c) === channelOf(u));
    const name = `${t.drive}, ${quantityName(t.quantity)}`;
    if (!ca || !cb) return h("p", { class: "soft" }, `${name}: the raw trace of ${ca ? "the second" : "the first"} is past its retention; the features below are kept.`);
    const start = t.phases[0]?.start_s ?? 0;
    const shift = (u.phases[0]?.start_s ?? 0) - start;
    const map = this.aligned ? phaseMap(t.phases, u.phases) : (s: number) => s + shift;
    const x = ca.samples.map((_, i) => ca.offset_s + i / ca.sample_rate_hz);
    const va: (number | null)[] = ca.samples;
    const vb = x.map((s) => valueAt(cb, map(s)));
    const diff = x.map((_, i) => (vb[i] === null || vb[i] === undefined ? null : va[i]! - vb[i]));
    const phase = (s: number): string => phaseAt(t.phases, s);
    const most = diff.reduce<number>((best, v, i) => (v !== null && (best < 0 || Math.abs(v) > Math.abs(diff[best]!)) ? i : best), -1);
    const both = new OverlayGraph(14, this.rem, "compare");
    both.show({
      title: `${name}, ${t.unit}`, x, phases: t.phases,
      lines: [{ name: "second", values: vb, ink: "blue" }, { name: "first", values: va, ink: "ink" }],
      label: `${name} of the throws of ${written(Date.parse(a.started_at), "full")} and ${written(Date.parse(b.started_at), "full")} ${toEnd(a.to)}, laid over each other. Arrow keys go along it.`,
      read: (i) => (i === undefined ? [] : [`${x[i]!.toFixed(2)} s: `, h("b", null, withUnit(va[i], t.unit)), ` against ${withUnit(vb[i], t.unit)}`, phase(x[i]!)]),
    });
    const less = new OverlayGraph(8, this.rem, "compare");
    less.show({
      title: `Difference, ${t.unit}`, x, phases: [], zero: true, lines: [{ name: "difference", values: diff, ink: "red" }],
      label: most < 0 ? `Difference in ${name}: nothing to compare` : `Difference in ${name}: the most is ${withUnit(diff[most], t.unit)} at ${x[most]!.toFixed(2)} seconds${phase(x[most]!)}. Arrow keys go along it.`,
      read: (i) => {
        const at = i ?? most;
        if (at < 0) return ["nothing to compare"];
        return [i === undefined ? "most: " : `${x[at]!.toFixed(2)} s: `, h("b", null, signed(diff[at], t.unit)), i === undefined ? ` at ${x[at]!.toFixed(2)} s` : "", phase(x[at]!)];
      },
    });
    this.drawn.push(both, less);
    return h("div", { class: "overlay-pair", data: { channel: channelOf(t) } }, both.el, less.el);
  }
}

function signed(v: number | null | undefined, unit: string): string {
  return v === null || v === undefined ? "–" : `${v > 0 ? "+" : ""}${withUnit(v, unit)}`;
}

function phaseAt(phases: readonly Phase[], s: number): string {
  const p = phases.find((x) => s >= x.start_s && s < x.end_s);
  return p ? ` · ${p.phase}` : "";
}

function line(t: Throw): string {
  const duration = Math.max(...t.traces.map((tr) => tr.features.duration?.value ?? -Infinity));
  return `${written(Date.parse(t.started_at), "full")}${Number.isFinite(duration) ? `, ${withUnit(duration, "s")}` : ""}${t.completed ? "" : ", incomplete"}`;
}

function table(a: ThrowDetail, b: ThrowDetail, pairs: [Trace, Trace][]): HTMLElement {
  const known = Object.keys(features);
  const order = (x: string, y: string): number => (known.indexOf(x) + 1 || 99) - (known.indexOf(y) + 1 || 99);
  const all = pairs.flatMap(([t, u]) => Object.keys(t.features).flatMap((f) => (u.features[f] ? [Math.abs(percentOf(u.features[f].value, t.features[f]!.value) ?? 0)] : [])));
  const scale = Math.min(50, Math.max(10, ...all));
  const row = (name: string, va: FeatureValue, vb: FeatureValue): HTMLElement => {
    const p = percentOf(vb.value, va.value);
    return h("tr", { data: { feature: name } }, h("th", { scope: "row" }, featureName(name)), h("td", { class: "num" }, withUnit(va.value, va.unit)), h("td", { class: "num" }, withUnit(vb.value, vb.unit)),
      h("td", { class: "num" }, p === undefined ? "–" : change(Math.abs(p) < 0.05 ? 0 : p)), h("td", { class: "gauge-cell" }, p !== undefined && moreOrLess(p, scale)));
  };
  return h("table", { class: "features compared", id: "compared-features" },
    h("caption", { class: "soft" }, "By how many per cent the first differs from the second."),
    h("thead", null, h("tr", null, h("th", { scope: "col" }, "Feature"), h("th", { scope: "col", class: "num" }, when(a.started_at)), h("th", { scope: "col", class: "num" }, when(b.started_at)), h("th", { scope: "col", class: "num" }, "Difference"), h("td", null))),
    pairs.map(([t, u]) => h("tbody", null,
      h("tr", { class: "group" }, h("th", { scope: "rowgroup", colspan: 5 }, `${t.drive}, ${quantityName(t.quantity)}`)),
      Object.keys(t.features).filter((f) => u.features[f]).sort(order).map((f) => row(f, t.features[f]!, u.features[f]!)))));
}

/** A length to the left or right of the middle: scale and more reach the edge. */
function moreOrLess(percent: number, scale: number): HTMLElement {
  const inner = h("span", { class: percent < 0 ? "less" : "more" });
  const width = 50 * Math.min(1, Math.abs(percent) / scale);
  inner.style.width = `${width}%`;
  inner.style.left = `${percent < 0 ? 50 - width : 50}%`;
  return h("span", { class: "more-less", "aria-hidden": "true", title: `${figure(percent)} %` }, inner);
}
