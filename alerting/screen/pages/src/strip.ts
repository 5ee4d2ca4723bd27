// The strip of throws as they arrive.

import { segment, type ThrowSummary } from "./api.ts";
import { arrange, h, throttle } from "./dom.ts";
import { arrived, turnoutSymbol } from "./marks.ts";
import type { Stream } from "./stream.ts";
import { when } from "./time.ts";
import { withUnit } from "./words.ts";

const kept = 24;

/** Draws the strip; close ends it. */
export function strip(stream: Stream): { el: HTMLElement; latest(): ThrowSummary | undefined; close(): void } {
  const list = h("ol", { id: "strip", class: "strip" });
  const rows: { key: string; el: HTMLElement }[] = [];
  let waiting: ThrowSummary[] = [];
  let latest: ThrowSummary | undefined;
  // Faster than this nobody reads; what came in between is passed over.
  const draw = throttle(() => {
    for (const t of waiting.slice(-kept)) {
      const row = { key: t.key, el: line(t) };
      const old = rows.findIndex((r) => r.key === t.key);
      if (old >= 0) rows.splice(old, 1);
      rows.unshift(row);
    }
    rows.length = Math.min(rows.length, kept);
    waiting = [];
    arrange(list, rows.map((r) => r.el));
  }, 700);
  const off = stream.on("throw", (t) => {
    if (!latest || Date.parse(t.started_at) >= Date.parse(latest.started_at)) latest = t;
    waiting.push(t);
    if (waiting.length > 4 * kept) waiting = waiting.slice(-kept);
    draw();
  });
  return {
    el: list,
    latest: () => latest,
    close(): void {
      off();
      draw.cancel();
    },
  };
}

function line(t: ThrowSummary): HTMLElement {
  return h("li", { data: { turnout: t.turnout, key: t.key, completed: t.completed } },
    h("a", { href: `/throws/${segment(t.key)}` },
      h("span", { class: "at" }, when(t.started_at)),
      h("span", { class: "who" }, t.turnout),
      h("span", { class: "end" }, turnoutSymbol(t.to), t.to),
      t.completed
        ? [h("span", { class: "took" }, t.duration_s === undefined ? "–" : withUnit(t.duration_s, "s")), h("span", { class: "ended" }, arrived(true), h("span", { class: "unseen" }, "complete"))]
        : h("span", { class: "ended bad" }, arrived(false), "incomplete")));
}
