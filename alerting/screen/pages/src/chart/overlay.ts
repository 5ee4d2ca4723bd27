// Courses laid over each other, or the difference of two: one graph over
// seconds, phases marked, read with the pointer or the arrow keys.

import uPlot from "uplot";
import type { Phase } from "../api.ts";
import { fill } from "../dom.ts";
import { clipped, CourseGraph, fillBand, phasesInSight } from "./course.ts";
import { axes, fontOf, palette, room } from "./plot.ts";
import { placeLabels } from "./labels.ts";

export interface Line {
  name: string;
  values: (number | null)[];
  ink: "ink" | "blue" | "red";
  band?: { low: (number | null)[]; high: (number | null)[] };
}

export interface Overlay {
  title: string;
  label: string; // for who does not see it
  x: number[];
  lines: Line[];
  phases: readonly Phase[];
  /** Draws the line of nothing, and fills up to it. */
  zero?: boolean;
  /** What is said of the values at a place; undefined: of the whole. */
  read(i: number | undefined): (Node | string)[];
}

export class OverlayGraph extends CourseGraph {
  private o: Overlay | undefined;
  private at: number | undefined;

  constructor(height: number, rem: number, sync: string) {
    super("trace overlay", height, rem, sync);
    this.box.tabIndex = 0;
    this.box.addEventListener("keydown", (ev) => this.press(ev));
  }

  show(o: Overlay): void {
    this.o = o;
    this.at = undefined;
    fill(this.name, o.title);
    this.box.setAttribute("aria-label", o.label);
    this.el.dataset.points = String(o.lines.reduce((n, l) => n + l.values.filter((v) => v !== null).length, 0));
    this.rebuild();
  }

  protected build(width: number): void {
    const o = this.o;
    if (!o) return;
    const p = (this.p = palette(this.el));
    const [low, high] = room(o.lines.flatMap((l) => [l.values, l.band?.low ?? [], l.band?.high ?? []]));
    const y: [number, number] = o.zero ? [Math.min(low, 0), Math.max(high, 0)] : [low, high];
    const x: [number, number] = [o.x[0] ?? 0, o.x[o.x.length - 1] ?? 1];
    const fold = (color: string): string => (color.startsWith("#") ? color + "22" : color);
    this.plot = new uPlot({
      width, height: this.height, ms: 1, legend: { show: false }, pxAlign: 0,
      padding: [o.phases.length > 0 ? p.size + 8 : 6, 10, 0, 0],
      scales: { x: { time: false, range: () => x }, y: { range: () => y } },
      axes: axes(p, false, "s"),
      series: [{}, ...o.lines.map((l): uPlot.Series => ({
        stroke: p[l.ink], width: l.ink === "blue" ? 1.5 : 1.8, points: { show: false }, ...(l.ink === "blue" ? { dash: [6, 3] } : {}),
        ...(o.zero ? { fill: fold(p[l.ink]), fillTo: 0 } : {}),
      }))],
      cursor: { y: false, drag: { x: false, y: false }, points: { size: 7 }, sync: { key: this.key, setSeries: false, scales: ["x", null] } },
      hooks: {
        setCursor: [(u) => { this.at = (u.cursor.left ?? -1) < 0 ? undefined : (u.cursor.idx ?? undefined); this.read(); }],
        drawAxes: [(u) => { this.drawPhases(u); this.drawBands(u); }],
      },
    }, [o.x, ...o.lines.map((l) => l.values)] as unknown as uPlot.AlignedData, this.box);
    this.read();
  }

  private read(): void {
    if (this.o) fill(this.reading, this.o.read(this.at));
  }

  private press(ev: KeyboardEvent): void {
    const u = this.plot;
    const x = this.o?.x;
    if (!u || !x || x.length === 0) return;
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -10, PageDown: 10 }[ev.key];
    if (step === undefined) return;
    const by = step * Math.max(1, Math.round(x.length / 200));
    const i = Math.max(0, Math.min(x.length - 1, (this.at ?? (step > 0 ? -by : x.length - by)) + by));
    u.setCursor({ left: u.valToPos(x[i]!, "x"), top: 1 });
    ev.preventDefault();
    ev.stopPropagation();
  }

  private drawPhases(u: uPlot): void {
    const p = this.p;
    const o = this.o;
    if (!p || !o) return;
    const { ctx, bbox } = u;
    const r = devicePixelRatio;
    ctx.save();
    if (o.zero) {
      const y = u.valToPos(0, "y", true);
      ctx.strokeStyle = p.soft;
      ctx.lineWidth = r;
      ctx.beginPath();
      ctx.moveTo(bbox.left, y);
      ctx.lineTo(bbox.left + bbox.width, y);
      ctx.stroke();
    }
    ctx.font = fontOf(p, r);
    ctx.textAlign = "left";
    ctx.textBaseline = "bottom";
    const right = bbox.left + bbox.width;
    const seen = phasesInSight(u, o.phases);
    const places = placeLabels(seen.map((ph) => ({ at: (ph.a + ph.b) / 2, width: ctx.measureText(ph.name).width })), bbox.left, right, 1, 6 * r);
    ctx.strokeStyle = p.line;
    ctx.fillStyle = p.soft;
    ctx.lineWidth = r;
    seen.forEach((ph, i) => {
      for (const x of [ph.a, ph.b]) {
        ctx.beginPath();
        ctx.moveTo(x, bbox.top - 3 * r);
        ctx.lineTo(x, bbox.top + bbox.height);
        ctx.stroke();
      }
      if (places[i]!.row === 0) ctx.fillText(ph.name, places[i]!.left, bbox.top - 3 * r);
    });
    ctx.restore();
  }

  private drawBands(u: uPlot): void {
    const p = this.p;
    const o = this.o;
    if (!p || !o) return;
    const { ctx } = u;
    clipped(u);
    for (const l of o.lines) {
      if (!l.band) continue;
      ctx.globalAlpha = l.ink === "blue" ? 1 : 0.13;
      fillBand(u, o.x, l.band.low, l.band.high, l.ink === "blue" ? p.wash : p.ink);
    }
    ctx.restore();
  }
}
