// Times by the clock on the wall of some zone.

import { h } from "../dom.ts";
import { bothZones } from "../time.ts";

function parts(t: number, zone: string): Record<string, string> {
  const f = new Intl.DateTimeFormat("en-GB", {
    timeZone: zone, hourCycle: "h23", weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", timeZoneName: "longOffset",
  });
  return Object.fromEntries(f.formatToParts(t).map((p) => [p.type, p.value]));
}

/** What the wall shows, as a datetime-local field has it. */
export function wall(t: number, zone: string): string {
  const f = new Intl.DateTimeFormat("en-CA", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit" });
  const p = Object.fromEntries(f.formatToParts(t).map((x) => [x.type, x.value]));
  return `${p.year}-${p.month}-${p.day}T${p.hour}:${p.minute}`;
}

/** The next full hour on the wall; "" where the zone is none. */
export function wallNow(zone: string, now: number): string {
  try {
    return wall(Math.ceil(now / 3600e3) * 3600e3, zone);
  } catch {
    return "";
  }
}

/** A time by the zone's wall, with how far it is from UTC: that is where daylight saving shows; undated leaves the date out. */
export function moment(iso: string, zone: string, undated = false): HTMLTimeElement {
  const t = Date.parse(iso);
  const p = parts(t, zone);
  const offset = (p.timeZoneName ?? "").replace("GMT", "") || "+00:00";
  return h("time", { datetime: iso, title: bothZones(t), class: "wall-time", data: { offset } },
    `${p.weekday} ${undated ? "" : `${p.day} ${p.month} ${p.year} `}${p.hour}:${p.minute} `, h("span", { class: "soft" }, offset));
}
