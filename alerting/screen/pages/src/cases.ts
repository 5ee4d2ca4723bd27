// What lives of the alerts, as people handle it: read as a whole, kept up by
// the event stream, in the sections in which it is shown.

import type { Case, List, Standing } from "./api.ts";
import { rank } from "./words.ts";

export type Section = "calls" | "acknowledged" | "returned" | "hidden";

/** What is over has no section. */
export function sectionOf(s: Standing): Section | undefined {
  switch (s) {
    case "unacknowledged":
      return "calls";
    case "acknowledged":
      return "acknowledged";
    case "returned-unacknowledged":
      return "returned";
    case "normal":
      return undefined;
  }
  return "hidden";
}

/** When it called for someone last. */
export function calledAt(c: Case): string {
  return [c.raised_at, c.reopened_at, c.called_at].filter((t) => t !== undefined).reduce((a, b) => (Date.parse(b) > Date.parse(a) ? b : a));
}

/** One call of an alert: who acknowledges answers this one. */
export const callOf = (c: Case): string => `${c.id}#${c.call ?? 0}`;

/** What the case is about: a turnout, or a cabinet. */
export const subject = (c: { turnout: string; cabinet?: string }): string => c.turnout || c.cabinet || "?";

const most = 20_000;

type Pages = (cursor: string | undefined) => Promise<List<Case>>;

export class Cases {
  private readonly load: Pages;
  private readonly listeners = new Set<() => void>();
  private readonly callers = new Set<(fresh: Case[]) => void>();
  private byID = new Map<string, Case>();
  private met = new Set<string>(); // calls that are no news any more
  private sorted: Record<Section, Case[]> | undefined;
  private early: Case[] | undefined; // what came while the list was read
  private turn = 0;
  private known = false;
  private cut = false;

  /** load reads one page of what lives; the first without a cursor. */
  constructor(load: Pages) {
    this.load = load;
  }

  /** Calls f whenever something has changed. */
  subscribe(f: () => void): () => void {
    this.listeners.add(f);
    return () => this.listeners.delete(f);
  }

  /** Calls f with what calls for someone and did not before; not with what stood at the first reading. */
  onCalls(f: (fresh: Case[]) => void): () => void {
    this.callers.add(f);
    return () => this.callers.delete(f);
  }

  ready(): boolean {
    return this.known;
  }

  /** Whether there is more than is held. */
  truncated(): boolean {
    return this.cut;
  }

  get(id: string): Case | undefined {
    return this.byID.get(id);
  }

  /** A section in the order in which it is to be dealt with. */
  section(s: Section): readonly Case[] {
    if (!this.sorted) {
      this.sorted = { calls: [], acknowledged: [], returned: [], hidden: [] };
      for (const c of this.byID.values()) {
        const at = sectionOf(c.standing);
        if (at) this.sorted[at].push(c);
      }
      for (const list of Object.values(this.sorted)) list.sort(first);
    }
    return this.sorted[s];
  }

  size(): number {
    return this.byID.size;
  }

  /** What calls and nobody here has looked at yet. */
  fresh(): Case[] {
    return this.section("calls").filter((c) => !this.met.has(callOf(c)));
  }

  /** Somebody has looked at all of it. */
  seen(): void {
    for (const c of this.section("calls")) this.met.add(callOf(c));
    this.tell();
  }

  /** Reads the list anew; what calls since it was last read is new. */
  async reload(): Promise<void> {
    const mine = ++this.turn;
    const early = (this.early ??= []);
    const held = new Map<string, Case>();
    let cursor: string | undefined;
    try {
      do {
        const page = await this.load(cursor);
        if (mine !== this.turn) return;
        for (const c of page.items) held.set(c.id, c);
        cursor = page.next || undefined;
        if (!this.known) this.hold(held, !cursor); // the first page has what matters first: it is shown at once
      } while (cursor && held.size < most);
      this.cut = Boolean(cursor);
      // What came meanwhile is newer than what was read.
      for (const c of early) if (sectionOf(c.standing)) held.set(c.id, c); else held.delete(c.id);
      this.hold(held, true);
      this.known = true;
    } finally {
      if (mine === this.turn) {
        this.early = undefined;
        for (const c of early) this.apply(c);
      }
    }
  }

  /** A case as it stands now. */
  apply(c: Case): void {
    if (!c.id) {
      void this.reload().catch(() => undefined); // the server could not write it: the list tells
      return;
    }
    this.early?.push(c);
    if (!this.known) return;
    const news = this.isNews(c);
    if (c.standing !== "unacknowledged") this.met.delete(callOf(c)); // when its shelving ends, it is news again
    if (sectionOf(c.standing)) this.byID.set(c.id, c);
    else this.byID.delete(c.id);
    this.tell(news ? [c] : []);
  }

  private isNews(c: Case): boolean {
    if (c.standing !== "unacknowledged" || this.met.has(callOf(c))) return false;
    const old = this.byID.get(c.id);
    return old?.standing !== "unacknowledged" || callOf(old) !== callOf(c);
  }

  private hold(held: Map<string, Case>, whole: boolean): void {
    const news = this.known ? [...held.values()].filter((c) => this.isNews(c)) : [];
    for (const c of held.values()) {
      if (c.standing !== "unacknowledged") this.met.delete(callOf(c));
      else if (!this.known) this.met.add(callOf(c));
    }
    this.byID = held;
    this.known = whole || this.known;
    this.tell(news);
  }

  private tell(news: Case[] = []): void {
    this.sorted = undefined;
    if (this.met.size > 4 * most) this.met = new Set(this.section("calls").map(callOf));
    for (const f of this.listeners) f();
    if (news.length > 0) for (const f of this.callers) f(news);
  }
}

/** What to do first: the more serious, then what has the least time, then the newer call. */
function first(a: Case, b: Case): number {
  return rank[a.priority] - rank[b.priority] || days(a) - days(b) || called(b) - called(a) || (a.id < b.id ? -1 : 1);
}

const days = (c: Case): number => c.forecast?.days_p50 ?? (c.condition === "incomplete-throw" ? 0 : 1e6);

// Of ten thousand cases each is compared many times.
const times = new WeakMap<Case, number>();

function called(c: Case): number {
  let t = times.get(c);
  if (t === undefined) times.set(c, (t = Date.parse(calledAt(c))));
  return t;
}
