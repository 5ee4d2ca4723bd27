// The latest traces of each end over their past, and the list to pick from.

import { get, segment, type End, type Likeness, type List, type Throw, type ThrowDetail } from "../api.ts";
import { TraceGraph } from "../chart/trace.ts";
import { arrange, fill, h, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { arrived, turnoutSymbol } from "../marks.ts";
import { likenessLine } from "./likeness.ts";
import { legend } from "../pages/throw.ts";
import { when } from "../time.ts";
import { against, channelOf } from "../trenddata.ts";
import { withUnit } from "../words.ts";

const ends: End[] = ["normal", "reverse"];
const listed = 40;

interface Panel {
  graph: TraceGraph;
  el: HTMLElement;
  title: HTMLElement;
  trouble: HTMLElement;
  likeness: HTMLElement;
  likened: Likeness[]; // of the throw shown, as soon as it is known
  wanted: string | undefined; // key
  shown: ThrowDetail | undefined;
  follow: boolean; // the latest, as it comes
}

export class TracesPart {
  readonly el: HTMLElement;
  private readonly turnout: string;
  private readonly signal: AbortSignal;
  private readonly panels: Record<End, Panel>;
  private readonly list = h("ol", { class: "picks", id: "throws", role: "listbox", tabindex: 0, "aria-label": "Throws, newest first" });
  private readonly older = h("button", { type: "button", class: "act", hidden: true, on: { click: () => void this.readOlder() } }, "Older throws");
  private readonly latest = h("button", { type: "button", class: "act", id: "latest", hidden: true, on: { click: () => this.followAll() } }, "Back to the latest");
  private readonly rows = new Map<string, { el: HTMLElement; t: Throw }>();
  private throws: Throw[] = [];
  private cursor: string | undefined;
  private picked: string | undefined;
  private channel = "";

  constructor(turnout: string, signal: AbortSignal, rem: number) {
    this.turnout = turnout;
    this.signal = signal;
    const panel = (to: End): Panel => {
      const graph = new TraceGraph(17, rem, "traces");
      const title = h("p", { class: "which" });
      const trouble = h("div");
      const likeness = h("div");
      const el = h("section", { class: "trace-panel", data: { to }, "aria-label": `Trace to ${to}` }, h("h3", null, turnoutSymbol(to), ` To ${to}`, title), trouble, graph.el, likeness);
      return { graph, el, title, trouble, likeness, likened: [], wanted: undefined, shown: undefined, follow: true };
    };
    this.panels = { normal: panel("normal"), reverse: panel("reverse") };
    this.list.addEventListener("keydown", (ev) => {
      const by = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1 }[ev.key];
      if (ev.key === "Enter" && this.picked) this.open(this.picked);
      else if (by) this.step(by);
      else return;
      ev.preventDefault();
      ev.stopPropagation();
    });
    this.el = h("div", { class: "traces" },
      h("div", { class: "trace-panels" }, ends.map((e) => this.panels[e].el)), legend(),
      h("div", { class: "picker" }, h("div", { class: "picker-head" }, h("h3", null, "Throws"), h("span", { class: "soft" }, "Pick one to lay it over its past (← →); Enter opens it."), this.latest),
        this.list, this.older));
  }

  /** Shows this channel from now on. */
  use(channel: string): void {
    this.channel = channel;
    for (const e of ends) this.draw(this.panels[e]);
  }

  /** Reads the list anew; what follows the latest moves on. */
  readonly refresh = throttle(() => void this.read(), 3000);

  /** Goes to the next older (1) or newer (-1) throw. */
  step(by: number): void {
    if (this.throws.length === 0) return;
    const i = this.picked ? this.throws.findIndex((t) => t.key === this.picked) : -1;
    const next = this.throws[i < 0 ? 0 : Math.min(this.throws.length - 1, Math.max(0, i + by))];
    if (next) this.pick(next);
  }

  close(): void {
    this.refresh.cancel();
    for (const e of ends) this.panels[e].graph.close();
  }

  private async read(): Promise<void> {
    try {
      const page = await get<List<Throw>>(`/turnouts/${segment(this.turnout)}/throws`, { limit: listed }, this.signal);
      const got = new Set(page.items.map((t) => t.key));
      const kept = this.throws.filter((t) => !got.has(t.key));
      // Where so many came that there is a gap, the older ones are read again.
      if (kept.length === this.throws.length && kept.length > 0 && page.next) kept.length = 0;
      if (kept.length === 0) this.cursor = page.next || undefined;
      this.throws = [...page.items, ...kept].sort((a, b) => Date.parse(b.started_at) - Date.parse(a.started_at)).slice(0, 400);
      this.drawList();
      for (const e of ends) {
        const p = this.panels[e];
        const last = this.throws.find((t) => t.to === e);
        if (p.follow && last) void this.load(p, last.key);
        else if (!last && !p.shown) fill(p.title, "no throw among the latest ones");
      }
    } catch (err) {
      if (!this.signal.aborted) fill(this.panels.normal.trouble, failure(err, "The throws could not be read.", () => void this.read()));
    }
  }

  private async readOlder(): Promise<void> {
    if (!this.cursor) return;
    this.older.disabled = true;
    try {
      const page = await get<List<Throw>>(`/turnouts/${segment(this.turnout)}/throws`, { limit: listed, cursor: this.cursor }, this.signal);
      this.cursor = page.next || undefined;
      const known = new Set(this.throws.map((t) => t.key));
      this.throws.push(...page.items.filter((t) => !known.has(t.key)));
      this.drawList();
    } catch {
      this.cursor = undefined; // a cursor that has grown old: the list begins anew
      await this.read();
    } finally {
      this.older.disabled = false;
    }
  }

  private followAll(): void {
    this.picked = undefined;
    for (const e of ends) this.panels[e].follow = true;
    this.latest.hidden = true;
    void this.read();
  }

  // A link is what the frame follows; in a list of options there can be none.
  private open(key: string): void {
    const link = h("a", { href: `/throws/${segment(key)}`, hidden: true });
    this.el.append(link);
    link.click();
    link.remove();
  }

  private pick(t: Throw): void {
    this.picked = t.key;
    const p = this.panels[t.to];
    p.follow = false;
    this.latest.hidden = false;
    this.drawList();
    this.rows.get(t.key)?.el.scrollIntoView({ block: "nearest" });
    void this.load(p, t.key);
  }

  private async load(p: Panel, key: string): Promise<void> {
    if (p.wanted === key) return;
    p.wanted = key;
    try {
      const d = await get<ThrowDetail>(`/throws/${segment(key)}`, {}, this.signal);
      if (p.wanted !== key) return; // another was picked meanwhile
      p.shown = d;
      p.likened = [];
      fill(p.trouble);
      this.draw(p);
      get<List<Likeness>>(`/throws/${segment(key)}/likeness`, {}, this.signal).then((l) => {
        if (p.shown !== d) return;
        p.likened = l.items;
        this.draw(p);
      }, () => undefined);
    } catch (err) {
      if (this.signal.aborted || p.wanted !== key) return;
      p.wanted = undefined;
      fill(p.trouble, failure(err, "The trace could not be read."));
    }
  }

  private draw(p: Panel): void {
    const d = p.shown;
    if (!d) return;
    const trace = d.traces.find((t) => channelOf(t) === this.channel);
    fill(p.title, h("a", { href: `/throws/${segment(d.key)}` }, when(d.started_at)), p.follow ? " · latest" : " · picked", !d.completed && h("b", { class: "bad" }, " · ", arrived(false), " incomplete"));
    p.graph.el.hidden = !trace;
    // The line stays while the next one is asked for, so that nothing jumps.
    if (p.likened.length > 0) fill(p.likeness, p.likened.filter((l) => channelOf(l) === this.channel).map((l) => likenessLine(l, false)));
    if (!trace) {
      fill(p.trouble, h("p", { class: "soft" }, "This throw has no trace of this channel."));
      return;
    }
    fill(p.trouble, trace.doubts.length > 0 && h("p", { class: "bad" }, `This trace is doubtful: ${trace.doubts.join(", ").replaceAll("-", " ")}.`));
    p.graph.show(d, trace, d.channels.find((c) => channelOf(c) === this.channel));
  }

  private drawList(): void {
    this.older.hidden = !this.cursor;
    const keys = new Set(this.throws.map((t) => t.key));
    for (const k of this.rows.keys()) if (!keys.has(k)) this.rows.delete(k);
    arrange(this.list, this.throws.map((t) => {
      let row = this.rows.get(t.key);
      if (!row) this.rows.set(t.key, (row = { el: this.row(t), t }));
      row.el.setAttribute("aria-selected", String(t.key === this.picked));
      return row.el;
    }));
    const active = this.picked && this.rows.get(this.picked)?.el.id;
    if (active) this.list.setAttribute("aria-activedescendant", active);
    else this.list.removeAttribute("aria-activedescendant");
  }

  private row(t: Throw): HTMLElement {
    const outside = t.traces.reduce((n, tr) => n + Object.values(tr.features).filter((f) => ["above", "below"].includes(against(f.value, f.low, f.high))).length, 0);
    const duration = Math.max(...t.traces.map((tr) => tr.features.duration?.value ?? -Infinity));
    const el = h("li", { id: `pick-${this.rows.size}-${Date.parse(t.started_at)}`, role: "option", data: { key: t.key, to: t.to } },
      h("span", { class: "at" }, when(t.started_at)), h("span", { class: "end" }, turnoutSymbol(t.to), t.to),
      h("span", { class: "took" }, Number.isFinite(duration) ? withUnit(duration, "s") : "–"),
      h("span", { class: "ended" }, t.completed ? (outside > 0 ? h("em", null, `${outside} ${outside === 1 ? "feature" : "features"} outside`) : h("span", { class: "soft" }, "as expected")) : h("b", { class: "bad" }, arrived(false), "incomplete")));
    el.addEventListener("click", () => this.pick(t));
    el.addEventListener("dblclick", () => this.open(t.key));
    return el;
  }
}
