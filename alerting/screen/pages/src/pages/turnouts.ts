// The fleet at a glance: every turnout as one mark in its place, what is still
// learning, and how the cabinets fare.

import { all, readFleet, segment, type ThrowSummary, type Turnout } from "../api.ts";
import { fill, h, remember, remembered, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { readCabinets, strip } from "../fleet/cabinets.ts";
import { drawMap } from "../fleet/map.ts";
import { order, spots, states, told, wanted, worse, type Asked, type Spot } from "../fleet/states.ts";
import { drawTable, sign } from "../fleet/table.ts";
import type { Draw } from "../page.ts";
import { when } from "../time.ts";
import { count } from "../words.ts";

const namesUpTo = 240; // marks, with their names beside them
const learningNamed = 60; // turnouts, in the list of what is still learning
const learningRead = 20_000; // turnouts, at most
const narrow = "(max-width: 52rem)";

export const turnoutsPage: Draw = (root, yard, _args, signal) => {
  const query = new URLSearchParams(location.search);
  const asked: Asked = { area: query.get("area") ?? "", line: query.get("line") ?? "", state: query.get("state") ?? "", text: query.get("q") ?? "" };
  let worstFirst = query.get("order") === "worst";
  let asList = query.has("view") ? query.get("view") === "list" : (remembered("fleet") ?? (matchMedia(narrow).matches ? "list" : "map")) === "list";
  let list: Spot[] = [];
  let loaded = false;
  const lacks = new Map<string, { total: number; words: string }>();

  const lacking = (turnout: string): string => {
    const l = lacks.get(turnout);
    return l ? `, ${count(l.total, "throw", "throws")} missing (${l.words})` : "";
  };
  const said = h("p", { class: "summary", id: "turnouts-said", "aria-live": "polite" });
  const pointed = h("p", { class: "pointed", id: "pointed" });
  const point = (s: Spot | undefined): void => {
    if (!s) {
      fill(pointed, h("span", { class: "soft" }, "Point at a mark, or move between them with the arrow keys; Enter opens the turnout."));
      return;
    }
    fill(pointed, sign(s), h("b", null, s.turnout), h("span", null, told(s), lacking(s.turnout)),
      s.last !== null && h("span", { class: "soft" }, "last throw ", when(new Date(1000 * s.last).toISOString())),
      s.cabinet && h("span", { class: "soft" }, s.cabinet));
  };
  const map = drawMap(lacking, point);
  const table = drawTable(lacking);
  const view = h("div", { id: "turnouts", class: "turnouts" });
  const trouble = h("div");
  const cabinets = h("div", { class: "cabinet-strip", id: "cabinet-strip", role: "group", "aria-label": "Cabinets" });
  const learning = h("details", { class: "still-learning", id: "still-learning", hidden: true });

  const text = h("input", { id: "filter", type: "search", placeholder: "name, line, cabinet", autocomplete: "off", spellcheck: "false", value: asked.text });
  const area = h("select", { id: "filter-area" });
  const line = h("select", { id: "filter-line" });
  const chips = new Map(["", ...order].map((key) => [key, h("button", {
    type: "button", class: "chip", data: { filter: key }, "aria-pressed": String(asked.state === key),
    on: { click: () => { asked.state = asked.state === key ? "" : key; changed(); } },
  })]));
  const choice = (id: string, words: [string, string], is: () => boolean, set: (second: boolean) => void): HTMLElement[] => words.map((w, i) =>
    h("button", { type: "button", class: "act", id: `${id}-${i}`, "aria-pressed": String(is() === (i === 1)), on: { click: () => { set(i === 1); changed(); } } }, w));
  const orderButtons = choice("order", ["Along the lines", "Worst first"], () => worstFirst, (on) => { worstFirst = on; });
  const viewButtons = choice("view", ["Map", "List"], () => asList, (on) => { asList = on; remember("fleet", on ? "list" : "map"); });
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Turnouts"), said),
    cabinets, trouble,
    h("div", { class: "fleet-tools" },
      h("label", { class: "filter" }, h("span", null, "Filter"), text),
      h("label", { class: "filter" }, h("span", null, "Area"), area),
      h("label", { class: "filter" }, h("span", null, "Line"), line),
      h("div", { class: "choice", role: "group", "aria-label": "Order" }, orderButtons),
      h("div", { class: "choice", role: "group", "aria-label": "View" }, viewButtons)),
    h("div", { class: "chips", role: "group", "aria-label": "States" }, [...chips.values()]),
    view, pointed, learning);
  point(undefined);

  const options = (el: HTMLSelectElement, first: string, names: string[], is: string): void => {
    const have = [...new Set(names)].filter(Boolean).sort((a, b) => a.localeCompare(b));
    if (is && !have.includes(is)) have.push(is);
    const key = have.join("\n");
    if (el.dataset.have !== key) {
      el.dataset.have = key;
      fill(el, h("option", { value: "" }, first), have.map((n) => h("option", { value: n }, n)));
    }
    el.value = is;
  };

  const draw = (): void => {
    options(area, "all areas", list.map((s) => s.area), asked.area);
    options(line, "all lines", list.filter((s) => !asked.area || s.area === asked.area).map((s) => s.line), asked.line);
    const rest = list.filter((s) => wanted(s, { ...asked, state: "" }));
    for (const [key, chip] of chips) {
      const n = key ? rest.filter((s) => s.state === key).length : rest.length;
      chip.hidden = n === 0 && key !== "" && asked.state !== key;
      chip.setAttribute("aria-pressed", String(asked.state === key));
      const state = key ? states[key as keyof typeof states] : undefined;
      chip.title = state?.means ?? "";
      fill(chip, state && h("b", { class: "spot-sign", data: { state: key }, "aria-hidden": "true" }, h("i", { data: { letter: state.letter } })), h("span", null, state?.name ?? "all"), h("b", null, n.toLocaleString("en-GB")));
    }
    orderButtons.forEach((b, i) => b.setAttribute("aria-pressed", String(worstFirst === (i === 1))));
    viewButtons.forEach((b, i) => b.setAttribute("aria-pressed", String(asList === (i === 1))));
    const shown = asked.state ? rest.filter((s) => s.state === asked.state) : rest;
    said.textContent = !loaded ? "" : list.length === 0 ? "No turnout has sent a throw yet, and none is in the registry."
      : shown.length === 0 ? "No turnout is like that." : shown.length < list.length ? `${shown.length.toLocaleString("en-GB")} of ${count(list.length, "turnout", "turnouts")}` : count(list.length, "turnout", "turnouts");
    const now = asList ? table.el : map.el;
    if (view.firstElementChild !== now) fill(view, now);
    pointed.hidden = asList || shown.length === 0;
    if (asList) table.draw(shown, worstFirst);
    else map.draw(shown, worstFirst, shown.length <= namesUpTo);
    view.dataset.shown = String(shown.length);
  };

  const changed = (): void => {
    table.fold();
    const q = new URLSearchParams();
    for (const [k, v] of [["q", asked.text], ["area", asked.area], ["line", asked.line], ["state", asked.state], ["order", worstFirst ? "worst" : ""]] as const) if (v) q.set(k, v);
    history.replaceState(history.state, "", `/turnouts${q.size ? "?" + q.toString() : ""}`);
    draw();
  };

  const drawLearning = (): void => {
    const left = [...lacks].sort((a, b) => a[1].total - b[1].total || (a[0] < b[0] ? -1 : 1));
    learning.hidden = left.length === 0;
    fill(learning,
      h("summary", null, `${count(left.length, "turnout is", "turnouts are")} still learning, ${count(left.reduce((n, [, l]) => n + l.total, 0), "throw", "throws")} missing in all`),
      h("ol", null, left.slice(0, learningNamed).map(([name, l]) => h("li", null, h("a", { href: `/turnouts/${segment(name)}` }, name), h("span", null, `${count(l.total, "throw", "throws")} missing`), h("span", { class: "soft" }, l.words)))),
      left.length > learningNamed && h("p", { class: "soft" }, `and ${left.length - learningNamed} more`));
  };

  // What is missing is in the list of turnouts alone: read it only where something still learns.
  const readLearning = async (): Promise<void> => {
    if (!list.some((s) => s.learnt !== null && s.learnt < 1)) {
      lacks.clear();
    } else {
      const got = await all<Turnout>("/turnouts", {}, learningRead, signal);
      lacks.clear();
      for (const t of got.items) {
        const ends = t.learning.map((l) => ({ to: l.to, n: Math.max(0, l.needed - l.throws) })).filter((l) => l.n > 0);
        if (ends.length > 0) lacks.set(t.turnout, { total: ends.reduce((n, e) => n + e.n, 0), words: ends.map((e) => `${e.n} to ${e.to}`).join(", ") });
      }
    }
    drawLearning();
    draw();
  };

  const load = async (): Promise<void> => {
    try {
      list = spots(await readFleet(signal));
      loaded = true;
      fill(trouble);
      draw();
      await readLearning();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The fleet could not be read.", () => void load()));
    }
  };
  const loadCabinets = async (): Promise<void> => {
    try {
      fill(cabinets, strip(await readCabinets(yard.standing.open(), signal)));
    } catch (err) {
      if (!signal.aborted) fill(cabinets, failure(err, "The cabinets could not be read.", () => void loadCabinets()));
    }
  };

  let typing = 0;
  text.addEventListener("input", () => {
    window.clearTimeout(typing);
    typing = window.setTimeout(() => {
      asked.text = text.value.trim();
      changed();
    }, 120);
  });
  text.addEventListener("keydown", (ev) => {
    if (ev.key !== "Enter") return;
    asked.text = text.value.trim();
    changed();
    const first = list.filter((s) => wanted(s, asked)).sort(worstFirst ? worse : () => 0)[0];
    if (first) yard.go(`/turnouts/${segment(first.turnout)}`);
  });
  area.addEventListener("change", () => {
    asked.area = area.value;
    asked.line = "";
    changed();
  });
  line.addEventListener("change", () => {
    asked.line = line.value;
    changed();
  });

  const redraw = throttle(draw, 2000);
  const reload = throttle(() => void load(), 5000);
  const learned = throttle(() => void load(), 15_000); // a throw may end the learning
  const recount = throttle(() => void loadCabinets(), 5000);
  const offs = [
    yard.stream.on("throw", (t: ThrowSummary) => {
      const s = list.find((x) => x.turnout === t.turnout);
      if (!s) {
        if (loaded) reload(); // one that was not known
        return;
      }
      s.last = Math.max(s.last ?? 0, Date.parse(t.started_at) / 1000);
      if (s.learnt === null || s.learnt < 1) learned();
      redraw();
    }),
    yard.stream.on("alert", () => reload()),
    yard.stream.on("case", () => reload()),
    yard.stream.on("cabinet", () => { recount(); reload(); }),
    yard.standing.subscribe(() => recount()),
  ];
  const minute = window.setInterval(() => recount(), 60_000);
  void load();
  recount();

  return {
    title: "Turnouts",
    refresh: () => { void load(); recount(); },
    key(ev): boolean {
      if (ev.key !== "/") return false;
      text.focus();
      text.select();
      return true;
    },
    close(): void {
      for (const off of offs) off();
      for (const f of [redraw, reload, learned, recount]) f.cancel();
      window.clearTimeout(typing);
      window.clearInterval(minute);
    },
  };
};
