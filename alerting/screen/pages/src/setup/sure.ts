// What the setting up pages share: buttons that ask once more, and who acts.

import { h, remembered } from "../dom.ts";
import { named } from "../session.ts";

/** A button that acts when it is pressed a second time, and forgets the first when it is left. */
export function sure(words: string, label: string, again: string, act: () => void): HTMLButtonElement {
  const b = h("button", { type: "button", class: "act", "aria-label": label }, words);
  const calm = (): void => {
    delete b.dataset.sure;
    b.textContent = words;
    b.setAttribute("aria-label", label);
  };
  b.addEventListener("click", () => {
    if (b.dataset.sure === undefined) {
      b.dataset.sure = "";
      b.textContent = again;
      b.setAttribute("aria-label", `${again} ${label}`);
      return;
    }
    calm();
    act();
  });
  b.addEventListener("blur", calm);
  b.addEventListener("keydown", (ev) => {
    if (ev.key === "Escape") calm();
  });
  return b;
}

/** In whose name something is done where nobody logs in. */
export const by = (): string | undefined => (named() ? undefined : (remembered("by") ?? undefined));

/** Replaces a name in an address's query, without a new page. */
export function keepQuery(path: string, query: Record<string, string>): void {
  const q = new URLSearchParams();
  for (const [k, v] of Object.entries(query)) if (v) q.set(k, v);
  history.replaceState(history.state, "", path + (q.size ? `?${q.toString()}` : ""));
}
