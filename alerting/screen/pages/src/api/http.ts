// How the API is asked.

import type { List } from "./shapes.ts";

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

/** How often a read that finds no room comes again before that is told. */
const comesAgain = 2;

function pause(ms: number, signal?: AbortSignal): Promise<void> {
  return new Promise((done, gone) => {
    const timer = setTimeout(done, ms);
    signal?.addEventListener("abort", () => {
      clearTimeout(timer);
      gone(signal.reason as Error);
    }, { once: true });
  });
}

export async function get<T>(path: string, query: Record<string, string | number | undefined> = {}, signal?: AbortSignal): Promise<T> {
  const q = new URLSearchParams();
  for (const [k, v] of Object.entries(query)) if (v !== undefined && v !== "") q.set(k, String(v));
  const tail = q.toString();
  for (let tries = 0; ; tries++) {
    const res = await fetch(`/api/v1${path}${tail ? "?" + tail : ""}`, { headers: { accept: "application/json" }, ...(signal ? { signal } : {}) });
    const after = Number(res.headers.get("retry-after"));
    if (res.status === 503 && after > 0 && tries < comesAgain) {
      await pause(after * (1 + Math.random()) * 1000, signal); // not all together: many ask at once when the program is back
      continue;
    }
    if (!res.ok) throw await problemOf(res);
    return (await res.json()) as T;
  }
}

/** Whom this page takes to be logged in; "" where nobody needs to be, or it is not known. */
export const self = { name: "" };

async function send<T>(method: string, path: string, kind?: string, body?: BodyInit): Promise<T | undefined> {
  const res = await fetch(`/api/v1${path}`, {
    method,
    // Another may have logged in meanwhile, in another tab: nothing is done in his name.
    headers: { accept: "application/json", ...(self.name ? { "x-throwline-as": self.name } : {}), ...(kind === undefined ? {} : { "content-type": kind }) },
    ...(body === undefined ? {} : { body }),
  });
  if (!res.ok) throw await problemOf(res);
  const text = await res.text();
  return text ? (JSON.parse(text) as T) : undefined;
}

const json = "application/json";

export function post<T>(path: string, body?: unknown): Promise<T | undefined> {
  return body === undefined ? send<T>("POST", path) : send<T>("POST", path, json, JSON.stringify(body));
}

export const put = <T>(path: string, body: unknown): Promise<T | undefined> => send<T>("PUT", path, json, JSON.stringify(body));

/** Puts a CSV file: the file itself, or its text. */
export const putCSV = <T>(path: string, csv: Blob | string): Promise<T | undefined> => send<T>("PUT", path, "text/csv; charset=utf-8", csv);

export const remove = (path: string): Promise<undefined> => send<undefined>("DELETE", path);

/** What was answered, where an answer has to have a body. */
export async function answered<T>(answer: Promise<T | undefined>): Promise<T> {
  const body = await answer;
  if (body === undefined) throw new Problem(502, "expected an answer with a body, found none");
  return body;
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
