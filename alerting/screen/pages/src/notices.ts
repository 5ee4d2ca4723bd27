// What many turnouts feel together: told calmly, and no alert.

import { Problem, type List, type Notice } from "./api.ts";

export class Notices {
  private readonly load: () => Promise<Notice[]>;
  private readonly listeners = new Set<() => void>();
  private list: Notice[] = [];
  private drawn = "[]";
  private turn = 0; // what was told last counts

  constructor(load: () => Promise<Notice[]>) {
    this.load = load;
  }

  /** Calls f whenever the notices have changed. */
  subscribe(f: () => void): () => void {
    this.listeners.add(f);
    return () => this.listeners.delete(f);
  }

  items(): Notice[] {
    return this.list;
  }

  /** Reads them anew; a server that knows no notices has none. What cannot be read stays as it was. */
  async reload(): Promise<void> {
    const mine = ++this.turn;
    try {
      const list = await this.load();
      if (mine === this.turn) this.take(list);
    } catch (err) {
      if (mine === this.turn && err instanceof Problem && err.status === 404) this.take([]);
    }
  }

  /** The stream tells all that stand now. */
  apply(told: Partial<List<Notice>>): void {
    if (!told.items) {
      // The server could not write them: the list tells.
      void this.reload();
      return;
    }
    this.turn++;
    this.take(told.items);
  }

  private take(list: Notice[]): void {
    const key = JSON.stringify(list);
    if (key === this.drawn) return;
    this.drawn = key;
    this.list = list;
    for (const f of this.listeners) f();
  }
}
