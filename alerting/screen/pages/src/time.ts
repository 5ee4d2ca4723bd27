// Times as people read them: in the browser's zone or in UTC, as chosen, the
// other one at hand in the title; and how long ago by the yard's own clock.

import { h, remember, remembered } from "./dom.ts";
import { yardNow } from "./clock.ts";

let utc = remembered("zone") === "utc";
const listeners = new Set<() => void>();

export function isUTC(): boolean {
  return utc;
}

/** UTC from now on, or the browser's zone; every time on the page is written anew. */
export function setUTC(on: boolean): void {
  utc = on;
  remember("zone", on ? "utc" : null);
  refreshTimes(document);
  for (const f of listeners) f();
}

export function onZone(f: () => void): () => void {
  listeners.add(f);
  return () => listeners.delete(f);
}

export function zoneName(): string {
  if (utc) return "UTC";
  const part = new Intl.DateTimeFormat("en-GB", { timeZoneName: "short" }).formatToParts(yardNow()).find((p) => p.type === "timeZoneName");
  return part?.value ?? "local";
}

const made = new Map<string, Intl.DateTimeFormat>();

function format(key: string, options: Intl.DateTimeFormatOptions, inUTC: boolean): Intl.DateTimeFormat {
  const k = key + (inUTC ? "Z" : "");
  let f = made.get(k);
  if (!f) {
    f = new Intl.DateTimeFormat("en-GB", { hourCycle: "h23", ...options, ...(inUTC ? { timeZone: "UTC" } : {}) });
    made.set(k, f);
  }
  return f;
}

const minute: Intl.DateTimeFormatOptions = { hour: "2-digit", minute: "2-digit" };
const second: Intl.DateTimeFormatOptions = { ...minute, second: "2-digit" };
const day: Intl.DateTimeFormatOptions = { day: "numeric", month: "short" };

export type Style = "moment" | "minute" | "second" | "full" | "day" | "month";

/**
 * Writes a time (ms since 1970): "second" and "minute" are times of day,
 * "moment" leaves out what goes without saying on the yard's day.
 */
export function written(t: number, style: Style, inUTC = utc): string {
  switch (style) {
    case "minute":
      return format("m", minute, inUTC).format(t);
    case "second":
      return format("s", second, inUTC).format(t);
    case "day":
      return format("d", day, inUTC).format(t);
    case "month":
      return format("mo", { month: "short", year: "numeric" }, inUTC).format(t);
    case "full":
      return format("f", { weekday: "short", ...day, year: "numeric" }, inUTC).format(t) + " " + format("s", second, inUTC).format(t);
  }
  const dated = (x: number): string => format("dy", { ...day, year: "numeric" }, inUTC).format(x);
  const now = yardNow();
  if (dated(t) === dated(now)) return format("s", second, inUTC).format(t);
  const sameYear = Math.abs(now - t) < 300 * 86400e3;
  return (sameYear ? format("d", day, inUTC).format(t) : dated(t)) + " " + format("m", minute, inUTC).format(t);
}

/** The same moment in full, in both zones. */
export function bothZones(t: number): string {
  const local = written(t, "full", false);
  return `${local} local time\n${written(t, "full", true)} UTC\n${new Date(t).toISOString()}`;
}

/** Writes a span of ms as one or two units: "4 h 12 min". */
export function span(ms: number): string {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 60) return `${s} s`;
  const m = Math.floor(s / 60);
  if (m < 60) return m < 10 && s % 60 ? `${m} min ${s % 60} s` : `${m} min`;
  const hours = Math.floor(m / 60);
  if (hours < 24) return m % 60 ? `${hours} h ${m % 60} min` : `${hours} h`;
  const d = Math.floor(hours / 24);
  return d < 10 && hours % 24 ? `${d} d ${hours % 24} h` : `${d} d`;
}

export function ago(t: number): string {
  const passed = yardNow() - t;
  return passed < 1500 ? "just now" : span(passed) + " ago";
}

/** An element that shows a time and follows the choice of zone. */
export function when(iso: string, style: Style = "moment"): HTMLTimeElement {
  const t = Date.parse(iso);
  const el = h("time", { datetime: iso, data: { style }, title: bothZones(t) });
  el.textContent = written(t, style);
  return el;
}

/** An element that shows how long ago a time was and keeps up with the yard's clock. */
export function since(iso: string, word: "ago" | "for" = "ago"): HTMLTimeElement {
  const el = h("time", { datetime: iso, data: { ago: word }, title: bothZones(Date.parse(iso)) });
  tick(el);
  return el;
}

function tick(el: HTMLTimeElement): void {
  const t = Date.parse(el.dateTime);
  const text = el.dataset.ago === "for" ? span(yardNow() - t) : ago(t);
  if (el.textContent !== text) el.textContent = text;
}

/** Brings every "ago" up to date. */
export function tickTimes(root: ParentNode): void {
  for (const el of root.querySelectorAll<HTMLTimeElement>("time[data-ago]")) tick(el);
}

function refreshTimes(root: ParentNode): void {
  for (const el of root.querySelectorAll<HTMLTimeElement>("time[data-style]")) el.textContent = written(Date.parse(el.dateTime), el.dataset.style as Style);
}

/** The value of a datetime-local field for a time, in the zone chosen. */
export function fieldValue(t: number): string {
  const d = new Date(t);
  const shifted = utc ? d : new Date(t - d.getTimezoneOffset() * 60e3);
  return shifted.toISOString().slice(0, 16);
}

/** Reads a datetime-local field in the zone chosen; undefined where it is empty. */
export function fieldTime(value: string): string | undefined {
  if (!value) return undefined;
  const d = new Date(utc ? value + "Z" : value);
  return Number.isNaN(d.getTime()) ? undefined : d.toISOString();
}
