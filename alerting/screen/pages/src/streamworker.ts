// Holds the one connection to the event stream that all tabs of a browser
// share: a browser gives a server only six.

import { tellNow, yardNow } from "./clock.ts";
import { Line } from "./line.ts";
import type { FromWorker, ToWorker } from "./stream.ts";

const beat = 5000; // ms between two signs of life to the tabs
const gone = 600_000; // ms without one of theirs; a tab in the background may send one a minute

const ports = new Map<MessagePort, number>();
let hello = "";

const post = (m: FromWorker): void => {
  for (const p of ports.keys()) p.postMessage(m);
};

const line = new Line("/api/v1/events", (kind, data) => {
  if (kind === "hello") hello = data;
  if (kind === "hello" || kind === "clock") tellNow((JSON.parse(data) as { now: string }).now);
  post({ kind, data });
}, (open, since) => post({ open, since }));

function join(port: MessagePort): void {
  const alone = ports.size === 0;
  ports.set(port, Date.now());
  if (alone) {
    line.start();
    return;
  }
  const open = line.open();
  if (open === undefined) return;
  port.postMessage({ open, since: line.heardAt() } satisfies FromWorker);
  // What was told when the line was opened, with the time of now.
  if (open) port.postMessage({ kind: "hello", data: JSON.stringify({ ...(JSON.parse(hello) as object), now: new Date(yardNow()).toISOString() }) } satisfies FromWorker);
}

function leave(port: MessagePort): void {
  if (ports.delete(port) && ports.size === 0) line.stop();
}

(globalThis as unknown as { onconnect: (ev: MessageEvent) => void }).onconnect = (ev) => {
  const port = ev.ports[0];
  if (!port) return;
  port.onmessage = (m: MessageEvent<ToWorker>) => {
    if (m.data === "bye") leave(port);
    else if (!ports.has(port)) join(port);
    else ports.set(port, Date.now());
  };
};

setInterval(() => {
  post({ beat: true });
  for (const [port, at] of ports) if (Date.now() - at > gone) leave(port);
}, beat);
