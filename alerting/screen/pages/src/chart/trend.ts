// One feature of the throws to one end, over time, against what was expected.

import uPlot from "uplot";
import type { End, Series, Trend, TrendEnd } from "../api.ts";
import { fill, h } from "../dom.ts";
import { sentence } from "../sentence.ts";
import { when } from "../time.ts";
import { against } from "../trenddata.ts";
import { featureName, figure, withUnit } from "../words.ts";
import { axes, fontOf, keepSized, nearest, palette, room, zoned, type Palette } from "./plot.ts";
import { placeLabels } from "./labels.ts";

/** A moment to be marked on every graph. */
export interface Mark {
  at: number; // s
  kind: "alert" | "work";
  text: string;
  priority?: "high" | "medium" | "low";
  until?: number; // s, of an alert: when it cleared, or now
  state?: "standing" | "seen" | "hidden" | "over";
}

export interface TrendHandlers {
  open(key: string): void;
  zoom(from: number, to: number): void;
  reset(): void;
  /** The pointer is at this time (s), a pixel being so many seconds; undefined: nowhere. */
  at(time: number | undefined, pixel: number): void;
}

const rowsOfLabels = 2;
const near = 24; // px within which a click means a point
const doubled = 280; // ms within which a second click makes a double one

export class TrendGraph {
  readonly el: HTMLElement;
  private readonly box = h("div", { class: "plot", tabindex: 0, role: "img" });
  private readonly reading = h("p", { class: "reading" });
  private readonly told = h("p", { class: "tendency" });
  private readonly feature: string;
  private readonly to: End;
  private readonly on: TrendHandlers;
  private readonly height: number;
  private readonly off: () => void;
  private plot: uPlot | undefined;
  private p: Palette | undefined;
  private end: TrendEnd | undefined;
  private series: Series | undefined;
  private trend: Trend | undefined;
  private marks: Mark[] = [];
  private range: [number, number] = [0, 1];
  private opening = 0; // timer of a click
  private at: number | undefined; // row under the cursor

  constructor(to: End, channel: string, feature: string, rem: number, on: TrendHandlers) {
    this.to = to;
    this.feature = feature;
    this.on = on;
    this.height = Math.round(10.5 * rem);
    this.el = h("figure", { class: "trend", data: { chart: `${to}/${channel}/${feature}`, to, feature } },
      h("figcaption", null, h("b", null, featureName(feature)), h("span", { class: "to" }, `to ${to}`), this.reading), this.told, this.box);
    this.box.addEventListener("keydown", (ev) => this.press(ev));
    this.box.addEventListener("blur", () => this.point(undefined));
    this.off = keepSized(this.box, (w) => {
      if (this.plot) this.plot.setSize({ width: w, height: this.height });
      else this.build(w);
    }, () => this.rebuild());
  }

  /** Shows the rows of the end; series is undefined where nothing is measured. */
  show(end: TrendEnd | undefined, series: Series | undefined, marks: Mark[], range: [number, number]): void {
    this.end = end;
    this.series = series;
    this.marks = marks;
    this.range = range;
    Object.assign(this.el.dataset, { points: series?.value.reduce<number>((n, v) => n + (v === null ? 0 : 1), 0) ?? 0, marks: marks.length, from: range[0], until: range[1] });
    this.box.setAttribute("aria-label", this.summary());
    if (!this.plot) {
      const w = Math.floor(this.box.clientWidth);
      if (w > 0) this.build(w);
      return;
    }
    this.plot.setData(this.data(), false);
    this.plot.setScale("x", { min: range[0], max: range[1] });
    if (this.at === undefined) this.read();
  }

  /** Says whether there is a trend and draws the smoothed level; undefined: nothing is known of it. */
  tell(t: Trend | undefined): void {
    this.trend = t;
    this.told.textContent = t ? sentence(t.said) : "";
    this.told.dataset.stands = String(/^(rising|falling)/.test(t?.said ?? ""));
    this.el.dataset.level = String(t?.level.filter((v) => v !== null).length ?? 0);
    this.box.setAttribute("aria-label", this.summary());
    this.plot?.redraw(false);
  }

