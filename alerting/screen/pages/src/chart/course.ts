// What graphs of the course of a throw over seconds have in common.

import type uPlot from "uplot";
import type { Phase } from "../api.ts";
import { h } from "../dom.ts";
import { keepSized, type Palette } from "./plot.ts";

export abstract class CourseGraph {
  readonly el: HTMLElement;
  protected readonly box = h("div", { class: "plot", role: "img" });
  protected readonly name = h("b");
  protected readonly reading = h("p", { class: "reading" });
  protected readonly height: number;
  protected plot: uPlot | undefined;
  protected p: Palette | undefined;
  /** Names the graphs whose cursors move together. */
  protected readonly key: string;
  private readonly off: () => void;

  /** height in rem. */
  constructor(kind: string, height: number, rem: number, sync: string) {
    this.key = sync;
    this.height = Math.round(height * rem);
    this.el = h("figure", { class: kind }, h("figcaption", null, this.name, this.reading), this.box);
    this.off = keepSized(this.box, (w) => {
      if (this.plot) this.plot.setSize({ width: w, height: this.height });
      else this.build(w);
    }, () => this.rebuild());
  }

  protected abstract build(width: number): void;

  protected rebuild(): void {
    const w = Math.floor(this.box.clientWidth);
    this.plot?.destroy();
    this.plot = undefined;
    if (w > 0) this.build(w);
  }

  close(): void {
    this.off();
    this.plot?.destroy();
  }
}

/** Phases that are in sight, from where to where on the canvas. */
export function phasesInSight(u: uPlot, phases: readonly Phase[]): { name: string; a: number; b: number }[] {
  const { bbox } = u;
  return phases.map((ph) => ({
    name: ph.phase, a: Math.max(bbox.left, u.valToPos(ph.start_s, "x", true)), b: Math.min(bbox.left + bbox.width, u.valToPos(ph.end_s, "x", true)),
  })).filter((ph) => ph.b > ph.a);
}

/** The points of a course on the canvas, but for those that are not known. */
export function points(u: uPlot, x: readonly number[], y: readonly (number | null | undefined)[]): [number, number][] {
  return x.flatMap((at, i): [number, number][] => {
    const v = y[i];
    return v === null || v === undefined ? [] : [[u.valToPos(at, "x", true), u.valToPos(v, "y", true)]];
  });
}

/** Makes a path of points. */
export function trail(ctx: CanvasRenderingContext2D, list: readonly [number, number][]): void {
  ctx.beginPath();
  list.forEach(([x, y], i) => (i === 0 ? ctx.moveTo(x, y) : ctx.lineTo(x, y)));
}

/** Fills what lies between two courses; the canvas must be clipped. */
export function fillBand(u: uPlot, x: readonly number[], low: readonly (number | null | undefined)[], high: readonly (number | null | undefined)[], color: string): void {
  trail(u.ctx, [...points(u, x, high), ...points(u, x, low).reverse()]);
  u.ctx.closePath();
  u.ctx.fillStyle = color;
  u.ctx.fill();
}

/** Clips the canvas to where values are drawn, until it is restored. */
export function clipped(u: uPlot): void {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
}
