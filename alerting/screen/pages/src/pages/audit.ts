// The record of who has done what, for administrators.

import { get } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import type { Draw } from "../page.ts";
import type { Audit, Audited } from "../session.ts";
import { when } from "../time.ts";
import { count } from "../words.ts";

const page = 200;

export const auditPage: Draw = (root, _yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "audit-said", "aria-live": "polite" });
  const trouble = h("div", { role: "status" });
  const list = h("ol", { class: "audit", id: "audit" });
  const filter = h("input", { id: "audit-filter", type: "search", autocomplete: "off", spellcheck: "false", placeholder: "who or what" });
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => void load(false) } }, "Show older");
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Audit"), h("label", { class: "filter" }, h("span", null, "Filter what is shown"), filter), said),
    h("p", { class: "lead" }, "Who came in, and who changed accounts, the registry and windows. What was done about alerts is in the ", h("a", { href: "/journal" }, "journal"), "."),
    trouble, list, more);

  let items: Audited[] = [];
  let cursor: string | undefined;
  const draw = (): void => {
    const q = filter.value.trim().toLowerCase();
    const found = items.filter((a) => [a.by ?? "the program", a.what, a.detail ?? ""].some((x) => x.toLowerCase().includes(q)));
    fill(list, found.map((a) => h("li", null, h("span", { class: "at" }, when(a.at)), h("b", null, a.by || "the program"), h("span", null, a.what, a.detail && `: ${a.detail}`))));
    said.textContent = `${found.length < items.length ? `${found.length.toLocaleString("en-GB")} of ` : ""}${count(items.length, "line", "lines")}${cursor ? ", and there are older ones" : ""}`;
    more.hidden = !cursor;
  };
  const load = async (anew: boolean): Promise<void> => {
    try {
      const got = await get<Audit>("/audit", { limit: page, cursor: anew ? undefined : cursor }, signal);
      items = anew ? got.items : [...items, ...got.items];
      cursor = got.next || undefined;
      fill(trouble);
      draw();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The record could not be read.", () => void load(anew)));
    }
  };
  filter.addEventListener("input", draw);
  void load(true);
  return { title: "Audit", refresh: () => { if (items.length <= page) void load(true); }, close: () => undefined };
};
