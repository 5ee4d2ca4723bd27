// The course of the past, laid beneath a trace.

import type { Trace } from "../api.ts";

/** Where and what the past was, in s from started_at. */
export interface PastBand {
  at: number[];
  low: (number | null)[];
  mid: (number | null)[];
  high: (number | null)[];
  throws: number;
}

/** Lays the past beneath a trace: it begins where this trace's movement does, and lasts as long as is usual. */
export function pastBand(t: Trace): PastBand | undefined {
  const past = t.past;
  if (!past || past.throws === 0 || !(past.duration_s > 0)) return undefined;
  const start = t.phases[0]?.start_s ?? 0;
  const part = past.duration_s / past.mid.length;
  return { at: past.mid.map((_, i) => start + (i + 0.5) * part), low: past.low, mid: past.mid, high: past.high, throws: past.throws };
}
