// What happened in a week, area by area, with pictures; made to be printed.

import { all, alertsFile, featuresFile, get, readRates, readReport, segment, workFile, type AreaReport, type Case, type List, type Report, type Throw, type Trend, type TurnoutDetail, type WorstTurnout } from "../api.ts";
import { littleTrend } from "../chart/little.ts";
import { fill, h, type Child } from "../dom.ts";
import { failure } from "../failure.ts";
import { diamond } from "../marks.ts";
import type { Draw } from "../page.ts";
import { meritList, ratesTable } from "../parts/figures.ts";
import { printButton, printedLine } from "../parts/printed.ts";
import { rangePicker, type Chosen } from "../parts/range.ts";
import { sentence } from "../sentence.ts";
import { span, when } from "../time.ts";
import { conditionName, count, featureName, quantityName, toEnd } from "../words.ts";

const pictured = 4; // turnouts of an area that are drawn
const picturesInAll = 24;
const quietShown = 40;
const before = 28 * 86400; // s that a picture shows before the time begins, so that one sees what changed
const feature = "effort";

export const reportPage: Draw = (root, _yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "report-said" });
  const trouble = h("div");
  const body = h("div", { id: "report", class: "sheets" });
  const files = h("span", { class: "files" });
  let area = new URLSearchParams(location.search).get("area") ?? undefined;
  const areaPick = h("select", { id: "report-area", on: { change: () => {
    area = areaPick.value === "*" ? undefined : areaPick.value;
    const q = new URLSearchParams(location.search);
    if (area === undefined) q.delete("area");
    else q.set("area", area);
    history.replaceState(history.state, "", location.pathname + (q.size > 0 ? `?${q.toString()}` : ""));
    void load(range.chosen());
  } } });
  const areaLabel = h("label", { class: "inline", hidden: true }, h("span", null, "Area"), areaPick);
  let turn = 0;
  const range = rangePicker([["Last 7 days", 7 * 24], ["Last 28 days", 28 * 24]], 7 * 24, (c) => void load(c));
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Report by area"), said), printedLine(signal),
    h("div", { class: "tools" }, range.el, areaLabel, printButton(), files), trouble, body);

  const load = async (c: Chosen): Promise<void> => {
    const mine = ++turn;
    const r = c.range();
    delete body.dataset.read;
    try {
      const [d, rates] = await Promise.all([readReport({ ...r, area: area || undefined }, signal), readRates(r, signal)]);
      if (mine !== turn) return;
      const areas = area === undefined ? d.areas : d.areas.filter((a) => a.area === area);
      if (area === undefined) {
        areaLabel.hidden = d.areas.length < 2;
        fill(areaPick, h("option", { value: "*" }, "All"), d.areas.map((a) => h("option", { value: a.area }, a.area || "In no area")));
      } else if (areaPick.options.length === 0) {
        areaLabel.hidden = false;
        fill(areaPick, h("option", { value: "*" }, "All"), h("option", { value: area, selected: true }, area || "In no area"));
      }
      fill(trouble);
      fill(said, "From ", when(d.from, "full"), " to ", when(d.to, "full"));
      fill(files, h("a", { href: alertsFile(r), download: "" }, "Alerts as CSV"), " ", h("a", { href: workFile(r), download: "" }, "Work as CSV"));
      let left = picturesInAll;
      const pictures: (() => Promise<void>)[] = [];
      fill(body, d.truncated && h("p", { class: "bad" }, "More happened in this time than was looked at."),
        areas.map((a) => {
          const n = Math.min(pictured, left, (a.worst ?? []).length);
          left -= n;
          return areaSheet(a, n, (w, box) => pictures.push(() => picture(d, w, box, signal)));
        }),
        h("section", { class: "part-sheet", "aria-label": "How often people were called" }, h("h2", null, area === undefined ? "How often people were called" : "How often people were called, all areas"), ratesTable(rates)));
      // A few at a time: each asks for several things.
      const queue = [...pictures];
      await Promise.all([0, 1, 2].map(async () => {
        for (let p = queue.shift(); p && mine === turn; p = queue.shift()) await p();
      }));
      if (mine === turn) body.dataset.read = d.to;
    } catch (err) {
      if (!signal.aborted && mine === turn) fill(trouble, failure(err, "The report could not be read.", () => void load(c)));
    }
  };
  range.start();
  return { title: "Report by area", refresh: () => undefined, close: () => { turn++; } };
};

