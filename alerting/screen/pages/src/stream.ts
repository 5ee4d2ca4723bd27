// The event stream, as the pages hear it: over a worker that all tabs share,
// or, where there is none, over a connection of the tab's own.

import type { AlertEvent, Cabinet, Case, List, Notice, ThrowSummary } from "./api.ts";
import { tellArrived, tellNow } from "./clock.ts";
import { Line } from "./line.ts";

export interface Hello {
  now: string;
  version: string;
  demo: boolean;
}

export interface Events {
  /** The stream is open (again): what happened before it is not told. */
  hello: Hello;
  alert: AlertEvent;
  /** How an alert stands after something was done about it, or has changed it. */
  case: Case;
  throw: ThrowSummary;
  cabinet: Cabinet;
  /** All notices that stand now; no items where the server could not write them. */
  notices: Partial<List<Notice>>;
  /** Whether the stream is open, and since when (ms, the browser's clock): of one that is lost, when something was heard last. */
  link: { open: boolean; since: number };
}

/** What the worker sends: an event, the state of the line, or a sign of life. */
export type FromWorker = { kind: string; data: string } | { open: boolean; since: number } | { beat: true };

export type ToWorker = "here" | "bye";

type Listener<K extends keyof Events> = (data: Events[K]) => void;

const answerWithin = 6000; // ms for the worker's first word
const dead = 20_000; // ms without a sign of life of the worker
const alive = 30_000; // ms between our own

export class Stream {
  private readonly url: string;
  private readonly listeners: { [K in keyof Events]: Set<Listener<K>> } = { hello: new Set(), alert: new Set(), case: new Set(), throw: new Set(), cabinet: new Set(), notices: new Set(), link: new Set() };
  private line: Line | undefined; // our own
  private port: MessagePort | undefined; // to the worker's
  private workers = true;
  private timers: number[] = [];
  private heard = 0;
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
    this.stop();
    if (!this.join()) this.connect();
  }

  stop(): void {
    this.line?.stop();
    this.line = undefined;
    this.port?.postMessage("bye" satisfies ToWorker);
    this.port?.close();
    this.port = undefined;
    for (const t of this.timers) window.clearInterval(t);
    this.timers = [];
  }

  /** Whether the tab shares its connection. */
  shared(): boolean {
    return this.port !== undefined;
  }

  private connect(): void {
    this.line = new Line(this.url, (kind, data) => this.take(kind, data), (open, since) => this.link(open, since));
    this.line.start();
  }

  private join(): boolean {
    const script = document.querySelector<HTMLMetaElement>('meta[name="stream-worker"]')?.content;
    if (!this.workers || !script || typeof SharedWorker === "undefined") return false;
    let worker: SharedWorker;
    try {
      worker = new SharedWorker(script, { name: "throwline" });
    } catch {
      return false; // the browser allows none here
    }
    const alone = (): void => {
      if (!this.port) return;
      this.workers = false;
      this.stop();
      this.connect();
    };
    worker.onerror = alone;
    const port = worker.port;
    this.port = port;
    this.heard = 0;
    port.onmessage = (ev: MessageEvent<FromWorker>) => {
      if (this.port !== port) return;
      this.heard = Date.now();
      const m = ev.data;
      if ("kind" in m) this.take(m.kind, m.data);
      else if ("open" in m) this.link(m.open, m.since);
    };
    port.postMessage("here" satisfies ToWorker);
    let late = 0; // looks: after a sleep of the machine all timers are due at once
    this.timers.push(
      window.setTimeout(() => this.heard || alone(), answerWithin),
      window.setInterval(() => {
        late = this.heard && Date.now() - this.heard > dead ? late + 1 : 0;
        if (late > 1) alone();
      }, 5000),
      window.setInterval(() => this.port?.postMessage("here" satisfies ToWorker), alive));
    return true;
  }

  private take(kind: string, text: string): void {
    const data = JSON.parse(text) as never;
    switch (kind) {
      case "hello":
        tellNow((data as Hello).now);
        this.link(true, Date.now());
        break;
      case "clock":
        tellNow((data as { now: string }).now);
        return;
      case "throw":
        tellArrived((data as ThrowSummary).arrived_at);
    }
    const listeners = this.listeners[kind as keyof Events] as Set<(data: never) => void> | undefined;
    for (const f of listeners ?? []) f(data);
  }

  private link(open: boolean, since: number): void {
    if (this.open === open) return;
    this.open = open;
    for (const f of this.listeners.link) f({ open, since });
  }
}
