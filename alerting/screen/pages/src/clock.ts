// The yard's time: told by the server, carried on in between. In an invented
// yard it may run many times faster than ours.

/** Carries a time on between the moments at which it is told. */
export class Clock {
  private server: number;
  private local: number;
  private slope = 1;
  private shown = 0;

  /** server and local in ms; local by any clock that never turns back. */
  constructor(server: number, local: number) {
    this.server = server;
    this.local = local;
  }

  /** The server says that it is server now. */
  tell(server: number, local: number): void {
    const passed = local - this.local;
    if (passed > 500) {
      const slope = (server - this.server) / passed;
      // Near 1 the difference is the network's jitter.
      this.slope = slope > 0.8 && slope < 1.25 ? 1 : Math.max(0, slope);
    }
    if (server < this.server) this.shown = 0; // the server's clock was put back
    this.server = server;
    this.local = local;
  }

  /** It is at least server now: something that the server has dated has come. */
  atLeast(server: number, local: number): void {
    if (server <= this.now(local)) return;
    this.server = server;
    this.local = local;
  }

  /** The time in ms; it stands still where the server has not told it for long. */
  now(local: number): number {
    const ahead = Math.max(0, Math.min(local - this.local, 7000));
    this.shown = Math.max(this.shown, this.server + ahead * this.slope);
    return this.shown;
  }

  /** How many times faster than ours it runs. */
  rate(): number {
    return this.slope;
  }
}

let yard: Clock | undefined;

export function tellNow(iso: string): void {
  const t = Date.parse(iso);
  if (Number.isNaN(t)) return;
  if (yard) yard.tell(t, performance.now());
  else yard = new Clock(t, performance.now());
}

/** Something that arrived at the server at this time has come. */
export function tellArrived(iso: string): void {
  const t = Date.parse(iso);
  if (!Number.isNaN(t)) yard?.atLeast(t, performance.now());
}

/** The yard's time in ms since 1970; the browser's until the server has told it. */
export function yardNow(): number {
  return yard ? yard.now(performance.now()) : Date.now();
}

/** How many times faster than ours the yard's time runs. */
export function yardRate(): number {
  return yard?.rate() ?? 1;
}
