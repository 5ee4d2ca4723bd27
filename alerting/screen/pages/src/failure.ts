// Says that something could not be read or done, and why.

import { Problem } from "./api.ts";
import { h } from "./dom.ts";

export function failure(err: unknown, what: string, again?: () => void): HTMLElement {
  const p = err instanceof Problem ? err : undefined;
  const reason = p ? p.message : err instanceof TypeError ? "The server does not answer." : String(err);
  return h("div", { class: "failure", role: "alert" },
    h("p", null, h("strong", null, what), " ", reason),
    p && p.details.length > 0 && h("ul", null, p.details.map((d) => h("li", null, d.location && h("code", null, d.location), d.location && " ", d.message))),
    again && h("button", { type: "button", class: "act", on: { click: again } }, "Try again"));
}
