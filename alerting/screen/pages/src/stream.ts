// The event stream: connects, tells what comes, notices when nothing comes any
// more, and connects again.

import type { AlertEvent, Cabinet, List, Notice, ThrowSummary } from "./api.ts";
import { tellArrived, tellNow } from "./clock.ts";

export interface Hello {
  now: string;
  version: string;
  demo: boolean;
}

export interface Events {
  /** The stream is open (again): what happened before it is not told. */
  hello: Hello;
  alert: AlertEvent;
  throw: ThrowSummary;
  cabinet: Cabinet;
  /** All notices that stand now; no items where the server could not write them. */
  notices: Partial<List<Notice>>;
  /** Whether the stream is open, and since when (ms, the browser's clock). */
  link: { open: boolean; since: number };
}

type Listener<K extends keyof Events> = (data: Events[K]) => void;

const silence = 20_000; // ms without even a clock event: the line is dead, whatever TCP says
const first = 1000; // ms until another try, doubled up to most
const most = 15_000;

export class Stream {
  private readonly url: string;
  private readonly listeners: { [K in keyof Events]: Set<Listener<K>> } = { hello: new Set(), alert: new Set(), throw: new Set(), cabinet: new Set(), notices: new Set(), link: new Set() };
  private source: EventSource | undefined;
  private wait = first;
  private retry = 0;
  private watchdog = 0;
  private open: boolean | undefined;

  constructor(url: string) {
    this.url = url;
    // A page that is left may be kept by the browser with its connection, and
    // there are only six to a server: the next pages would wait for one.
    window.addEventListener("pagehide", () => this.stop());
    window.addEventListener("pageshow", (ev) => {
      if (ev.persisted) this.start();
    });
  }

  /** Calls f for every event of the kind until what on returns is called. */
  on<K extends keyof Events>(kind: K, f: Listener<K>): () => void {
    this.listeners[kind].add(f);
    return () => this.listeners[kind].delete(f);
  }

  start(): void {
    this.source?.close();
    window.clearTimeout(this.retry);
    const source = new EventSource(this.url);
    this.source = source;
    this.heard();
    source.onerror = () => this.lost();
    this.take(source, "hello", (d) => {
      tellNow(d.now);
      this.wait = first;
      this.link(true);
    });
    this.take(source, "alert");
    this.take(source, "throw", (t) => tellArrived(t.arrived_at));
    this.take(source, "cabinet");
    this.take(source, "notices");
    source.addEventListener("clock", (ev) => {
      this.heard();
      tellNow((JSON.parse(ev.data as string) as { now: string }).now);
    });
  }

  stop(): void {
    this.source?.close();
    window.clearTimeout(this.retry);
    window.clearTimeout(this.watchdog);
  }

  private take<K extends Exclude<keyof Events, "link">>(source: EventSource, kind: K, before?: (data: Events[K]) => void): void {
    source.addEventListener(kind, (ev: MessageEvent<string>) => {
      this.heard();
      const data = JSON.parse(ev.data) as Events[K];
      before?.(data);
      this.emit(kind, data);
    });
  }

  private emit<K extends keyof Events>(kind: K, data: Events[K]): void {
    for (const f of this.listeners[kind]) f(data);
  }

  private heard(): void {
    window.clearTimeout(this.watchdog);
    this.watchdog = window.setTimeout(() => this.lost(), silence);
  }

  // The browser would try again by itself, but gives up where the server
  // answers that it has no room.
  private lost(): void {
    this.source?.close();
    window.clearTimeout(this.watchdog);
    window.clearTimeout(this.retry);
    this.link(false);
    this.retry = window.setTimeout(() => this.start(), this.wait);
    this.wait = Math.min(2 * this.wait, most);
  }

  private link(open: boolean): void {
    if (this.open === open) return;
    this.open = open;
    this.emit("link", { open, since: Date.now() });
  }
}
