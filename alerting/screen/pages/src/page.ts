// What every page is given and gives.

import type { Status } from "./api.ts";
import type { Cases } from "./cases.ts";
import type { Notices } from "./notices.ts";
import type { Sound } from "./sound.ts";
import type { Standing } from "./standing.ts";
import type { Stream } from "./stream.ts";

export interface Yard {
  stream: Stream;
  standing: Standing;
  /** What lives of the alerts, as people handle it. */
  cases: Cases;
  sound: Sound;
  notices: Notices;
  status(): Status | undefined;
  /** Goes to another page without loading. */
  go(path: string): void;
  /** The page has another title now. */
  retitle(): void;
}

export interface Page {
  title: string;
  /** The stream is open again: what is shown may be old. */
  refresh?(): void;
  /** A key with no modifier, outside of fields; true where the page has used it. */
  key?(ev: KeyboardEvent): boolean;
  /** Ends all that the page has started. */
  close(): void;
}

/** Draws a page into root, which is empty. signal aborts when the page is left. */
export type Draw = (root: HTMLElement, yard: Yard, args: string[], signal: AbortSignal) => Page;