  rebuild(): void {
    if (!this.plot) return;
    const w = this.plot.width;
    this.plot.destroy();
    this.plot = undefined;
    this.build(w);
  }

  close(): void {
    this.off();
    window.clearTimeout(this.opening);
    this.plot?.destroy();
  }

  private data(): uPlot.AlignedData {
    const s = this.series;
    return [this.end?.at ?? [], s?.value ?? [], s?.expected ?? [], s?.low ?? [], s?.high ?? []] as unknown as uPlot.AlignedData;
  }

  private build(width: number): void {
    const p = (this.p = palette(this.el));
    const quiet: uPlot.Series = { points: { show: false }, paths: () => null };
    this.plot = new uPlot({
      width, height: this.height, ms: 1, tzDate: zoned, legend: { show: false }, pxAlign: 0,
      padding: [rowsOfLabels * (p.size + 3) + 2, 8, 0, 0],
      scales: {
        x: { time: true, min: this.range[0], max: this.range[1], auto: false },
        y: { range: () => this.reach() },
      },
      axes: axes(p, true, ""),
      series: [
        {},
        quiet, // drawn by ourselves
        { stroke: p.blue, width: 1.2, dash: [5, 3], points: { show: false } },
        { stroke: "transparent", width: 0, points: { show: false } },
        { stroke: "transparent", width: 0, points: { show: false } },
      ],
      bands: [{ series: [4, 3], fill: p.wash }],
      cursor: {
        y: false,
        drag: { x: true, y: false, setScale: false, dist: 5 },
        points: { show: (_u, i) => (i === 1 ? pointer(p) : (undefined as unknown as HTMLElement)) },
        sync: { key: "trends", setSeries: false, scales: ["x", null], filters: { pub: (type) => type === "mousemove" || type === "mouseleave" } },
        bind: { dblclick: () => () => { window.clearTimeout(this.opening); this.on.reset(); return null; } },
      },
      hooks: {
        setSelect: [(u) => this.select(u)],
        setCursor: [(u) => { this.at = u.cursor.idx ?? undefined; this.read(); this.tellPlace(u); }],
        draw: [(u) => { this.drawSpans(u); this.drawBand(u); this.drawPoints(u); this.drawLevel(u); this.drawMarks(u); }],
      },
    }, this.data(), this.box);
    this.plot.over.addEventListener("click", (ev) => this.click(ev));
    this.read();
  }

  // As high as what is in the range, so that a close look shows more. A throw
  // that did not complete would press all others flat: it stands at the edge.
  private reach(): [number, number] {
    const at = this.end?.at ?? [];
    const s = this.series;
    if (!s || at.length === 0) return [0, 1];
    let from = nearest(at, this.range[0]);
    let to = nearest(at, this.range[1]);
    if (from > 0) from--;
    if (to < at.length - 1) to++;
    const completed = this.end!.completed;
    const rest = s.value.map((v, i) => (completed[i] ? v : null));
    return room([rest.slice(from, to + 1).some((v) => v !== null) ? rest : s.value, s.low, s.high], from, to + 1);
  }

  private select(u: uPlot): void {
    const { left, width } = u.select;
    if (width < 5) return;
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.on.zoom(u.posToVal(left, "x"), u.posToVal(left + width, "x"));
  }

  private click(ev: MouseEvent): void {
    const u = this.plot;
    const at = this.end?.at;
    if (!u || !at || !this.series) return;
    const x = ev.offsetX;
    const mid = nearest(at, u.posToVal(x, "x"));
    let best = near;
    let row = -1;
    for (let i = Math.max(0, mid - 12); i <= Math.min(at.length - 1, mid + 12); i++) {
      const v = this.series.value[i];
      if (v === null || v === undefined) continue;
      const y = Math.max(4, Math.min(u.over.clientHeight - 4, u.valToPos(v, "y")));
      const d = Math.hypot(u.valToPos(at[i]!, "x") - x, y - ev.offsetY);
      if (d < best) [best, row] = [d, i];
    }
    window.clearTimeout(this.opening);
    const key = this.end!.keys[row];
    // A click may be the first half of a double one, which means something else.
    if (key) this.opening = window.setTimeout(() => this.on.open(key), doubled);
  }

