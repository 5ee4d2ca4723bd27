// The time at which work is done, by the server's clock as far as it is known:
// the phone's own may be wrong, and the yard's stands still without a connection.

import { yardNow, yardRate } from "./clock.ts";

let ahead: number | undefined; // ms by which the server is ahead of this device

/** The server says that it is now; told with every status. */
export function tellServer(iso: string): void {
  const t = Date.parse(iso);
  if (!Number.isNaN(t)) ahead = t - Date.now();
}

/** Now, in ms since 1970. An invented yard's time runs faster than any clock here. */
export function workNow(): number {
  return ahead === undefined || yardRate() !== 1 ? yardNow() : Date.now() + ahead;
}
