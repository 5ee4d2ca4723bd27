// The columns of a turnout's trends, and how newer throws are joined to them.

import type { Column, End, Series, TrendEnd, Trends } from "./api.ts";

const joined = 6000; // throws of one end kept, at most, while the page stays open

export function endOf(t: Trends, to: End): TrendEnd | undefined {
  return t.ends.find((e) => e.to === to);
}

export function seriesOf(e: TrendEnd | undefined, channel: string, feature: string): Series | undefined {
  return e?.series.find((s) => channelOf(s) === channel && s.feature === feature);
}

/** A channel's name among those of its turnout. */
export function channelOf(s: { drive: string; quantity: string }): string {
  return `${s.drive}/${s.quantity}`;
}

/** The latest time in the columns, in s; 0 where there is none. */
export function latest(t: Trends): number {
  return Math.max(0, ...t.ends.map((e) => e.at[e.at.length - 1] ?? 0));
}

/**
 * Joins newer throws to the columns: those whose key is not among the last
 * ones already. Returns how many were joined.
 */
export function join(t: Trends, more: Trends): number {
  let added = 0;
  for (const e of more.ends) {
    const old = endOf(t, e.to);
    if (!old) {
      t.ends.push(e);
      added += e.at.length;
      continue;
    }
    const known = new Set(old.keys.slice(-500));
    const last = old.at[old.at.length - 1] ?? -Infinity;
    const rows = e.at.map((_, i) => i).filter((i) => !known.has(e.keys[i]!) && e.at[i]! >= last);
    if (rows.length === 0) continue;
    const n = old.at.length;
    const take = <T>(to: T[], from: T[]): void => {
      for (const i of rows) to.push(from[i]!);
    };
    take(old.at, e.at);
    take(old.keys, e.keys);
    take(old.completed, e.completed);
    take(old.rail_temperature_c, e.rail_temperature_c);
    for (const s of e.series) if (!seriesOf(old, channelOf(s), s.feature)) old.series.push({ ...s, value: nulls(n), expected: nulls(n), low: nulls(n), high: nulls(n) });
    for (const s of old.series) {
      const from = seriesOf(e, channelOf(s), s.feature);
      for (const c of ["value", "expected", "low", "high"] as const) {
        if (from) take(s[c], from[c]);
        else s[c].push(...nulls(rows.length));
      }
    }
    old.throws += rows.length;
    added += rows.length;
    const over = old.at.length - joined;
    if (over > 0) {
      for (const c of [old.at, old.keys, old.completed, old.rail_temperature_c]) c.splice(0, over);
      for (const s of old.series) for (const c of [s.value, s.expected, s.low, s.high]) c.splice(0, over);
    }
  }
  t.throws += added;
  return added;
}

function nulls(n: number): Column {
  return new Array<null>(n).fill(null);
}

/** Where a value lies against the bounds of what was expected. */
export function against(v: number | null | undefined, low: number | null | undefined, high: number | null | undefined): "within" | "above" | "below" | "unknown" {
  if (v === null || v === undefined || low === null || low === undefined || high === null || high === undefined) return "unknown";
  return v > high ? "above" : v < low ? "below" : "within";
}
