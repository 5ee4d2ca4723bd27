// The list of turnouts, and what each has learned.

import { all, segment, type ThrowSummary, type Turnout } from "../api.ts";
import { bar } from "../alertview.ts";
import { arrange, fill, h, throttle } from "../dom.ts";
import { arrived, diamond, turnoutSymbol } from "../marks.ts";
import type { Draw } from "../page.ts";
import { failure } from "../failure.ts";
import { when } from "../time.ts";
import { count, quantityName, rank, stateName } from "../words.ts";

const read = 5000; // turnouts, at most, at once; the filter finds the others
const rowsAtOnce = 250;

type Order = "turnout" | "alerts" | "learned" | "last";

export const turnoutsPage: Draw = (root, yard, _args, signal) => {
  const query = new URLSearchParams(location.search);
  const filter = h("input", { id: "filter", type: "search", placeholder: "part of a name", autocomplete: "off", spellcheck: "false", value: query.get("q") ?? "" });
  const body = h("tbody");
  const said = h("p", { class: "summary", id: "turnouts-said", "aria-live": "polite" });
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => { shown += rowsAtOnce; draw(); } } }, "Show more");
  const trouble = h("div");
  let order = (query.get("sort") as Order | null) ?? "turnout";
  let shown = rowsAtOnce;
  let list: Turnout[] = [];
  let rest = false;
  let loaded = false;
  const rows = new Map<string, { el: HTMLTableRowElement; drawn: string }>();

  const head = (key: Order, name: string, cls?: string): HTMLElement =>
    h("th", { scope: "col", class: cls, data: { order: key } }, h("button", { type: "button", class: "sort", on: { click: () => { order = key; draw(); } } }, name));
  const heads = [head("turnout", "Turnout"), head("alerts", "State"), head("learned", "Learned"), head("last", "Last throw"), h("th", { scope: "col" }, "Measures")];
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Turnouts"), h("label", { class: "filter" }, h("span", null, "Filter"), filter), said),
    trouble,
    h("table", { class: "turnouts", id: "turnouts" }, h("thead", null, h("tr", null, heads)), body),
    more);

  const draw = (): void => {
    const sorted = [...list].sort(orders[order]);
    arrange(body, sorted.slice(0, shown).map((t) => {
      const key = JSON.stringify(t);
      let row = rows.get(t.turnout);
      if (!row) rows.set(t.turnout, (row = { el: h("tr", { data: { turnout: t.turnout } }), drawn: "" }));
      if (row.drawn !== key) {
        row.drawn = key;
        drawRow(row.el, t);
      }
      return row.el;
    }));
    for (const th of heads) th.setAttribute("aria-sort", th.dataset.order === order ? (order === "turnout" ? "ascending" : "descending") : "none");
    more.hidden = sorted.length <= shown;
    const part = shown < sorted.length ? `${shown} of ` : "";
    said.textContent = !loaded ? "" : list.length === 0 ? (filter.value ? "No turnout has this in its name." : "No turnout has sent a throw yet.")
      : part + (rest ? `the first ${count(list.length, "turnout", "turnouts")} by name; filter to find others` : count(list.length, "turnout", "turnouts"));
  };

  let asked = 0;
  const load = async (): Promise<void> => {
    const mine = ++asked;
    try {
      const got = await all<Turnout>("/turnouts", { q: filter.value.trim() }, read, signal);
      if (mine !== asked) return; // a later question has been asked
      list = got.items;
      rest = got.more;
      loaded = true;
      fill(trouble);
      draw();
    } catch (err) {
      if (!signal.aborted && mine === asked) fill(trouble, failure(err, "The turnouts could not be read.", () => void load()));
    }
  };

  let typing = 0;
  filter.addEventListener("input", () => {
    window.clearTimeout(typing);
    typing = window.setTimeout(() => {
      shown = rowsAtOnce;
      const q = filter.value.trim();
      history.replaceState(history.state, "", q ? `/turnouts?q=${encodeURIComponent(q)}` : "/turnouts");
      void load();
    }, 150);
  });
  filter.addEventListener("keydown", (ev) => {
    const only = body.querySelector<HTMLAnchorElement>("a");
    if (ev.key === "Enter" && only) yard.go(only.pathname);
  });

  const redraw = throttle(draw, 1000);
  const reload = throttle(() => void load(), 8000);
  const offs = [
    yard.stream.on("throw", (t: ThrowSummary) => {
      const i = list.findIndex((x) => x.turnout === t.turnout);
      const old = list[i];
      if (!old) {
        if (loaded && !filter.value) reload(); // one that was not known
        return;
      }
      if (old.last_throw_at && Date.parse(old.last_throw_at) > Date.parse(t.started_at)) return;
      list[i] = {
        ...old, last_throw_at: t.started_at, last_to: t.to, completed: t.completed,
        // Of several throws told as one, every other one went to the other end.
        learning: old.learning.map((l) => {
          const n = l.to === t.to ? Math.ceil(t.throws / 2) : Math.floor(t.throws / 2);
          return { ...l, total: l.total + n, throws: l.throws + n };
        }),
      };
      redraw();
    }),
    yard.stream.on("alert", () => reload()),
  ];
  void load();

  return {
    title: "Turnouts",
    refresh: () => void load(),
    key(ev): boolean {
      if (ev.key !== "/") return false;
      filter.focus();
      filter.select();
      return true;
    },
    close(): void {
      for (const off of offs) off();
      redraw.cancel();
      reload.cancel();
      window.clearTimeout(typing);
    },
  };
};

function learned(t: Turnout): number {
  return Math.min(...t.learning.map((l) => Math.min(1, l.throws / Math.max(1, l.needed))));
}

const byName = (a: Turnout, b: Turnout): number => (a.turnout < b.turnout ? -1 : 1);

const orders: Record<Order, (a: Turnout, b: Turnout) => number> = {
  turnout: byName,
  alerts: (a, b) => (a.priority ? rank[a.priority] : 3) - (b.priority ? rank[b.priority] : 3) || b.open_alerts - a.open_alerts || byName(a, b),
  learned: (a, b) => learned(b) - learned(a) || byName(a, b),
  last: (a, b) => Date.parse(b.last_throw_at ?? "1970-01-01") - Date.parse(a.last_throw_at ?? "1970-01-01") || byName(a, b),
};

function drawRow(el: HTMLTableRowElement, t: Turnout): void {
  el.dataset.state = t.state;
  fill(el,
    h("th", { scope: "row" }, h("a", { href: `/turnouts/${segment(t.turnout)}` }, t.turnout)),
    h("td", { class: "state" }, t.priority ? [diamond(t.priority), h("span", null, `${stateName(t)}, ${t.priority}`)] : h("span", null, stateName(t))),
    h("td", { class: "learned" }, t.learning.map((l) =>
      h("span", { class: "end-learned" }, h("i", null, l.to), bar(l.throws / Math.max(1, l.needed)),
        h("span", null, l.throws >= l.needed ? `learned, ${count(l.total, "throw", "throws")}` : `${l.throws} of ${l.needed}`)))),
    h("td", { class: "last" }, t.last_throw_at && [when(t.last_throw_at), " ", h("span", { class: "end" }, turnoutSymbol(t.last_to), t.last_to), " ",
      !t.completed && h("b", { class: "bad" }, arrived(false), "incomplete")]),
    h("td", { class: "measures" }, t.quantities.map(quantityName).join(", "), t.drives.length > 1 && ` (${t.drives.join(", ")})`));
}
