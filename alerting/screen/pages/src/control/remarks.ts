// What people wrote last about each alert: the cases themselves do not say it.

import { readJournal, type Entry } from "../api.ts";
import { throttle } from "../dom.ts";

const written = new Set(["acknowledge", "note", "shelve", "judge"]);
const most = 1000; // lines of the journal that are looked at
const overlap = 60_000; // ms: lines that come in the same moment are not missed

/** What someone has written in a line of the journal; "" where nothing. */
export const remarkOf = (e: Entry): string => (written.has(e.action) ? e.note || e.found?.note || "" : "");

export class Remarks {
  private readonly changed: () => void;
  private readonly latest = new Map<string, Entry>();
  private through: number | undefined;
  private readonly signal: AbortSignal;
  /** Reads what was written since; often is no harm. */
  readonly follow: (() => void) & { cancel(): void };

  constructor(signal: AbortSignal, changed: () => void) {
    this.signal = signal;
    this.changed = changed;
    this.follow = throttle(() => void this.read(), 1500);
  }

  /** The latest line in which someone wrote something about an alert. */
  of(id: string): Entry | undefined {
    return this.latest.get(id);
  }

  private async read(): Promise<void> {
    try {
      const from = this.through === undefined ? undefined : new Date(this.through - overlap).toISOString();
      const { items } = await readJournal({ from, limit: most }, this.signal);
      let news = false;
      for (const e of items) {
        const at = Date.parse(e.at);
        if (this.through === undefined || at > this.through) this.through = at;
        if (!remarkOf(e)) continue;
        const old = this.latest.get(e.alert);
        if (!old || e.id > old.id) {
          this.latest.set(e.alert, e);
          news = true;
        }
      }
      if (news) this.changed();
    } catch {
      // The alerts are shown without.
    }
  }
}
