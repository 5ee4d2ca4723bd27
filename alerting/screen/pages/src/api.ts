// The shapes of the API, and how it is asked.

export type End = "normal" | "reverse";
export type Priority = "high" | "medium" | "low";

export interface List<T> {
  items: T[];
  next?: string;
}

export interface Cause {
  cause: string;
  probability: number;
  evidence: string[];
  checks: string[];
}

export interface Forecast {
  limit: string;
  days_p10: number;
  days_p50: number;
  days_p90: number;
}

export interface Alert {
  id: string;
  turnout: string;
  to?: End;
  drive?: string;
  condition: string;
  priority: Priority;
  causes: Cause[];
  change_percent?: number;
  since: string;
  throw_id?: string;
  forecast?: Forecast;
  raised_at: string;
  changed_at: string;
  cleared_at?: string;
}

export interface AlertEvent {
  event: "raised" | "changed" | "cleared";
  at: string;
  alert: Alert;
}

export interface Learning {
  to: End;
  throws: number;
  needed: number;
  total: number;
}

export interface Turnout {
  turnout: string;
  quantities: string[];
  drives: string[];
  last_throw_at?: string;
  last_to?: End;
  completed: boolean;
  learning: Learning[];
  state: "learning" | "watched" | "alert";
  open_alerts: number;
  priority?: Priority;
}

export interface Work {
  done_at: string;
  work: string;
  note?: string;
  by?: string;
  /** One for each end and drive that has been judged. */
  verdicts?: Verdict[];
}

/** What the throws after a visit say of it. */
export interface Verdict {
  to: End;
  drive: string;
  work: string;
  done_at: string;
  outcome: "helped" | "not-helped" | "routine";
  throws: number;
  said: string;
}

/** What many turnouts of an area feel together. */
export interface Notice {
  area: string;
  what: "effort" | "time";
  since: string;
  change_percent: number;
  turnouts: number;
  of: number;
  said: string;
}

export interface TurnoutDetail extends Turnout {
  alerts: Alert[];
  work: Work[];
}

export interface FeatureValue {
  value: number;
  unit: string;
  expected?: number;
  low?: number;
  high?: number;
}

export interface Phase {
  phase: string;
  start_s: number;
  end_s: number;
}

export interface Past {
  throws: number;
  duration_s: number;
  low: (number | null)[];
  mid: (number | null)[];
  high: (number | null)[];
}

export interface Trace {
  drive: string;
  quantity: string;
  unit: string;
  doubts: string[];
  phases: Phase[];
  features: Record<string, FeatureValue>;
  past?: Past;
}

export interface Throw {
  key: string;
  throw_id?: string;
  turnout: string;
  cabinet?: string;
  to: End;
  started_at: string;
  arrived_at: string;
  completed: boolean;
  rail_temperature_c?: number;
  supply_v?: number;
  detections: { place: string; after_s: number }[];
  traces: Trace[];
}

export interface Channel {
  drive: string;
  quantity: string;
  unit: string;
  sample_rate_hz: number;
  offset_s: number;
  samples: (number | null)[];
}

export interface ThrowDetail extends Throw {
  channels: Channel[];
  previous?: string;
  next?: string;
}

export type Column = (number | null)[];

export interface Series {
  drive: string;
  quantity: string;
  feature: string;
  unit: string;
  value: Column;
  expected: Column;
  low: Column;
  high: Column;
}

export interface TrendEnd {
  to: End;
  throws: number;
  thinned: boolean;
  at: number[];
  keys: string[];
  completed: boolean[];
  rail_temperature_c: Column;
  series: Series[];
}

export interface Trends {
  turnout: string;
  throws: number;
  truncated: boolean;
  ends: TrendEnd[];
}

/** Whether one feature has a trend, in medians of days. */
export interface Trend {
  to: End;
  feature: string;
  unit: string;
  at: number[];
  value: Column;
  level: Column;
  low: Column;
  high: Column;
  after_work: boolean;
  slope?: { per_week: number; p: number };
  said: string;
}

/** How far one trace's course stands from those of its past. */
export interface Likeness {
  drive: string;
  quantity: string;
  throws: number;
  t2?: number;
  t2_limit?: number;
  spe?: number;
  spe_limit?: number;
  beyond: boolean;
  said: string;
}

export interface Reason {
  path: string;
  expected: string;
  found: string;
}

export interface SetAside {
  id: number;
  at: string;
  topic: string;
  turnout?: string;
  size: number;
  reasons: Reason[];
  retries: number;
}

export interface SetAsideDetail extends SetAside {
  payload: string;
  payload_encoding: "text" | "base64";
}

export interface Cabinet {
  cabinet: string;
  state: "online" | "offline";
  at: string;
  agent?: string;
  clock_offset_s?: number;
}

export interface Status {
  version: string;
  now: string;
  demo: boolean;
  ready: boolean;
  reason?: string;
  turnouts: number;
  learning: number;
  open_alerts: number;
  last_throw_at?: string;
}

export interface ThrowSummary {
  key: string;
  turnout: string;
  cabinet?: string;
  to: End;
  started_at: string;
  arrived_at: string;
  completed: boolean;
  duration_s?: number;
  throws: number;
}

/** An answer that is not what was asked for. */
export class Problem extends Error {
  readonly status: number;
  readonly details: { location?: string; message: string }[];
  constructor(status: number, message: string, details: { location?: string; message: string }[] = []) {
    super(message);
    this.status = status;
    this.details = details;
  }
}

async function problemOf(res: Response): Promise<Problem> {
  let body: { title?: string; detail?: string; errors?: { location?: string; message: string }[] } = {};
  try {
    body = (await res.json()) as typeof body;
  } catch {
    // Not a problem document: the status has to do.
  }
  return new Problem(res.status, body.detail ?? body.title ?? `answered ${res.status} ${res.statusText}`, body.errors ?? []);
}

export async function get<T>(path: string, query: Record<string, string | number | undefined> = {}, signal?: AbortSignal): Promise<T> {
  const q = new URLSearchParams();
  for (const [k, v] of Object.entries(query)) if (v !== undefined && v !== "") q.set(k, String(v));
  const tail = q.toString();
  const res = await fetch(`/api/v1${path}${tail ? "?" + tail : ""}`, { headers: { accept: "application/json" }, ...(signal ? { signal } : {}) });
  if (!res.ok) throw await problemOf(res);
  return (await res.json()) as T;
}

export async function post<T>(path: string, body?: unknown): Promise<T | undefined> {
  const res = await fetch(`/api/v1${path}`, {
    method: "POST",
    headers: { accept: "application/json", ...(body === undefined ? {} : { "content-type": "application/json" }) },
    ...(body === undefined ? {} : { body: JSON.stringify(body) }),
  });
  if (!res.ok) throw await problemOf(res);
  const text = await res.text();
  return text ? (JSON.parse(text) as T) : undefined;
}

/** Reads a list to its end, or to about most items; more tells whether there is more. */
export async function all<T>(path: string, query: Record<string, string | number | undefined>, most: number, signal?: AbortSignal): Promise<{ items: T[]; more: boolean }> {
  const items: T[] = [];
  let cursor: string | undefined;
  do {
    const page: List<T> = await get<List<T>>(path, { ...query, limit: Math.min(1000, most), cursor }, signal);
    items.push(...page.items);
    cursor = page.next || undefined;
  } while (cursor && items.length < most);
  return { items, more: Boolean(cursor) };
}

export const segment = encodeURIComponent;
