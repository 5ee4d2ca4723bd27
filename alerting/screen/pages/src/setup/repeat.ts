// How a window repeats: the rule of RFC 5545 that the API takes, and its words.

export type Freq = "" | "DAILY" | "WEEKLY" | "MONTHLY";

export interface Repeat {
  freq: Freq;
  interval: number;
  /** MO or, of a month, 1SU or -1FR. */
  days: string[];
  /** A date (2026-12-31) or "". */
  until: string;
  /** 0: without end. */
  count: number;
}

export const weekdays: [code: string, name: string][] = [
  ["MO", "Monday"], ["TU", "Tuesday"], ["WE", "Wednesday"], ["TH", "Thursday"], ["FR", "Friday"], ["SA", "Saturday"], ["SU", "Sunday"],
];

export const once = (): Repeat => ({ freq: "", interval: 1, days: [], until: "", count: 0 });

/** The rule; "" for once. */
export function rule(r: Repeat): string {
  if (!r.freq) return "";
  return [`FREQ=${r.freq}`, r.interval > 1 && `INTERVAL=${r.interval}`, r.days.length > 0 && `BYDAY=${r.days.join(",")}`,
    r.count > 0 ? `COUNT=${r.count}` : r.until && `UNTIL=${r.until.replaceAll("-", "")}`].filter(Boolean).join(";");
}

/** Reads a rule; undefined where it says more than these pages can. */
export function readRule(s: string | undefined): Repeat | undefined {
  const r = once();
  if (!s) return r;
  for (const part of s.replace(/^RRULE:/, "").split(";")) {
    const [name, value = ""] = part.split("=");
    if (name === "FREQ" && /^(DAILY|WEEKLY|MONTHLY)$/.test(value)) r.freq = value as Freq;
    else if (name === "INTERVAL" && Number(value) >= 1) r.interval = Number(value);
    else if (name === "BYDAY") r.days = value.split(",");
    else if (name === "COUNT" && Number(value) >= 1) r.count = Number(value);
    else if (name === "UNTIL" && /^\d{8}(T\d{6}Z)?$/.test(value)) {
      if (value.length > 8) return undefined;
      r.until = `${value.slice(0, 4)}-${value.slice(4, 6)}-${value.slice(6)}`;
    } else return undefined;
  }
  return r.freq ? r : undefined;
}

const nth: Record<string, string> = { "1": "first", "2": "second", "3": "third", "4": "fourth", "5": "fifth", "-1": "last", "-2": "second last", "-3": "third last", "-4": "fourth last", "-5": "fifth last" };

function dayName(d: string): string {
  const name = weekdays.find(([c]) => c === d.slice(-2))?.[1] ?? d;
  const n = d.slice(0, -2);
  return n ? `the ${nth[n] ?? n} ${name}` : name;
}

/** Written as a list: a, b and c. */
export function listed(words: string[], last = "and"): string {
  return words.length < 2 ? (words[0] ?? "") : `${words.slice(0, -1).join(", ")} ${last} ${words.at(-1)!}`;
}

const dated = (date: string): string => new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "long", year: "numeric", timeZone: "UTC" }).format(Date.parse(date + "T00:00Z"));

/** The rule in words; start is the first day, 2026-03-01. */
export function inWords(s: string | undefined, start: string): string {
  const r = readRule(s);
  if (!r) return s ?? "once";
  if (!r.freq) return "once";
  const every = { DAILY: "day", WEEKLY: "week", MONTHLY: "month" }[r.freq];
  const day = new Date(start.slice(0, 10) + "T00:00Z");
  const known = !Number.isNaN(day.getTime());
  let days = r.days.map(dayName);
  if (days.length === 0 && known && r.freq === "WEEKLY") days = [weekdays[(day.getUTCDay() + 6) % 7]![1]];
  let text = r.interval === 1 ? `every ${every}` : `every ${r.interval} ${every}s`;
  const work = r.days.length === 5 && ["MO", "TU", "WE", "TH", "FR"].every((d) => r.days.includes(d));
  if (r.freq === "WEEKLY" && r.interval === 1 && days.length > 0) text = work ? "Monday to Friday" : `every ${listed(days)}`;
  else if (r.freq === "MONTHLY" && days.length === 0) text += known ? ` on day ${day.getUTCDate()}` : "";
  else if (days.length > 0) text += ` on ${listed(days)}`;
  if (r.count > 0) text += r.count === 1 ? ", one time" : `, ${r.count} times`;
  else if (r.until) text += ` until ${dated(r.until)}`;
  return text;
}

/** How many days of the rule lie from the first day to a last one, both counted; dates as 2026-03-01. */
export function occurrences(r: Repeat, start: string, last: string): number {
  const day = 86400e3;
  const first = Date.parse(start.slice(0, 10) + "T00:00Z");
  const monday = first - ((new Date(first).getUTCDay() + 6) % 7) * day;
  const s = new Date(first);
  let n = 0;
  for (let t = first; t <= Date.parse(last.slice(0, 10) + "T00:00Z"); t += day) {
    const d = new Date(t);
    const code = weekdays[(d.getUTCDay() + 6) % 7]![0];
    const length = new Date(Date.UTC(d.getUTCFullYear(), d.getUTCMonth() + 1, 0)).getUTCDate();
    const i = d.getUTCDate() - 1;
    const named = r.days.some((x) => x.slice(-2) === code && (x.length === 2 || Number(x.slice(0, -2)) === Math.floor(i / 7) + 1 || Number(x.slice(0, -2)) === -Math.floor((length - 1 - i) / 7) - 1));
    const months = 12 * (d.getUTCFullYear() - s.getUTCFullYear()) + d.getUTCMonth() - s.getUTCMonth();
    if (r.freq === "" ? t === first
      : r.freq === "DAILY" ? Math.round((t - first) / day) % r.interval === 0 && (r.days.length === 0 || named)
      : r.freq === "WEEKLY" ? Math.floor((t - monday) / (7 * day)) % r.interval === 0 && (named || (r.days.length === 0 && d.getUTCDay() === s.getUTCDay()))
      : months % r.interval === 0 && (named || (r.days.length === 0 && d.getUTCDate() === s.getUTCDate()))) n++;
  }
  return n;
}

/** A length in min, in words. */
export function lengthWords(minutes: number): string {
  const d = Math.floor(minutes / 1440);
  const h = Math.floor((minutes % 1440) / 60);
  const m = Math.round(minutes % 60);
  return [d && `${d} ${d === 1 ? "day" : "days"}`, h && `${h} h`, m && `${m} min`].filter(Boolean).join(" ") || "0 min";
}
