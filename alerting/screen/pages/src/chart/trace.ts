// One channel of one throw, over the band of its past, its phases marked.

import uPlot from "uplot";
import type { Channel, ThrowDetail, Trace } from "../api.ts";
import { fill, h } from "../dom.ts";
import { figure, quantityName, withUnit } from "../words.ts";
import { clipped, CourseGraph, fillBand, phasesInSight, points, trail } from "./course.ts";
import { axes, fontOf, nearest, palette, room } from "./plot.ts";
import { placeLabels } from "./labels.ts";
import { pastBand, type PastBand } from "./pastband.ts";

const rowsOfLabels = 2;

export class TraceGraph extends CourseGraph {
  private throw_: ThrowDetail | undefined;
  private trace: Trace | undefined;
  private channel: Channel | undefined;
  private past: PastBand | undefined;
  private x: number[] = [];

  /** height in rem; sync names the graphs whose cursors move together. */
  constructor(height: number, rem: number, sync: string) {
    super("trace", height, rem, sync);
  }

  show(t: ThrowDetail, trace: Trace, channel: Channel | undefined): void {
    this.throw_ = t;
    this.trace = trace;
    this.channel = channel;
    this.past = pastBand(trace);
    this.x = channel ? channel.samples.map((_, i) => channel.offset_s + i / channel.sample_rate_hz) : [];
    Object.assign(this.el.dataset, {
      trace: `${t.to}/${trace.drive}/${trace.quantity}`, throw: t.key, samples: this.x.length, past: this.past?.throws ?? 0, phases: trace.phases.map((p) => p.phase).join(" "),
    });
    fill(this.name, `${trace.drive}, ${quantityName(trace.quantity)}, ${trace.unit}`);
    this.box.setAttribute("aria-label", `Trace of ${t.turnout} to ${t.to}: ${quantityName(trace.quantity)} of the ${trace.drive} drive in ${trace.unit} over seconds` + (this.past ? `, over the band of ${this.past.throws} throws before` : ""));
    this.rebuild();
  }

  protected build(width: number): void {
    if (!this.trace) return;
    const p = (this.p = palette(this.el));
    const samples = this.channel?.samples ?? [];
    const past = this.past;
    const y = room([samples, past?.low ?? [], past?.high ?? []]);
    const last = this.trace.phases[this.trace.phases.length - 1]?.end_s ?? 1;
    const x: [number, number] = [Math.min(0, this.x[0] ?? 0), Math.max(this.x[this.x.length - 1] ?? last, past?.at[past.at.length - 1] ?? 0)];
    this.plot = new uPlot({
      width, height: this.height, ms: 1, legend: { show: false }, pxAlign: 0,
      padding: [rowsOfLabels * (p.size + 3) + 4, 10, 0, 0],
      scales: { x: { time: false, range: (_u, min, max) => (this.zoomed ? [min, max] : x) }, y: { range: () => y } },
      axes: axes(p, false, "s"),
      series: [{}, { stroke: p.ink, width: 1.6, points: { show: false } }],
      cursor: {
        y: false,
        drag: { x: true, y: false, dist: 5 },
        points: { size: 8 },
        sync: { key: this.key, setSeries: false, scales: ["x", null] },
      },
      hooks: {
        setSelect: [(u) => { this.zoomed = u.select.width > 0; }],
        setScale: [(u, key) => { if (key === "x") Object.assign(this.el.dataset, { from: u.scales.x?.min, until: u.scales.x?.max }); }],
        setCursor: [(u) => this.read(u)],
        drawAxes: [(u) => { this.drawPhases(u); this.drawPast(u); }],
        draw: [(u) => this.drawDetections(u)],
      },
    }, [this.x, samples] as unknown as uPlot.AlignedData, this.box);
    this.plot.over.addEventListener("dblclick", () => { this.zoomed = false; }, { capture: true });
    this.read(this.plot);
  }

  private zoomed = false;

