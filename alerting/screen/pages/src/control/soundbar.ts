// What is said of the sound: that it is armed and when that was last seen, or,
// as a strip that nobody overlooks, that the browser holds it back.

import { fill, h } from "../dom.ts";
import type { Sound } from "../sound.ts";
import { written } from "../time.ts";

export interface SoundBar {
  /** Goes into the head of the page. */
  el: HTMLElement;
  /** Goes above everything. */
  strip: HTMLElement;
  draw(): void;
}

const words: Record<string, string> = {
  off: "Sound is off", starting: "Sound is starting", held: "Sound is held back", armed: "Sound armed", elsewhere: "Sound armed in another tab", none: "This browser has no sound",
};

export function soundBar(sound: Sound): SoundBar {
  const beat = h("span", { class: "beat", "aria-hidden": "true" });
  const said = h("span", { class: "said" });
  const checked = h("span", { class: "soft checked" });
  const toggle = h("button", { type: "button", class: "quiet", id: "sound-switch", on: { click: () => sound.use(sound.state() === "off") } });
  const test = h("button", { type: "button", class: "quiet", id: "sound-test", on: { click: () => void sound.test() } }, "Test sound");
  const el = h("div", { class: "sound", id: "sound" }, beat, said, checked, test, toggle);
  const strip = h("div", { class: "sound-strip", id: "sound-held", role: "alert", hidden: true });
  let shown = "";
  return {
    el,
    strip,
    draw(): void {
      const s = sound.state();
      el.dataset.state = s;
      beat.toggleAttribute("data-on"); // moves while it is watched
      const at = sound.checkedAt();
      checked.textContent = (s === "armed" || s === "elsewhere") && at ? `checked ${written(at, "second")}` : "";
      if (s === shown) return;
      shown = s;
      said.textContent = words[s] ?? s;
      test.hidden = s === "off" || s === "none";
      toggle.hidden = s === "none";
      toggle.textContent = s === "off" ? "Switch on" : "Switch off";
      strip.hidden = s !== "held" && s !== "none";
      fill(strip, s === "held" && [
        h("strong", null, "No sound yet. "), h("span", null, "The browser holds it back until someone has touched this page: a new alert would be silent."),
        h("button", { type: "button", class: "act main", id: "sound-release", on: { click: () => void sound.test() } }, "Let it sound"),
        h("button", { type: "button", class: "act", on: { click: () => sound.use(false) } }, "Leave it off")],
      s === "none" && [h("strong", null, "No sound. "), h("span", null, "This browser cannot make any: a new alert is silent.")]);
    },
  };
}
