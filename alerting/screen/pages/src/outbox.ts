// What was recorded where there was no connection: kept in the browser, in the
// order in which it was done, and sent until the server has it.

import { get, post, Problem, segment, type Case, type NewFound, type Work } from "./api.ts";
import { remember, remembered } from "./dom.ts";

/** A visit, whose time makes that it is filed once however often it is sent. */
export interface VisitKept {
  kind: "visit";
  turnout: string;
  body: { work: string; done_at: string; note?: string; by?: string };
}

/** What was found, which the server is asked for before it is sent again. */
export interface FindingKept {
  kind: "finding";
  turnout: string;
  alert: string;
  body: { found: NewFound; by?: string };
}

export type Kept = (VisitKept | FindingKept) & {
  id: string;
  /** Who was logged in; empty where nobody logs in. */
  user: string;
  tries: number;
  /** Why it waits, in words; undefined: it was not tried yet. */
  why?: string;
  /** The server said no: it waits for a person, not for a connection. */
  refused?: boolean;
};

/** What an outbox needs of the world; tests give their own. */
export interface Carrier {
  load(): string | null;
  save(text: string | null): void;
  visit(v: VisitKept): Promise<unknown>;
  finding(f: FindingKept, again: boolean): Promise<unknown>;
  user(): string;
}

export class Outbox {
  private readonly carrier: Carrier;
  private readonly listeners = new Set<() => void>();
  private busy: Promise<void> | undefined;
  private list: Kept[];

  constructor(carrier: Carrier) {
    this.carrier = carrier;
    this.list = this.read();
  }

  subscribe(f: () => void): () => void {
    this.listeners.add(f);
    return () => this.listeners.delete(f);
  }

  items(): readonly Kept[] {
    return this.list;
  }

  /** Keeps it before anything is sent, then sends; resolves when it was tried. */
  async put(k: VisitKept | FindingKept): Promise<Kept | undefined> {
    this.list = this.read();
    const kept: Kept = { ...k, id: idOf(k), user: this.carrier.user(), tries: 0 };
    if (!this.list.some((x) => x.id === kept.id)) this.list.push(kept);
    this.store();
    await this.busy; // what is under way does not know of it
    await this.send();
    return this.list.find((x) => x.id === kept.id);
  }

  /** Sends all that waits, one after the other; stops where the server does not answer. */
  send(): Promise<void> {
    this.busy ??= this.sendAll().finally(() => {
      this.busy = undefined;
    });
    return this.busy;
  }

  /** Another tab has kept or sent something. */
  reload(): void {
    this.list = this.read();
    for (const f of this.listeners) f();
  }

  /** Gives up one that was refused. */
  drop(id: string): void {
    this.list = this.read().filter((x) => x.id !== id);
    this.store();
  }

  /** Tries one that was refused again. */
  retry(id: string): Promise<void> {
    this.list = this.read();
    const one = this.list.find((x) => x.id === id);
    if (one) {
      delete one.refused;
      if (one.user === "") one.user = this.carrier.user();
    }
    this.store();
    return this.send();
  }

  private async sendAll(): Promise<void> {
    this.list = this.read();
    for (const one of [...this.list]) {
      if (one.refused) continue;
      if (one.user === "" && this.carrier.user() !== "") {
        this.mark(one.id, { refused: true, why: "recorded before it was known who is logged in: Try again sends it in your name" });
        continue;
      }
      if (one.user !== this.carrier.user()) {
        this.mark(one.id, { why: `kept for ${one.user || "who was not logged in"}: it is sent once that account is logged in here` });
        continue;
      }
      const again = one.tries > 0;
      this.mark(one.id, { tries: one.tries + 1 }); // before it goes out: the answer may be lost
      try {
        await (one.kind === "visit" ? this.carrier.visit(one) : this.carrier.finding(one, again));
        this.drop(one.id);
      } catch (err) {
        const { why, refused, stop } = verdictOn(err);
        this.mark(one.id, { why, ...(refused ? { refused } : {}) });
        if (stop) return;
      }
    }
  }

  private mark(id: string, change: Partial<Kept>): void {
    this.list = this.read().map((x): Kept => (x.id === id ? Object.assign(x, change) : x));
    this.store();
  }

  // Another tab may have sent or kept something meanwhile.
  private read(): Kept[] {
    try {
      const list = JSON.parse(this.carrier.load() ?? "[]") as Kept[];
      return Array.isArray(list) ? list : [];
    } catch {
      return [];
    }
  }

  private store(): void {
    this.carrier.save(this.list.length > 0 ? JSON.stringify(this.list) : null);
    for (const f of this.listeners) f();
  }
}

function idOf(k: VisitKept | FindingKept): string {
  return k.kind === "visit" ? `visit ${k.turnout} ${k.body.done_at} ${k.body.work}` : `finding ${k.alert} ${JSON.stringify(k.body.found)}`;
}

/** What an answer means for what was sent: whether trying again can help, and whether anything else would get through now. */
export function verdictOn(err: unknown): { why: string; refused: boolean; stop: boolean } {
  if (!(err instanceof Problem)) return { why: "the server does not answer", refused: false, stop: true };
  if (err.status === 401) return { why: "log in again, and it is sent", refused: false, stop: true };
  if (err.status === 408 || err.status === 429 || err.status >= 500) return { why: `the server cannot take it now (${err.status})`, refused: false, stop: true };
  const details = err.details.map((d) => d.message).join("; ");
  return { why: details || err.message, refused: true, stop: false };
}

/** Whether the server has it already. */
function alike(c: Case, f: NewFound): boolean {
  const has = c.handling.found;
  return has !== undefined && has.true === f.true && (has.cause ?? "") === (f.cause ?? "") && (has.note ?? "") === (f.note ?? "");
}

/** The outbox of this browser, over the real API. */
export function newOutbox(user: () => string): Outbox {
  return new Outbox({
    load: () => remembered("outbox"),
    save: (text) => remember("outbox", text),
    visit: (v) => post<Work>(`/turnouts/${segment(v.turnout)}/work`, v.body),
    async finding(f, again) {
      // A judgement has no time of its own: what may have arrived is looked for first.
      if (again && alike(await get<Case>(`/alerts/${segment(f.alert)}`), f.body.found)) return;
      await post<Case>(`/alerts/${segment(f.alert)}/judge`, f.body);
    },
    user,
  });
}
