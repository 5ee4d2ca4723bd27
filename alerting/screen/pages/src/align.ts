// Lays courses of several throws over each other.

import type { Channel, Phase } from "./api.ts";

/** What of a channel its course is made of. */
export type Sampled = Pick<Channel, "offset_s" | "sample_rate_hz" | "samples">;

/** Value of a channel at s after started_at, between its samples; null outside of them. */
export function valueAt(c: Sampled, s: number): number | null {
  const at = (s - c.offset_s) * c.sample_rate_hz;
  const i = Math.floor(at + 1e-9);
  if (i < 0 || i >= c.samples.length) return null;
  const a = c.samples[i]!;
  const b = c.samples[i + 1];
  const part = Math.max(0, at - i);
  if (b === undefined) return part < 0.5 ? a : null;
  return a + part * (b - a);
}

/**
 * A map of times of one throw to those of another: the bounds of the phases
 * that both have fall on each other, what lies between is stretched, what lies
 * outside is shifted. Without a phase in common the starts fall on each other.
 */
export function phaseMap(from: readonly Phase[], to: readonly Phase[]): (s: number) => number {
  const knots: [number, number][] = [];
  for (const p of from) {
    const q = to.find((x) => x.phase === p.phase);
    if (!q) continue;
    for (const [a, b] of [[p.start_s, q.start_s], [p.end_s, q.end_s]] as const) {
      const last = knots[knots.length - 1];
      if (!last || (a > last[0] + 1e-9 && b >= last[1])) knots.push([a, b]);
    }
  }
  if (knots.length === 0) {
    const shift = (to[0]?.start_s ?? 0) - (from[0]?.start_s ?? 0);
    return (s) => s + shift;
  }
  return (s) => {
    const first = knots[0]!;
    const last = knots[knots.length - 1]!;
    if (s <= first[0]) return s + first[1] - first[0];
    if (s >= last[0]) return s + last[1] - last[0];
    let i = 1;
    while (knots[i]![0] < s) i++;
    const [a0, b0] = knots[i - 1]!;
    const [a1, b1] = knots[i]!;
    return b0 + ((s - a0) / (a1 - a0)) * (b1 - b0);
  };
}

/** The quantile q (0 to 1) of an ascending list, between its values; NaN where it is empty. */
export function quantile(sorted: readonly number[], q: number): number {
  if (sorted.length === 0) return NaN;
  const at = q * (sorted.length - 1);
  const i = Math.floor(at);
  const a = sorted[i]!;
  return a + (at - i) * ((sorted[i + 1] ?? a) - a);
}

export interface Course {
  at: number[]; // s from the start of the movement
  low: (number | null)[]; // 10 %
  mid: (number | null)[]; // mean
  high: (number | null)[]; // 90 %
  throws: number;
}

/** The mean course of several throws and the band of eight in ten of them, from the start of their movement on. */
export function meanCourse(list: readonly { channel: Sampled; start: number }[], parts: number): Course {
  const longest = Math.max(0, ...list.map(({ channel: c, start }) => c.offset_s + c.samples.length / c.sample_rate_hz - start));
  const out: Course = { at: [], low: [], mid: [], high: [], throws: list.length };
  for (let i = 0; i < parts; i++) {
    const s = (longest * i) / (parts - 1);
    const here = list.map(({ channel, start }) => valueAt(channel, start + s)).filter((v) => v !== null).sort((a, b) => a - b);
    out.at.push(s);
    const known = here.length > 0 && 2 * here.length >= list.length; // where most have ended, the few say little
    out.mid.push(known ? here.reduce((a, b) => a + b, 0) / here.length : null);
    out.low.push(known ? quantile(here, 0.1) : null);
    out.high.push(known ? quantile(here, 0.9) : null);
  }
  return out;
}

/** By how many per cent b differs from a; undefined where a is nothing. */
export function percentOf(a: number, b: number): number | undefined {
  return Math.abs(a) < 1e-9 || !Number.isFinite(a) || !Number.isFinite(b) ? undefined : (100 * (b - a)) / Math.abs(a);
}
