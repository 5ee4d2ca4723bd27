// One connection to the event stream: told as text, so that a worker can hand
// it on to many tabs. It notices when nothing comes any more, and connects again.

/** The kinds of events after the first, which is hello. */
export const kinds = ["alert", "case", "throw", "cabinet", "notices", "clock"] as const;

const silence = 12_000; // ms without even a clock event, of which one comes every 5 s: the line is dead, whatever TCP says
const first = 1000; // ms until another try, doubled up to most
const most = 15_000;

type Timer = ReturnType<typeof setTimeout>;

export class Line {
  private readonly url: string;
  private readonly told: (kind: string, data: string) => void;
  private readonly linked: (open: boolean, since: number) => void;
  private source: EventSource | undefined;
  private wait = first;
  private retry: Timer | undefined;
  private watchdog: Timer | undefined;
  private last = Date.now();
  private is: boolean | undefined;

  /** told gets every event; linked whether the line is open, and since when (ms, this clock). */
  constructor(url: string, told: (kind: string, data: string) => void, linked: (open: boolean, since: number) => void) {
    this.url = url;
    this.told = told;
    this.linked = linked;
  }

  /** Whether it is open; undefined until that is known. */
  open(): boolean | undefined {
    return this.is;
  }

  /** When something was heard last, ms by this clock. */
  heardAt(): number {
    return this.last;
  }

  start(): void {
    this.source?.close();
    clearTimeout(this.retry);
    const source = new EventSource(this.url);
    this.source = source;
    this.watch();
    source.onerror = () => this.lost();
    source.addEventListener("hello", (ev: MessageEvent<string>) => {
      this.heard();
      this.wait = first;
      this.link(true);
      this.told("hello", ev.data);
    });
    for (const kind of kinds) {
      source.addEventListener(kind, (ev: MessageEvent<string>) => {
        this.heard();
        this.told(kind, ev.data);
      });
    }
  }

  stop(): void {
    this.source?.close();
    clearTimeout(this.retry);
    clearTimeout(this.watchdog);
    this.is = undefined;
  }

  private heard(): void {
    this.last = Date.now();
    this.watch();
  }

  private watch(): void {
    clearTimeout(this.watchdog);
    this.watchdog = setTimeout(() => this.lost(), silence);
  }

  // The browser would try again by itself, but gives up where the server
  // answers that it has no room.
  private lost(): void {
    this.source?.close();
    clearTimeout(this.watchdog);
    clearTimeout(this.retry);
    this.link(false);
    this.retry = setTimeout(() => this.start(), this.wait);
    this.wait = Math.min(2 * this.wait, most);
  }

  private link(open: boolean): void {
    if (this.is === open) return;
    this.is = open;
    this.linked(open, this.last);
  }
}
