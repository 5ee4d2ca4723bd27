// Says on every page that something recorded here is still to be sent, and
// sends it when the connection is back.

import { fill, h } from "./dom.ts";
import { newOutbox, type Kept, type Outbox } from "./outbox.ts";
import { session } from "./session.ts";
import type { Stream } from "./stream.ts";
import { when } from "./time.ts";
import { causeName, count } from "./words.ts";

const again = 15_000; // ms between tries while something waits

export const outbox: Outbox = newOutbox(() => session()?.user?.name ?? "");

/** Begins to send what waits, now and whenever it may get through. */
export function watchOutbox(before: Element, stream: Stream): void {
  const bar = h("aside", { id: "waiting", class: "waiting", "aria-label": "Still to be sent", hidden: true });
  before.before(bar);
  let drawn = "";
  const draw = (): void => {
    const list = outbox.items();
    const key = JSON.stringify(list.map((k) => [k.id, k.why, k.refused]));
    if (key === drawn) return;
    drawn = key;
    const stuck = list.filter((k) => k.refused);
    const free = list.length - stuck.length;
    bar.hidden = list.length === 0;
    fill(bar, list.length > 0 && [
      h("p", { role: "status" }, free > 0 && [h("strong", null, `${count(free, "record is", "records are")} kept on this device, not yet sent. `), "Sent by itself once the server answers; do not record it twice. "],
        stuck.length > 0 && h("strong", null, `${count(stuck.length, "record was", "records were")} refused.`)),
      h("ul", null, list.map((k) => row(k))),
      free > 0 && h("button", { type: "button", class: "act", id: "send-now", on: { click: () => void outbox.send() } }, "Send now")]);
  };
  outbox.subscribe(draw);
  draw();
  const send = (): void => {
    if (session() && outbox.items().some((k) => !k.refused)) void outbox.send();
  };
  document.addEventListener("session", send);
  window.addEventListener("online", send);
  window.addEventListener("storage", (ev) => {
    if (ev.key !== "throwline.outbox") return;
    outbox.reload();
    send();
  });
  stream.on("hello", send);
  window.setInterval(send, again);
}

function row(k: Kept): HTMLElement {
  return h("li", { data: { kept: k.kind, refused: Boolean(k.refused) } }, h("b", null, k.turnout), " ", keptWords(k),
    k.why && [h("span", { class: k.refused ? "bad" : "soft" }, ` · ${k.why}`)],
    k.refused && [" ", h("button", { type: "button", class: "act", on: { click: () => void outbox.retry(k.id) } }, "Try again"), " ",
      h("button", { type: "button", class: "act", on: { click: () => outbox.drop(k.id) } }, "Discard")]);
}

function keptWords(k: Kept): (string | HTMLElement)[] {
  if (k.kind === "visit") return [`${k.body.work}, `, when(k.body.done_at)];
  return [k.body.found.true ? `found: ${k.body.found.cause ? causeName(k.body.found.cause) : "something"}` : "found: nothing"];
}
