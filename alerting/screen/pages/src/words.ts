// What the API's words mean to people.

import type { Alert, Cause, End, Forecast, Priority, Turnout } from "./api.ts";

const conditions: Record<string, [string, string]> = {
  stiffening: ["Stiffening", "the effort to throw is rising against this turnout’s own past"],
  "slow-throw": ["Slow throw", "the throw takes longer than its past says"],
  "incomplete-throw": ["Incomplete throw", "the commanded end was not detected in time"],
  "odd-throw": ["Odd throw", "one throw unlike any before it, above what single throws vary by"],
  "late-detection": ["Late detection", "the blades arrived, detection followed late or at one place only"],
  "weak-supply": ["Weak supply", "the drive’s supply explains what is seen"],
  "doubtful-measurement": ["Doubtful measurement", "the sensor, not the turnout, has changed"],
  "cabinet-silent": ["Cabinet silent", "a cabinet has stopped sending"],
};

export function conditionName(c: string): string {
  return conditions[c]?.[0] ?? plain(c);
}

export function conditionMeaning(c: string): string {
  return conditions[c]?.[1] ?? "";
}

const causes: Record<string, string> = {
  measurement: "the measurement, not the turnout",
  unknown: "something else",
  "supply-voltage": "the supply voltage",
  "back-drive": "the back drive",
  "lock-adjustment": "the lock’s adjustment",
  "detection-adjustment": "the detection’s adjustment",
  "hydraulic-leak": "a hydraulic leak",
  "seized-roller": "a seized roller",
  obstruction: "an obstruction",
};

export function causeName(c: string): string {
  return causes[c] ?? plain(c);
}

function plain(c: string): string {
  return c.replaceAll(/[-_]/g, " ");
}

/** A probability in a word that goes before a cause's name. */
export function likelihood(probability: number): string {
  const p = Math.round(100 * probability) / 100; // as it is shown beside the word
  if (p >= 0.95) return "Almost certainly";
  if (p >= 0.75) return "Very likely";
  if (p >= 0.5) return "Likely";
  if (p >= 0.35) return "Perhaps";
  return "No cause stands out; first";
}

export function causeLine(c: Cause): string {
  return `${likelihood(c.probability)} ${causeName(c.cause)}`;
}

export function percent(p: number): string {
  const n = Math.round(100 * p);
  return `${n === 0 && p > 0 ? "under 1" : n}\u00a0%`;
}

export function change(p: number): string {
  return `${p > 0 ? "+" : p < 0 ? "−" : ""}${Math.abs(p) < 10 ? Math.abs(p).toFixed(1) : Math.round(Math.abs(p))}\u00a0%`;
}

/** In hours where the middle is under two days: less is not known any better, but is nearer. */
export function forecastLine(f: Forecast): string {
  const inHours = f.days_p50 < 2;
  const said = (d: number): string => {
    const n = inHours ? 24 * d : d;
    return Number(n.toFixed(n < 1 ? 1 : 0)).toLocaleString("en-GB");
  };
  const [low, mid, high] = [said(f.days_p10), said(f.days_p50), said(f.days_p90)];
  return `about ${mid}\u00a0${inHours ? (mid === "1" ? "hour" : "hours") : "days"}${low === high ? "" : ` (${low}\u00a0to\u00a0${high})`} until ${f.limit}`;
}

export function toEnd(e: End | undefined): string {
  return e ? `to ${e}` : "both ends";
}

export function alertTitle(a: Alert): string {
  return `${a.turnout} ${a.to ? toEnd(a.to) + " " : ""}${conditionName(a.condition).toLowerCase()}`;
}

const quantities: Record<string, string> = {
  motor_current: "motor current",
  motor_power: "motor power",
  supply_voltage: "supply voltage",
  hydraulic_pressure: "hydraulic pressure",
  displacement: "displacement",
  drive_force: "drive force",
};

export function quantityName(q: string): string {
  return quantities[q] ?? plain(q);
}

/** The features, in the order in which they are offered. */
export const features: Record<string, string> = {
  duration: "Duration",
  effort: "Effort",
  travel_mean: "Travel, mean",
  unlock_peak: "Unlocking, peak",
  lock_peak: "Locking, peak",
  inrush_peak: "Inrush, peak",
  unlock_time: "Unlocking, time",
  travel_time: "Travel, time",
  travel_peak: "Travel, peak",
  travel_rise: "Travel, rise from first to last third",
  lock_time: "Locking, time",
  lock_mean: "Locking, mean",
  tail_time: "Tail, time",
  tail_mean: "Tail, mean",
  ripple: "Ripple of the travel",
  idle: "Idle level",
};

export const usualFeatures = ["duration", "effort", "travel_mean", "unlock_peak", "lock_peak"];

export function featureName(f: string): string {
  return features[f] ?? plain(f);
}

export const workKinds = ["inspected", "cleaned", "lubricated", "adjusted", "repaired", "replaced", "other"];

const doubts: Record<string, string> = {
  clipped: "stands at its highest value for long",
  flat: "does not move at all",
  "missing-start": "begins in the middle of the movement",
  "missing-end": "ends in the middle of the movement",
  noisy: "sensor noise hides the movement",
  "negative-sign": "reads less than nothing: the effort is measured on the trace upside down, but for a pressure",
};

export function doubtName(d: string): string {
  return doubts[d] ?? plain(d);
}

/** A number with about three significant digits. */
export function figure(v: number | null | undefined): string {
  if (v === null || v === undefined || !Number.isFinite(v)) return "–";
  const a = Math.abs(v);
  const decimals = a >= 100 ? 0 : a >= 10 ? 1 : a >= 1 ? 2 : 3;
  const text = v.toFixed(decimals).replace("-", "−");
  return Number(v.toFixed(decimals)) === 0 ? "0" : text;
}

export function withUnit(v: number | null | undefined, unit: string): string {
  return v === null || v === undefined ? "–" : `${figure(v)}\u00a0${unit}`;
}

/** The largest unit of bytes that leaves a number from 1 on. */
export function bytes(n: number): string {
  if (n < 1024) return `${n} B`;
  return n < 1 << 20 ? `${figure(n / 1024)} KiB` : `${figure(n / (1 << 20))} MiB`;
}

export function stateName(t: Turnout): string {
  if (t.state === "alert") return t.open_alerts === 1 ? "one alert" : `${t.open_alerts} alerts`;
  return t.state;
}

export function count(n: number, one: string, many: string): string {
  return `${n.toLocaleString("en-GB")} ${n === 1 ? one : many}`;
}

export const rank: Record<Priority, number> = { high: 0, medium: 1, low: 2 };

/** Worst first, newest first among equals. */
export function pressing(a: Alert, b: Alert): number {
  return rank[a.priority] - rank[b.priority] || Date.parse(b.raised_at) - Date.parse(a.raised_at) || (a.id < b.id ? -1 : 1);
}
