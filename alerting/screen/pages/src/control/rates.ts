// How often people were called, beside the levels of EEMUA 191: one line, and
// all of it on demand.

import { readRates, type Figure, type RatesView } from "../api.ts";
import { yardNow } from "../clock.ts";
import { fill, h, type Child } from "../dom.ts";
import { isUTC, when } from "../time.ts";
import { sentence } from "../sentence.ts";

const shifts = [6, 14, 22]; // hours at which a shift begins, in the zone that is shown
const every = 60_000; // ms

/** When the shift began, by the clock on the wall. */
export function shiftStart(now: number, utc: boolean): number {
  const d = new Date(now);
  const hour = utc ? d.getUTCHours() : d.getHours();
  const begun = shifts.findLast((x) => x <= hour);
  const at = begun ?? shifts.at(-1)! - 24; // before the first, it is last night's
  return utc ? Date.UTC(d.getUTCFullYear(), d.getUTCMonth(), d.getUTCDate(), at) : new Date(d.getFullYear(), d.getMonth(), d.getDate(), at).getTime();
}

export interface RatesPart {
  el: HTMLElement;
  refresh(): void;
  close(): void;
}

export function ratesPart(signal: AbortSignal): RatesPart {
  const line = h("summary", { id: "rates-line" });
  const body = h("div", { class: "rates-body" });
  const el = h("details", { class: "rates", id: "rates", hidden: true }, line, body);
  let turn = 0;

  const read = async (): Promise<void> => {
    const mine = ++turn;
    const now = yardNow();
    const to = new Date(now).toISOString();
    const start = new Date(Math.min(shiftStart(now, isUTC()), now - 60_000)).toISOString();
    try {
      const [day, shift] = await Promise.all([
        readRates({ from: new Date(now - 86400e3).toISOString(), to }, signal),
        readRates({ from: start, to }, signal),
      ]);
      if (mine !== turn) return;
      el.hidden = false;
      draw(day, shift);
    } catch {
      // What was read last stands there, with its time.
    }
  };

  const draw = (day: RatesView, shift: RatesView): void => {
    const above = all(day).filter((f) => f.word === "above");
    fill(line,
      h("span", { class: "rates-name" }, "How often you are called"),
      h("span", { class: "rate" }, "24 h: ", h("b", null, figure(day.hourly)), " an hour, ", word(day.hourly)),
      h("span", { class: "rate" }, "shift since ", when(shift.from, "minute"), ": ", h("b", null, figure(shift.hourly)), " an hour, ", word(shift.hourly)),
      h("span", { class: "rate" }, above.length === 0 ? "nothing above its level" : [h("b", { class: "bad" }, `${above.length} above`), `: ${above.map(named).join(", ")}`]));
    const rows = all(day).map((f, i) => {
      const s = all(shift)[i]!;
      return h("tr", { data: { word: f.word } },
        h("th", { scope: "row" }, named(f)),
        h("td", null, level(f)),
        h("td", null, h("b", null, figure(f)), " ", word(f)),
        h("td", null, h("b", null, figure(s)), " ", word(s)));
    });
    fill(body,
      h("table", { class: "figures-table", "aria-label": "Alarm rates" },
        h("thead", null, h("tr", null, h("th", { scope: "col" }, "Figure"), h("th", { scope: "col" }, "Level"), h("th", { scope: "col" }, "Last 24 h"), h("th", { scope: "col" }, "This shift"))),
        h("tbody", null, rows)),
      h("ul", { class: "rates-said" }, all(day).map((f) => h("li", null, sentence(f.said)))),
      h("p", { class: "soft" }, `Levels of EEMUA 191 and IEC 62682, for ${day.operators === 1 ? "one operator" : `${day.operators} operators`}. `,
        day.floods > 0 && `Floods in 24 h: ${day.floods}. `, (day.truncated || shift.truncated) && "More happened than was looked at. ", "Read ", when(day.to), "."));
  };

  const timer = window.setInterval(() => void read(), every);
  void read();
  return { el, refresh: () => void read(), close: () => window.clearInterval(timer) };
}

const all = (r: RatesView): Figure[] => [r.hourly, r.worst, r.flooded, r.standing, r.chattering, ...r.shares];

const figure = (f: Figure): string => `${Number(f.value.toFixed(f.value < 10 ? 1 : 0)).toLocaleString("en-GB")}${f.unit === "%" ? "\u00a0%" : ""}`;

const isShare = (f: Figure): boolean => f.name === "high" || f.name === "medium" || f.name === "low";

const named = (f: Figure): string => (isShare(f) ? `share of ${f.name}` : f.name);

const level = (f: Figure): string => (isShare(f) ? `near ${f.level}\u00a0%` : `at most ${f.level}${f.unit === "%" ? "\u00a0%" : ""}`);

// The sign says it without the colour.
function word(f: Figure): Child {
  const sign = { within: "○", above: "▲", "too few to say": "–" }[f.word];
  return h("span", { class: "rate-word", data: { word: f.word } }, h("span", { "aria-hidden": "true" }, sign), ` ${f.word}`);
}