function areaSheet(a: AreaReport, n: number, draw: (w: WorstTurnout, box: HTMLElement) => void): HTMLElement {
  const fact = (name: string, ...what: Child[]): HTMLElement => h("div", null, h("dt", null, name), h("dd", null, ...what));
  const worst = a.worst ?? [];
  const quiet = a.without_throws ?? [];
  return h("section", { class: "area-sheet", data: { area: a.area }, "aria-label": a.area || "In no area" },
    h("h2", null, a.area || "In no area"),
    h("dl", { class: "facts" },
      fact("Turnouts", h("b", null, a.turnouts.toLocaleString("en-GB")), a.learning > 0 && h("span", { class: "soft" }, `, ${a.learning.toLocaleString("en-GB")} still learning`)),
      fact("Alerts", h("b", null, String(a.raised)), " raised, ", h("b", null, String(a.cleared)), " cleared, ", h("b", null, String(a.standing)), " stand at the end"),
      fact("Visits", h("b", null, String(a.visits)), a.visits > 0 && `: ${[[a.helped, "helped"], [a.not_helped, "did not help"], [a.routine, "routine"], [a.unjudged, "not judged yet"]].filter(([k]) => k).map(([k, w]) => `${k} ${w}`).join(", ")}`),
      (a.conditions ?? []).length > 0 && fact("What it was", (a.conditions ?? []).map((c, i) => [i > 0 && ", ", `${conditionName(c.word)} `, h("b", null, String(c.n))]))),
    h("h3", null, "How good the alerts were"), meritList(a.merit),
    worst.length === 0 ? h("p", { class: "soft" }, "No turnout had an alert.") : [
      h("h3", null, "The turnouts with the most alerts’ time"),
      h("div", { class: "pictures" }, worst.slice(0, n).map((w) => {
        const box = h("div", { class: "picture", data: { turnout: w.turnout } });
        draw(w, box);
        return h("figure", null, h("figcaption", null, h("a", { href: `/turnouts/${segment(w.turnout)}` }, w.turnout), " ", h("span", { class: "prio" }, diamond(w.priority), w.priority), h("span", { class: "soft" }, `${w.line ? ` ${w.line},` : ""} ${count(w.alerts, "alert", "alerts")}, ${span(w.stood_hours * 3600e3)}`)), box);
      })),
      worst.length > n && h("p", null, "Also: ", worst.slice(n).map((w, i) => [i > 0 && ", ", h("a", { href: `/turnouts/${segment(w.turnout)}` }, w.turnout), ` (${span(w.stood_hours * 3600e3)})`]), ".")],
    a.without_throws_count > 0 && h("div", { class: "quiet-list" }, h("h3", null, `No throw in this time: ${a.without_throws_count.toLocaleString("en-GB")}`),
      h("p", null, quiet.slice(0, quietShown).map((q, i) => [i > 0 && ", ", h("a", { href: `/turnouts/${segment(q.turnout)}` }, q.turnout), q.last_throw_at ? [" (last ", when(q.last_throw_at, "day"), ")"] : " (never)"]),
        a.without_throws_count > quietShown && ` and ${(a.without_throws_count - quietShown).toLocaleString("en-GB")} more`, ".")));
}

// The end whose trend is the steepest tells most; without one, the first that
// has been measured.
async function picture(d: Report, w: WorstTurnout, box: HTMLElement, signal: AbortSignal): Promise<void> {
  const from = Date.parse(d.from) / 1e3 - before;
  const to = Date.parse(d.to) / 1e3;
  const iso = (s: number): string => new Date(s * 1e3).toISOString();
  try {
    const [latest, detail, cases] = await Promise.all([
      get<List<Throw>>(`/turnouts/${segment(w.turnout)}/throws`, { to: d.to, limit: 8 }, signal),
      get<TurnoutDetail>(`/turnouts/${segment(w.turnout)}`, {}, signal),
      all<Case>("/alerts", { turnout: w.turnout, state: "all", from: iso(from), to: d.to }, 100, signal),
    ]);
    const seen = latest.items.flatMap((t) => t.traces);
    const channel = seen.find((t) => t.drive === "main") ?? seen[0];
    if (!channel) {
      fill(box, h("p", { class: "soft" }, "Nothing was measured."));
      return;
    }
    const ends = [...new Set(latest.items.map((t) => t.to))];
    const trends = await Promise.all(ends.map((e) => get<Trend>(`/turnouts/${segment(w.turnout)}/trend`, { to: e, drive: channel.drive, quantity: channel.quantity, feature, from: iso(from), until: d.to }, signal)));
    const rise = (t: Trend): number => {
      const v = t.level.filter((x): x is number => x !== null);
      return v.length > 1 ? Math.abs(v[v.length - 1]! - v[0]!) / (Math.abs(v[0]!) || 1) : 0;
    };
    const t = trends.filter((x) => x.at.length > 0).sort((a, b) => rise(b) - rise(a))[0];
    if (!t) {
      fill(box, h("p", { class: "soft" }, "Too few throws for a picture."));
      return;
    }
    const name = `${featureName(feature)} ${toEnd(t.to)}, ${quantityName(channel.quantity)}, ${t.unit}`;
    fill(box, h("p", { class: "soft small" }, name), littleTrend(t, cases.items, detail.work, from, to, `${w.turnout}: ${name}. ${sentence(t.said)}`), h("p", { class: "small" }, sentence(t.said), " ",
      h("a", { class: "csv", href: featuresFile(w.turnout, { from: d.from, to: d.to }), download: "" }, "CSV")));
  } catch (err) {
    if (!signal.aborted) fill(box, h("p", { class: "soft" }, err instanceof Error ? `No picture: ${err.message}.` : "No picture."));
  }
}
