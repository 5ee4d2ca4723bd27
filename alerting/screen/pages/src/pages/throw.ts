// One throw, large: every channel over its past, and every feature.

import { get, segment, type Likeness, type List, type ThrowDetail } from "../api.ts";
import { TraceGraph } from "../chart/trace.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { arrived, turnoutSymbol } from "../marks.ts";
import type { Draw, Page } from "../page.ts";
import { featureTable } from "../parts/features.ts";
import { likenessLine } from "../parts/likeness.ts";
import { span, when } from "../time.ts";
import { doubtName, withUnit } from "../words.ts";

export const throwPage: Draw = (root, yard, [key], signal) => {
  let graphs: TraceGraph[] = [];
  let t: ThrowDetail | undefined;
  const title = h("h1", { tabindex: -1 }, "Throw");
  fill(root, title);

  const draw = (d: ThrowDetail): void => {
    t = d;
    page.title = `${d.turnout} to ${d.to}`;
    yard.retitle();
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
    const likeness = h("div", { id: "likeness" });
    get<List<Likeness>>(`/throws/${segment(d.key)}/likeness`, {}, signal).then((l) => fill(likeness, l.items.map((x) => likenessLine(x, l.items.length > 1))), () => undefined);
    graphs = d.traces.map((tr, i) => {
      const g = new TraceGraph(d.traces.length > 1 ? 15 : 22, rem, "throw");
      const c = d.channels[i];
      g.show(d, tr, c?.drive === tr.drive && c.quantity === tr.quantity ? c : d.channels.find((x) => x.drive === tr.drive && x.quantity === tr.quantity));
      return g;
    });
    fill(title, h("a", { href: `/turnouts/${segment(d.turnout)}` }, d.turnout), h("span", { class: "end" }, turnoutSymbol(d.to), `to ${d.to}`));
    const doubts = d.traces.flatMap((tr) => tr.doubts.map((w) => h("li", null, `${tr.drive}, ${tr.quantity.replaceAll("_", " ")}: ${doubtName(w)}`)));
    fill(root,
      h("div", { class: "head" }, title,
        h("nav", { class: "steps", "aria-label": "Throws of this turnout" }, step("previous", "← Previous", d.previous), step("next", "Next →", d.next)),
        h("a", { class: "act", id: "compare-with", href: `/turnouts/${segment(d.turnout)}?compare=${segment(d.key)}` }, "Beside another throw")),
      h("dl", { class: "facts" },
        fact("Started", when(d.started_at, "full")),
        fact("Ended", h("span", { class: d.completed ? "" : "bad" }, arrived(d.completed), d.completed ? " complete" : " incomplete")),
        d.detections.length > 0 && fact("Detected", d.detections.map((x) => `${x.place} after ${withUnit(x.after_s, "s")}`).join(", ")),
        d.rail_temperature_c !== undefined && fact("Rail", withUnit(d.rail_temperature_c, "°C")),
        d.supply_v !== undefined && fact("Supply", withUnit(d.supply_v, "V")),
        fact("Arrived", later(Date.parse(d.arrived_at) - Date.parse(d.started_at))),
        d.cabinet && fact("Cabinet", h("a", { href: "/cabinets" }, d.cabinet)),
        d.throw_id && fact("Throw id", h("code", null, d.throw_id))),
      doubts.length > 0 && h("div", { class: "doubts" }, h("strong", null, "This trace is doubtful."), h("ul", null, doubts)),
      likeness,
      d.channels.length === 0 && h("p", { class: "lead" }, "The raw trace is past its retention; what was measured of it is kept."),
      h("div", { class: "graphs" }, graphs.map((g) => g.el)),
      d.channels.length > 0 && legend(),
      h("h2", null, "Features"), featureTable(d.traces));
  };

  const load = (): void => {
    get<ThrowDetail>(`/throws/${segment(key ?? "")}`, {}, signal).then(draw, (err: unknown) => {
      if (!signal.aborted) fill(root, h("h1", { tabindex: -1 }, "Throw"), failure(err, "The throw could not be read.", load));
    });
  };
  load();
  const page: Page = {
    title: "Throw",
    key(ev): boolean {
      const to = ev.key === "ArrowLeft" ? t?.previous : ev.key === "ArrowRight" ? t?.next : undefined;
      if (to) yard.go(`/throws/${segment(to)}`);
      return Boolean(to);
    },
    close(): void {
      for (const g of graphs) g.close();
    },
  };
  return page;
};

function step(which: string, name: string, key: string | undefined): HTMLElement {
  return key ? h("a", { class: "act", rel: which === "next" ? "next" : "prev", href: `/throws/${segment(key)}`, data: { step: which } }, name)
    : h("span", { class: "act off", data: { step: which } }, name);
}

function later(ms: number): string {
  return `${Math.abs(ms) < 60e3 ? withUnit(ms / 1e3, "s") : span(ms)} after its start`;
}

function fact(name: string, ...what: (Node | string)[]): HTMLElement {
  return h("div", null, h("dt", null, name), h("dd", null, ...what));
}

/** What the lines of a trace's graph are. */
export function legend(): HTMLElement {
  return h("p", { class: "legend" },
    h("span", { class: "key-ink" }, "this throw"), h("span", { class: "key-mid" }, "middle of its past"), h("span", { class: "key-band" }, "band of its past"),
    h("span", { class: "soft" }, "Drag to zoom, double click for the whole."));
}
