// A little picture of how a turnout went, drawn in lines that print well.

import type { Case, Trend, Work } from "../api.ts";
import { svg } from "../dom.ts";
import { written } from "../time.ts";
import { figure } from "../words.ts";

const wide = 320;
const high = 92;
const left = 40;
const right = 6;
const top = 12;
const foot = 16;

/** The medians of the days with their smoothed level, when alerts stood, and the visits; from and to in s. */
export function littleTrend(t: Trend, cases: readonly Case[], work: readonly Work[], from: number, to: number, label: string): SVGElement {
  const values = [...t.value, ...t.level, ...t.low, ...t.high].filter((v): v is number => v !== null);
  const low = Math.min(...values);
  const spread = Math.max(...values) - low || Math.abs(low) || 1;
  const x = (s: number): number => left + ((wide - left - right) * (Math.max(from, Math.min(to, s)) - from)) / (to - from);
  const y = (v: number): number => high - foot - ((high - foot - top - 6) * (v - low)) / spread;
  const runs = (column: (number | null)[]): string => {
    let path = "";
    let on = false;
    t.at.forEach((at, i) => {
      const v = column[i];
      const visited = i > 0 && work.some((w) => w.work !== "inspected" && Date.parse(w.done_at) / 1e3 > t.at[i - 1]! && Date.parse(w.done_at) / 1e3 <= at);
      if (v === null || v === undefined) {
        on = false;
        return;
      }
      path += `${on && !visited ? "L" : "M"}${x(at).toFixed(1)} ${y(v).toFixed(1)}`;
      on = true;
    });
    return path;
  };
  const max = low + spread;
  return svg("svg", { class: "little", viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": label },
    svg("path", { d: `M${left} ${top}V${high - foot}H${wide - right}`, class: "axis" }),
    [low, max].map((v) => svg("text", { x: left - 4, y: y(v) + 3, class: "figure end" }, figure(v))),
    svg("text", { x: left, y: high - 4, class: "figure" }, written(from * 1e3, "day")),
    svg("text", { x: wide - right, y: high - 4, class: "figure end" }, written(to * 1e3, "day")),
    cases.map((c) => {
      const a = x(Date.parse(c.raised_at) / 1e3);
      return svg("rect", { x: a, y: 2, width: Math.max(2, x(c.cleared_at ? Date.parse(c.cleared_at) / 1e3 : to) - a), height: 4, class: c.cleared_at ? "stood over" : "stood" });
    }),
    work.filter((w) => Date.parse(w.done_at) / 1e3 >= from && Date.parse(w.done_at) / 1e3 <= to).map((w) => {
      const a = x(Date.parse(w.done_at) / 1e3);
      return [svg("path", { d: `M${a} ${top - 2}V${high - foot}`, class: "visit" }), svg("path", { d: `M${a - 3} 7H${a + 3}L${a} 12Z`, class: "visit-mark" })];
    }),
    t.at.map((at, i) => (t.value[i] === null || t.value[i] === undefined ? null : svg("circle", { cx: x(at), cy: y(t.value[i]!), r: 1.5, class: "dot" }))),
    svg("path", { d: runs(t.level), class: "level" }));
}
