// Messages that were refused: kept whole, with the reasons, to be looked at and
// sent through again.

import { get, post, Problem, segment, type List, type SetAside, type SetAsideDetail } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import type { Draw } from "../page.ts";
import { when } from "../time.ts";
import { bytes } from "../words.ts";

export const asidePage: Draw = (root, _yard, [id], signal) => {
  const list = h("div", { id: "aside", class: "asides" });
  const said = h("p", { class: "summary", id: "aside-said", "aria-live": "polite" });
  const trouble = h("div");
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => void load() } }, "Older ones");
  let cursor: string | undefined;
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Refused messages"), said),
    h("p", { class: "lead" }, "Messages that broke a rule. They were acknowledged and kept whole; they hold up nothing. Once the reason is gone, send them through again."),
    trouble, list, more);

  const load = async (): Promise<void> => {
    try {
      if (id) {
        const one = await get<SetAsideDetail>(`/quarantine/${segment(id)}`, {}, signal);
        fill(list, entry(one, one));
        said.replaceChildren(h("a", { href: "/quarantine" }, "All of them"));
      } else {
        const page = await get<List<SetAside>>("/quarantine", { limit: 50, cursor }, signal);
        cursor = page.next || undefined;
        more.hidden = !cursor;
        list.append(...page.items.map((a) => entry(a)));
        const n = list.children.length;
        said.textContent = n === 0 ? "Nothing was set aside." : `${n}${cursor ? " newest" : ""}, newest first`;
      }
      fill(trouble);
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "What was set aside could not be read.", () => void load()));
    }
  };
  void load();
  return { title: id ? `Refused message ${id}` : "Refused messages", close: () => undefined };
};

function entry(a: SetAside, detail?: SetAsideDetail): HTMLElement {
  const payload = h("div", { class: "payload" });
  const outcome = h("div", { role: "status" });
  const button = h("button", { type: "button", class: "act", data: { act: "retry" }, on: { click: () => void retry() } }, "Send through again");
  const reasons = h("ul", { class: "reasons" }, a.reasons.map((r) => h("li", null, h("code", null, r.path || "message"), h("b", null, " expected "), r.expected, h("b", null, ", found "), r.found)));
  const look = h("details", { open: Boolean(detail), on: { toggle: () => void open() } }, h("summary", null, `Payload, ${bytes(a.size)}`), payload);
  const retries = h("span", null);
  const tell = (n: number): void => {
    retries.textContent = n === 0 ? "" : n === 1 ? " · sent through again once, in vain" : ` · sent through again ${n} times, in vain`;
  };
  let tried = a.retries;
  tell(tried);
  const el = h("article", { class: "set-aside", data: { aside: a.id } },
    h("h2", null, when(a.at, "full"), " ", h("span", { class: "soft" }, `number ${a.id}`)),
    h("p", { class: "topic" }, h("code", null, a.topic), a.turnout && [" · turnout ", h("a", { href: `/turnouts/${segment(a.turnout)}` }, a.turnout)], retries),
    reasons, look, h("p", { class: "acts" }, button), outcome);

  const show = (d: SetAsideDetail): void => {
    fill(payload, d.payload_encoding === "base64" && h("p", { class: "soft" }, "Not text; shown in base64."), h("pre", { tabindex: 0 }, d.payload));
  };
  const open = async (): Promise<void> => {
    if (!look.open || payload.hasChildNodes()) return;
    fill(payload, h("p", { class: "soft" }, "Reading …"));
    try {
      show(await get<SetAsideDetail>(`/quarantine/${a.id}`));
    } catch (err) {
      fill(payload, failure(err, "The payload could not be read."));
    }
  };
  const retry = async (): Promise<void> => {
    button.disabled = true;
    try {
      await post(`/quarantine/${a.id}/retry`);
      el.dataset.taken = "";
      fill(outcome, h("p", { class: "good" }, "It was taken: the message is no longer set aside."));
    } catch (err) {
      button.disabled = false;
      if (err instanceof Problem && err.status === 422) tell(++tried);
      fill(outcome, failure(err, err instanceof Problem && err.status === 422 ? "It was refused again." : "It could not be sent through."));
    }
  };
  if (detail) show(detail);
  return el;
}