  private press(ev: KeyboardEvent): void {
    const at = this.end?.at;
    if (!at || at.length === 0 || !this.plot) return;
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20 }[ev.key];
    if (step !== undefined) {
      const next = this.at === undefined ? at.length - 1 : this.at + step;
      this.point(Math.min(at.length - 1, Math.max(0, next)));
    } else if (ev.key === "Enter" && this.at !== undefined) this.on.open(this.end!.keys[this.at]!);
    else if (ev.key === "0") this.on.reset();
    else return;
    ev.preventDefault();
    ev.stopPropagation();
  }

  // Only the graph under the pointer or with the focus tells: the others follow it.
  private tellPlace(u: uPlot): void {
    if (!u.over.matches(":hover") && document.activeElement !== this.box) return;
    const left = u.cursor.left ?? -1;
    const pixel = Math.abs(u.posToVal(1, "x") - u.posToVal(0, "x"));
    this.on.at(left < 0 ? undefined : u.posToVal(left, "x"), pixel);
  }

  private point(row: number | undefined): void {
    const u = this.plot;
    const at = row === undefined ? undefined : this.end?.at[row];
    if (!u) return;
    if (at === undefined) u.setCursor({ left: -10, top: -10 });
    else u.setCursor({ left: u.valToPos(at, "x"), top: 1 });
  }

  private read(): void {
    const s = this.series;
    if (!s || !this.end || this.end.at.length === 0) {
      fill(this.reading, this.end && this.end.at.length > 0 ? "not measured" : "no throw in this time");
      return;
    }
    const i = this.at ?? this.end.at.length - 1;
    const place = against(s.value[i], s.low[i], s.high[i]);
    fill(this.reading,
      h("b", null, withUnit(s.value[i], s.unit)), place === "unknown" ? " (no past yet)" : [" expected ", `${figure(s.low[i])} to ${withUnit(s.high[i], s.unit)}`, place !== "within" && h("em", null, ` ${place}`)],
      !this.end.completed[i] && h("em", null, " incomplete"), " · ", when(new Date(this.end.at[i]! * 1e3).toISOString()));
  }

  private summary(): string {
    const s = this.series;
    const n = this.end?.at.length ?? 0;
    if (!s || n === 0) return `${featureName(this.feature)} to ${this.to}: nothing measured in this time`;
    return `${featureName(this.feature)} to ${this.to}, ${n} throws, the latest ${withUnit(s.value[n - 1], s.unit)}, expected ${figure(s.low[n - 1])} to ${withUnit(s.high[n - 1], s.unit)}. ${this.told.textContent} Arrow keys go from throw to throw, Enter opens one.`;
  }

  /** Runs of points between two visits: the level does not go on over work. */
  private runs(u: uPlot, column: "level" | "low" | "high"): [number, number][][] {
    const t = this.trend;
    const out: [number, number][][] = [];
    let run: [number, number][] = [];
    t?.at.forEach((at, i) => {
      const v = t[column][i];
      const visited = i > 0 && this.marks.some((m) => m.kind === "work" && m.text !== "inspected" && m.at > t.at[i - 1]! && m.at <= at);
      if (visited || v === null || v === undefined) run = [];
      if (v === null || v === undefined) return;
      if (run.length === 0) out.push(run);
      run.push([u.valToPos(at, "x", true), u.valToPos(v, "y", true)]);
    });
    return out;
  }

  private within(u: uPlot, draw: (ctx: CanvasRenderingContext2D, p: Palette, ratio: number) => void): void {
    if (!this.p || !this.trend) return;
    u.ctx.save();
    u.ctx.beginPath();
    u.ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    u.ctx.clip();
    draw(u.ctx, this.p, devicePixelRatio);
    u.ctx.restore();
  }

  private drawBand(u: uPlot): void {
    this.within(u, (ctx, p) => {
      const high = this.runs(u, "high");
      ctx.fillStyle = p.ink;
      ctx.globalAlpha = 0.16;
      this.runs(u, "low").forEach((low, i) => {
        ctx.beginPath();
        trace(ctx, [...low, ...high[i]!.reverse()]);
        ctx.fill();
      });
    });
  }

  // Over the throws, with an edge of paper so that it is seen among them.
  private drawLevel(u: uPlot): void {
    this.within(u, (ctx, p, r) => {
      ctx.lineJoin = "round";
      for (const [style, width] of [[p.paper, 4.2], [p.ink, 1.9]] as const) {
        ctx.strokeStyle = style;
        ctx.lineWidth = width * r;
        for (const run of this.runs(u, "level")) {
          ctx.beginPath();
          trace(ctx, run);
          ctx.stroke();
        }
      }
    });
  }

  // A dot within the band, a diamond outside, a cross where the throw did not complete.
  private drawPoints(u: uPlot): void {
    const { ctx } = u;
    const s = this.series;
    const at = this.end?.at;
    const p = this.p;
    if (!s || !at || !p) return;
    const r = devicePixelRatio;
    ctx.save();
    ctx.beginPath();
    ctx.rect(u.bbox.left - 2 * r, u.bbox.top - 2 * r, u.bbox.width + 4 * r, u.bbox.height + 4 * r);
    ctx.clip();
    const crowded = at.length > 2 * (u.bbox.width / r);
    const dot = (crowded ? 1 : 1.4) * r;
    ctx.fillStyle = p.ink;
    ctx.strokeStyle = p.red;
    ctx.lineWidth = 1.3 * r;
    for (let i = 0; i < at.length; i++) {
      const v = s.value[i];
      if (v === null || v === undefined) continue;
      const x = u.valToPos(at[i]!, "x", true);
      if (x < u.bbox.left - dot || x > u.bbox.left + u.bbox.width + dot) continue;
      const y = u.valToPos(v, "y", true);
      if (!this.end!.completed[i]) {
        cross(ctx, x, Math.max(u.bbox.top + 4 * r, Math.min(u.bbox.top + u.bbox.height - 4 * r, y)), 4 * r);
        continue;
      }
      const place = against(v, s.low[i], s.high[i]);
      if (place === "above" || place === "below") {
        rhomb(ctx, x, y, (crowded ? 2.2 : 3.2) * r);
        ctx.stroke();
      } else {
        ctx.beginPath();
        ctx.arc(x, y, dot, 0, 2 * Math.PI);
        ctx.fill();
      }
    }
    ctx.restore();
  }

  // How long each alert stood: a bar at the upper edge, one below the other
  // where they overlap; how it stands shows in how the bar is filled.
  private drawSpans(u: uPlot): void {
    const p = this.p;
    const spans = this.marks.filter((m) => m.until !== undefined).sort((a, b) => a.at - b.at);
    if (!p || spans.length === 0) return;
    const { ctx, bbox } = u;
    const r = devicePixelRatio;
    const right = bbox.left + bbox.width;
    const free: number[] = []; // where each lane ends
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.strokeStyle = ctx.fillStyle = p.red;
    ctx.lineWidth = r;
    for (const m of spans) {
      const a = Math.max(bbox.left, u.valToPos(m.at, "x", true));
      const b = Math.min(right, Math.max(a + 3 * r, u.valToPos(m.until!, "x", true)));
      if (b <= bbox.left || a >= right) continue;
      let lane = free.findIndex((x) => x <= a);
      if (lane < 0) lane = free.length;
      free[lane] = b + 2 * r;
      if (lane > 3) continue;
      const y = bbox.top + (1 + 6 * lane) * r;
      const tall = 4 * r;
      ctx.globalAlpha = m.state === "over" ? 0.75 : 1;
      if (m.state === "standing") ctx.fillRect(a, y, b - a, tall);
      else if (m.state === "seen") {
        ctx.strokeRect(a + r / 2, y + r / 2, b - a - r, tall - r);
        ctx.fillRect(a, y, b - a, tall / 2);
      } else {
        if (m.state === "hidden") ctx.setLineDash([3 * r, 2 * r]);
        ctx.strokeRect(a + r / 2, y + r / 2, b - a - r, tall - r);
        ctx.setLineDash([]);
      }
    }
    ctx.restore();
  }

  private drawMarks(u: uPlot): void {
    const p = this.p;
    if (!p) return;
    const { ctx, bbox } = u;
    const r = devicePixelRatio;
    const inside = this.marks.filter((m) => m.at >= (u.scales.x?.min ?? 0) && m.at <= (u.scales.x?.max ?? 0));
    if (inside.length === 0) return;
    ctx.save();
    ctx.font = fontOf(p, r);
    ctx.textAlign = "left";
    ctx.textBaseline = "bottom";
    const icon = 9 * r;
    const xs = inside.map((m) => u.valToPos(m.at, "x", true));
    const places = placeLabels(inside.map((m, i) => ({ at: xs[i]! - icon / 2, width: ctx.measureText(m.text).width + icon + 3 * r })), bbox.left, bbox.left + bbox.width, rowsOfLabels, 6 * r, true);
    inside.forEach((m, i) => {
      const x = Math.round(xs[i]!) + 0.5;
      const alert = m.kind === "alert";
      ctx.strokeStyle = ctx.fillStyle = alert ? p.red : p.blue;
      ctx.lineWidth = r;
      ctx.setLineDash(alert ? [] : [2 * r, 3 * r]);
      const { left, row } = places[i]!;
      const foot = bbox.top - 2 * r - Math.max(0, row) * (p.size + 3) * r;
      ctx.beginPath();
      ctx.moveTo(x, row > 0 ? foot : bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
      ctx.setLineDash([]);
      const y = row < 0 ? bbox.top : foot - (p.size * r) / 2;
      const ix = row < 0 ? x : left + icon / 2;
      if (alert) {
        rhomb(ctx, ix, y, 4 * r);
        if (m.priority === "high") ctx.fill();
        ctx.stroke();
      } else {
        ctx.beginPath();
        ctx.moveTo(ix - 3.5 * r, y - 3 * r);
        ctx.lineTo(ix + 3.5 * r, y - 3 * r);
        ctx.lineTo(ix, y + 4 * r);
        ctx.closePath();
        ctx.fill();
      }
      if (row >= 0) ctx.fillText(m.text, left + icon + 3 * r, foot);
    });
    ctx.restore();
  }
}

function pointer(p: Palette): HTMLElement {
  const el = h("div", { class: "pointer" });
  el.style.borderColor = p.blue;
  return el;
}

function trace(ctx: CanvasRenderingContext2D, points: [number, number][]): void {
  points.forEach(([x, y], i) => (i === 0 ? ctx.moveTo(x, y) : ctx.lineTo(x, y)));
}

function rhomb(ctx: CanvasRenderingContext2D, x: number, y: number, d: number): void {
  ctx.beginPath();
  ctx.moveTo(x, y - d);
  ctx.lineTo(x + d, y);
  ctx.lineTo(x, y + d);
  ctx.lineTo(x - d, y);
  ctx.closePath();
}

function cross(ctx: CanvasRenderingContext2D, x: number, y: number, d: number): void {
  ctx.beginPath();
  ctx.moveTo(x - d, y - d);
  ctx.lineTo(x + d, y + d);
  ctx.moveTo(x + d, y - d);
  ctx.lineTo(x - d, y + d);
  ctx.stroke();
}
