// What all graphs share: colours from the stylesheet, axes in our own hand,
// and their size.

import uPlot from "uplot";
import { isUTC, written } from "../time.ts";

export interface Palette {
  ink: string;
  soft: string;
  line: string;
  hair: string;
  blue: string;
  wash: string;
  red: string;
  paper: string;
  font: string;
  size: number; // px of small text, CSS
}

export function palette(el: Element): Palette {
  const s = getComputedStyle(el);
  const v = (name: string): string => s.getPropertyValue(name).trim();
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
  return {
    ink: v("--ink"), soft: v("--soft"), line: v("--line"), hair: v("--hair"), blue: v("--blue"), wash: v("--wash"), red: v("--red"), paper: v("--sheet"),
    font: v("--label-font") || "sans-serif", size: Math.round(0.72 * rem),
  };
}

export function fontOf(p: Palette, ratio: number, weight = ""): string {
  return `${weight} ${Math.round(p.size * ratio)}px ${p.font}`.trim();
}

/** In the zone chosen, so that the axis divides at its midnights. */
export function zoned(ts: number): Date {
  return isUTC() ? uPlot.tzDate(new Date(ts * 1e3), "Etc/UTC") : new Date(ts * 1e3);
}

const dayLength = 86400;

function timeLabels(_u: uPlot, splits: number[], _axis: number, _space: number, incr: number): string[] {
  let last = "";
  return splits.map((s) => {
    const t = s * 1e3;
    const day = written(t, incr >= 28 * dayLength ? "month" : "day");
    if (incr >= dayLength) return day;
    const time = written(t, incr < 60 ? "second" : "minute");
    const text = day === last ? time : `${time}\n${day}`;
    last = day;
    return text;
  });
}

export function axes(p: Palette, time: boolean, xUnit: string): uPlot.Axis[] {
  const shared = { stroke: p.soft, font: `${p.size}px ${p.font}`, grid: { stroke: p.hair, width: 1 }, ticks: { stroke: p.line, width: 1, size: 4 } };
  return [
    {
      ...shared, gap: 3, space: time ? 5.2 * p.size : 4 * p.size,
      size: (_u, values) => Math.round(((values ?? []).some((v) => v.includes("\n")) ? 3 : 1.7) * p.size) + 5,
      values: time ? timeLabels : (_u, splits) => splits.map((v, i) => (i === splits.length - 1 ? `${figure0(v)} ${xUnit}` : figure0(v))),
    },
    {
      ...shared, gap: 4, space: 2.4 * p.size,
      // Of one width, so that graphs above each other agree.
      size: (_u, values) => Math.ceil(0.62 * p.size * Math.max(5, ...(values ?? []).map((v) => v.length))) + 10,
      values: (_u, splits) => ticks(splits),
    },
  ];
}

function figure0(v: number): string {
  return String(Number(v.toFixed(3))).replace("-", "−");
}

/** Axis figures with as many decimals as their step asks for. */
export function ticks(splits: number[]): string[] {
  const step = Math.abs((splits[1] ?? 1) - (splits[0] ?? 0)) || 1;
  let decimals = 0;
  while (decimals < 6 && Math.abs(Math.round(step * 10 ** decimals) - step * 10 ** decimals) > 1e-6 * 10 ** decimals * step) decimals++;
  return splits.map((v) => v.toFixed(decimals).replace("-", "−"));
}

/** The lowest and the highest of some columns, with a little room about them. */
export function room(columns: ArrayLike<number | null | undefined>[], from = 0, to = Infinity): [number, number] {
  let low = Infinity;
  let high = -Infinity;
  for (const c of columns) {
    for (let i = Math.max(0, from); i < Math.min(c.length, to); i++) {
      const v = c[i];
      if (v === null || v === undefined) continue;
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  if (low > high) return [0, 1];
  const about = (high - low) * 0.08 || Math.abs(high) * 0.05 || 1;
  return [low - about, high + about];
}

/** The index of the value nearest to x in an ascending list; -1 where it is empty. */
export function nearest(list: ArrayLike<number>, x: number): number {
  let a = 0;
  let b = list.length;
  while (a < b) {
    const m = (a + b) >> 1;
    if (list[m]! < x) a = m + 1;
    else b = m;
  }
  if (a === list.length) return a - 1;
  return a > 0 && x - list[a - 1]! <= list[a]! - x ? a - 1 : a;
}

/** Draws a plot anew when its box, the scheme or the zone asks for it. */
export function keepSized(box: HTMLElement, sized: (width: number) => void, restyled: () => void): () => void {
  let width = 0;
  const watch = new ResizeObserver(() => {
    const w = Math.floor(box.clientWidth);
    if (w > 0 && w !== width) {
      width = w;
      sized(w);
    }
  });
  watch.observe(box);
  document.documentElement.addEventListener("schemechange", restyled);
  return () => {
    watch.disconnect();
    document.documentElement.removeEventListener("schemechange", restyled);
  };
}
