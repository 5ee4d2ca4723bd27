// What a printed sheet says of itself, and how a page is printed.

import { yardNow } from "../clock.ts";
import { fill, h, remembered } from "../dom.ts";
import { named, session } from "../session.ts";
import { written, zoneName } from "../time.ts";

/** A line that only paper shows: when and by whom it was printed. signal ends it. */
export function printedLine(signal: AbortSignal): HTMLElement {
  const el = h("p", { class: "printed-line", id: "printed-line" });
  const draw = (): void => {
    const user = session()?.user;
    const who = named() && user ? user.display || user.name : remembered("by");
    fill(el, `Printed ${written(yardNow(), "full")} ${zoneName()} by `, who || "………………………", ". It shows what was known then.");
  };
  draw();
  window.addEventListener("beforeprint", draw, { signal });
  document.addEventListener("session", draw, { signal });
  document.addEventListener("status", draw, { signal });
  return el;
}

export function printButton(): HTMLElement {
  return h("button", { type: "button", class: "act", id: "print", on: { click: () => window.print() } }, "Print");
}