  private read(u: uPlot): void {
    const t = this.trace;
    if (!t) return;
    const i = u.cursor.idx;
    if (i === null || i === undefined || (u.cursor.left ?? -1) < 0) {
      fill(this.reading, !this.channel || this.channel.samples.length === 0 ? "the raw trace is past its retention" : this.past ? h("span", { class: "key-past" }, `the past: ${this.past.throws} throws`) : "no past yet");
      return;
    }
    const s = this.x[i] ?? 0;
    const phase = t.phases.find((ph) => s >= ph.start_s && s < ph.end_s);
    const j = this.past ? nearest(this.past.at, s) : -1;
    const covered = this.past && Math.abs(this.past.at[j]! - s) < t.past!.duration_s / t.past!.mid.length;
    fill(this.reading, `${s.toFixed(2)} s: `, h("b", null, withUnit(this.channel?.samples[i], t.unit)),
      covered && ` past ${figure(this.past!.low[j])} to ${withUnit(this.past!.high[j], t.unit)}`, phase && ` · ${phase.phase}`);
  }

  // The phases: thin lines between them, names above, every other one tinted.
  private drawPhases(u: uPlot): void {
    const p = this.p;
    const phases = this.trace?.phases ?? [];
    if (!p || phases.length === 0) return;
    const { ctx, bbox } = u;
    const r = devicePixelRatio;
    const right = bbox.left + bbox.width;
    ctx.save();
    ctx.font = fontOf(p, r);
    ctx.textAlign = "left";
    ctx.textBaseline = "bottom";
    const seen = phasesInSight(u, phases);
    const labels = seen.map((ph) => ({ at: (ph.a + ph.b) / 2, width: ctx.measureText(ph.name).width }));
    const places = placeLabels(labels, bbox.left, right, rowsOfLabels, 7 * r);
    seen.forEach((ph, i) => {
      ctx.strokeStyle = p.line;
      ctx.lineWidth = r;
      for (const x of [ph.a, ph.b]) {
        ctx.beginPath();
        ctx.moveTo(x, bbox.top - 4 * r);
        ctx.lineTo(x, bbox.top + bbox.height);
        ctx.stroke();
      }
      // A dimension line over the phase, as on a drawing.
      ctx.strokeStyle = p.soft;
      ctx.beginPath();
      ctx.moveTo(ph.a, bbox.top - 2 * r);
      ctx.lineTo(ph.b, bbox.top - 2 * r);
      ctx.stroke();
      const { left, row } = places[i]!;
      if (row < 0) return;
      const foot = bbox.top - 4 * r - row * (p.size + 3) * r;
      if (row > 0) {
        ctx.beginPath();
        ctx.moveTo((ph.a + ph.b) / 2, bbox.top - 2 * r);
        ctx.lineTo((ph.a + ph.b) / 2, foot);
        ctx.stroke();
      }
      ctx.fillStyle = p.soft;
      ctx.fillText(ph.name, left, foot);
    });
    ctx.restore();
  }

  private drawPast(u: uPlot): void {
    const p = this.p;
    const past = this.past;
    if (!p || !past) return;
    const { ctx } = u;
    const r = devicePixelRatio;
    clipped(u);
    fillBand(u, past.at, past.low, past.high, p.wash);
    trail(ctx, points(u, past.at, past.mid));
    ctx.strokeStyle = p.blue;
    ctx.lineWidth = 1.2 * r;
    ctx.setLineDash([5 * r, 3 * r]);
    ctx.stroke();
    ctx.restore();
  }

  private drawDetections(u: uPlot): void {
    const p = this.p;
    const made = this.throw_?.detections ?? [];
    if (!p || made.length === 0) return;
    const { ctx, bbox } = u;
    const r = devicePixelRatio;
    ctx.save();
    ctx.font = fontOf(p, r);
    ctx.textAlign = "left";
    ctx.textBaseline = "bottom";
    ctx.strokeStyle = ctx.fillStyle = p.blue;
    ctx.lineWidth = r;
    const seen = made.map((d) => ({ text: `${d.place} detected`, x: u.valToPos(d.after_s, "x", true) })).filter((d) => d.x >= bbox.left && d.x <= bbox.left + bbox.width);
    ctx.setLineDash([2 * r, 2 * r]);
    for (const d of seen) {
      ctx.beginPath();
      ctx.moveTo(d.x, bbox.top);
      ctx.lineTo(d.x, bbox.top + bbox.height);
      ctx.stroke();
    }
    // Low and left of the lines: there the drawing is emptiest.
    ctx.textAlign = "right";
    const left = Math.min(...seen.map((d) => d.x));
    seen.forEach((d, i) => ctx.fillText(d.text, left - 5 * r, bbox.top + bbox.height - (4 + (seen.length - 1 - i) * (p.size + 3)) * r));
    ctx.restore();
  }
}
