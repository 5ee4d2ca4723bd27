// The program itself: what it needs, how that is, and what to do.

import { readSigns } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import type { Draw } from "../page.ts";
import { when } from "../time.ts";

const words: Record<string, [sign: string, word: string]> = {
  good: ["✓", "good"], look: ["!", "look at it"], bad: ["✕", "bad"], unknown: ["?", "not known"],
};

/** In which order they are shown: what asks for someone first. */
const order = ["bad", "look", "unknown", "good"];

export const doctorPage: Draw = (root, _yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "doctor-said", "aria-live": "polite" }, "Looking…");
  const trouble = h("div");
  const body = h("tbody");
  const again = h("button", { type: "button", class: "act", on: { click: () => void load() } }, "Look again");
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "The program itself"), said),
    h("p", { class: "lead" }, "What Throwline needs on this machine and around it, and how that is now. It says nothing of any turnout. ",
      "On the machine, ", h("code", null, "throwline doctor --config FILE"), " says the same while the program is down."),
    h("p", { class: "row again" }, again),
    trouble,
    h("table", { class: "signs", id: "signs" },
      h("thead", null, h("tr", null, ["How it is", "What", "Found", "What to do"].map((n) => h("th", { scope: "col" }, n)))), body));

  const load = async (): Promise<void> => {
    again.disabled = true;
    try {
      const signs = (await readSigns(signal)).sort((a, b) => order.indexOf(a.word) - order.indexOf(b.word));
      const open = signs.filter((s) => s.word === "bad" || s.word === "look").length;
      fill(trouble);
      fill(said, open === 0 ? "Nothing asks for anyone" : open === 1 ? "One thing asks for someone" : `${open} things ask for someone`, ", looked at ", when(new Date().toISOString()));
      fill(body, signs.map((s) => {
        const [sign, word] = words[s.word] ?? ["?", s.word];
        return h("tr", { data: { word: s.word } },
          h("td", { class: "word" }, h("span", { class: "sign", "aria-hidden": "true" }, sign), " ", word),
          h("th", { scope: "row" }, s.what),
          h("td", null, s.said),
          h("td", null, s.do ?? h("span", { class: "soft" }, "nothing")));
      }));
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The program could not be examined.", () => void load()));
    } finally {
      again.disabled = false;
    }
  };
  void load();
  return { title: "The program itself", refresh: () => void load(), close: () => undefined };
};
