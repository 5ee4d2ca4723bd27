// The sound of the control room: made here, held back by some browsers until
// someone has touched the page, and watched so that it can be relied on.

import { remember, remembered } from "./dom.ts";

/** off: by choice; starting; held: by the browser; armed: here; elsewhere: in another tab; none: the browser has no sound. */
export type SoundState = "off" | "starting" | "held" | "armed" | "elsewhere" | "none";

export type Tune = "high" | "other" | "lost";

/** Tones as [Hz, start s, length s]; loudness 0 to 1. */
const tunes: Record<Tune, { loud: number; tones: [number, number, number][] }> = {
  high: { loud: 0.3, tones: [[659, 0, 0.16], [880, 0.18, 0.2], [659, 0.52, 0.16], [880, 0.7, 0.26]] },
  other: { loud: 0.16, tones: [[587, 0, 0.16], [494, 0.19, 0.26]] },
  lost: { loud: 0.2, tones: [[330, 0, 0.2], [262, 0.25, 0.2], [208, 0.5, 0.45]] },
};

const again = 30_000; // ms between two reminders while something high calls
const lostAgain = 60_000;
const grace = 1500; // ms until a browser that has not started the sound holds it back

export class Sound {
  private readonly changed: () => void;
  private context: AudioContext | undefined;
  private startedAt = 0;
  private seenTime = -1; // of the context, at the last look
  private runs = false; // its time goes on
  private holds = false; // the lock, by which one tab of many sounds
  private asked = false;
  private free: (() => void) | undefined;
  private wanted = remembered("sound") !== "off";
  private playedAt = 0;
  private checked = 0;
  private high = false;
  private lost = false;
  private last: SoundState | undefined;

  /** changed is called when the state has changed. */
  constructor(changed: () => void) {
    this.changed = changed;
  }

  /** From now on it watches itself, and what there is to sound for. */
  start(): void {
    for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, () => this.touched(), { capture: true });
    window.setInterval(() => this.look(), 1000);
    if (this.wanted) this.open();
    this.look();
  }

  state(): SoundState {
    if (!this.wanted) return "off";
    if (typeof AudioContext === "undefined") return "none";
    if (!this.runs) return Date.now() - this.startedAt < grace ? "starting" : "held";
    return this.holds ? "armed" : this.asked ? "elsewhere" : "starting";
  }

  /** When it was last seen to run, ms by the browser's clock; 0: never. */
  checkedAt(): number {
    return this.checked;
  }

  /** On or off, as this browser remembers. */
  use(on: boolean): void {
    this.wanted = on;
    remember("sound", on ? null : "off");
    if (on) {
      this.open();
    } else {
      this.release();
      void this.context?.close();
      this.context = undefined;
      this.runs = false;
      this.seenTime = -1;
    }
    this.look();
  }

  /** Lets it be heard, in whatever tab: someone has asked. */
  async test(): Promise<void> {
    this.open();
    await this.context?.resume();
    this.sing("other");
    window.setTimeout(() => this.sing("high"), 900);
    this.look();
  }

  /** New calls: sounds once. */
  call(high: boolean): void {
    this.play(high ? "high" : "other");
  }

  /** Whether something high is not acknowledged, and whether the connection is lost: both are sounded again. */
  tell(high: boolean, lost: boolean): void {
    const gone = lost && !this.lost;
    this.high = high;
    this.lost = lost;
    if (gone) this.play("lost");
  }

  private open(): void {
    if (this.context || typeof AudioContext === "undefined") return;
    this.context = new AudioContext();
    this.startedAt = Date.now();
    void this.context.resume().catch(() => undefined);
  }

  // Browsers let sound start when someone has touched the page.
  private touched(): void {
    if (this.wanted && this.context && this.context.state !== "running") void this.context.resume().then(() => this.look(), () => undefined);
  }

  private look(): void {
    const c = this.context;
    if (c && this.wanted) {
      // A context may say that it runs while nothing comes out: its time tells.
      this.runs = c.state === "running" && c.currentTime > this.seenTime && c.currentTime > 0;
      this.seenTime = c.currentTime;
      if (this.runs) {
        this.checked = Date.now();
        this.hold();
      } else if (c.state !== "running") {
        this.release();
      }
      this.remind();
    }
    const s = this.state();
    document.documentElement.dataset.sound = s;
    if (s !== this.last || s === "armed") {
      this.last = s;
      this.changed();
    }
  }

  private remind(): void {
    const since = Date.now() - this.playedAt;
    if (this.lost ? since >= lostAgain : this.high && since >= again) this.play(this.lost ? "lost" : "high", 0.55);
  }

  private play(tune: Tune, share = 1): void {
    if (this.state() !== "armed") return;
    this.playedAt = Date.now();
    this.sing(tune, share);
  }

  private sing(tune: Tune, share = 1): void {
    const c = this.context;
    if (!c || c.state !== "running") return;
    const { loud, tones } = tunes[tune];
    for (const [hz, start, length] of tones) {
      const from = c.currentTime + 0.03 + start;
      const o = new OscillatorNode(c, { type: "triangle", frequency: hz });
      const g = new GainNode(c, { gain: 0 });
      g.gain.setValueAtTime(0, from);
      g.gain.linearRampToValueAtTime(loud * share, from + 0.02);
      g.gain.setValueAtTime(loud * share, from + length - 0.05);
      g.gain.linearRampToValueAtTime(0, from + length);
      o.connect(g).connect(c.destination);
      o.start(from);
      o.stop(from + length + 0.02);
    }
    const root = document.documentElement.dataset;
    root.sounded = `${root.sounded ?? ""} ${tune}`.slice(-200).trim();
  }

  // Of many tabs one sounds: the first whose sound runs, until it is closed.
  // Where the browser has no locks (not over plain HTTP) each sounds by itself.
  private hold(): void {
    if (this.asked) return;
    this.asked = true;
    if (!("locks" in navigator)) {
      this.holds = true;
      return;
    }
    const cancel = new AbortController();
    this.free = () => cancel.abort();
    navigator.locks.request("throwline.sound", { signal: cancel.signal }, () => {
      this.holds = true;
      this.look();
      return new Promise<void>((done) => {
        this.free = done;
      });
    }).catch(() => undefined);
  }

  private release(): void {
    this.free?.();
    this.free = undefined;
    this.holds = false;
    this.asked = false;
  }
}
