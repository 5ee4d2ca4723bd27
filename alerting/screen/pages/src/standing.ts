// The alerts that stand and those cleared lately, kept up by the event stream,
// and which of them nobody has looked at yet.

import type { Alert, AlertEvent } from "./api.ts";
import { pressing } from "./words.ts";

export interface Loaded {
  open: Alert[];
  cleared: Alert[];
}

const clearedKept = 60;

export class Standing {
  private readonly load: () => Promise<Loaded>;
  private readonly listeners = new Set<() => void>();
  private readonly byID = new Map<string, Alert>();
  private readonly unseen = new Map<string, "raised" | "changed">();
  private early: AlertEvent[] | undefined; // what came while the lists were read
  private known = false;

  constructor(load: () => Promise<Loaded>) {
    this.load = load;
  }

  /** Calls f whenever an alert or what is new has changed. */
  subscribe(f: () => void): () => void {
    this.listeners.add(f);
    return () => this.listeners.delete(f);
  }

  /** Whether the lists have been read. */
  ready(): boolean {
    return this.known;
  }

  /** Reads the lists anew; what came up since they were last read is new. */
  async reload(): Promise<void> {
    this.early ??= [];
    try {
      const { open, cleared } = await this.load();
      const before = new Map(this.byID);
      this.byID.clear();
      for (const a of [...cleared, ...open]) {
        this.byID.set(a.id, a);
        if (this.known && !a.cleared_at && !before.has(a.id)) this.unseen.set(a.id, "raised");
      }
      this.known = true;
    } finally {
      const events = this.early ?? [];
      this.early = undefined;
      for (const e of events) this.take(e);
      this.forget();
      this.tell();
    }
  }

  apply(e: AlertEvent): void {
    if (!e.alert?.id) {
      // The server could not write it: the lists tell.
      void this.reload().catch(() => undefined);
      return;
    }
    if (this.early) this.early.push(e);
    else {
      this.take(e);
      this.forget();
      this.tell();
    }
  }

  open(): Alert[] {
    return [...this.byID.values()].filter((a) => !a.cleared_at).sort(pressing);
  }

  /** Cleared alerts, the latest first. */
  cleared(): Alert[] {
    return [...this.byID.values()].filter((a) => a.cleared_at).sort((a, b) => Date.parse(b.cleared_at ?? "") - Date.parse(a.cleared_at ?? ""));
  }

  /** What nobody has looked at: raised or changed since. */
  news(id: string): "raised" | "changed" | undefined {
    return this.unseen.get(id);
  }

  /** The open alerts that nobody has looked at, worst first. */
  fresh(): Alert[] {
    return this.open().filter((a) => this.unseen.has(a.id));
  }

  /** Somebody has looked at the alert, or at all of them. */
  seen(id?: string): void {
    if (id === undefined) this.unseen.clear();
    else if (!this.unseen.delete(id)) return;
    this.tell();
  }

  private take(e: AlertEvent): void {
    const old = this.byID.get(e.alert.id);
    if (old && Date.parse(old.changed_at) > Date.parse(e.alert.changed_at)) return;
    this.byID.set(e.alert.id, e.alert);
    if (e.event === "cleared") this.unseen.delete(e.alert.id);
    else if (e.event === "raised") this.unseen.set(e.alert.id, "raised");
    else if (!this.unseen.has(e.alert.id)) this.unseen.set(e.alert.id, "changed");
  }

  private forget(): void {
    for (const a of this.cleared().slice(clearedKept)) this.byID.delete(a.id);
    for (const id of this.unseen.keys()) if (this.byID.get(id)?.cleared_at !== undefined || !this.byID.has(id)) this.unseen.delete(id);
  }

  private tell(): void {
    for (const f of this.listeners) f();
  }
}
