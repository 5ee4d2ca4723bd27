// Where to go, in which order, why, what to look at and what to bring.

import { bar } from "../alertview.ts";
import { readWorkList, segment, type AreaJobs, type Cause, type Job } from "../api.ts";
import { daysLeft, packing } from "../daysleft.ts";
import { fill, h, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { diamond } from "../marks.ts";
import type { Draw } from "../page.ts";
import { printButton, printedLine } from "../parts/printed.ts";
import { sentence } from "../sentence.ts";
import { causeName, conditionName, count, percent } from "../words.ts";

const most = 200; // jobs drawn at first
const likely = 0.15; // from which probability on a cause's checks are shown at once
const caution = "Blades move without warning. Go on the track, and do every check, only as the rule book and your licensed practice allow; talk to the signaller first. This list advises and gives no permission.";

interface Row {
  job: Job;
  rank: number; // in the order to visit over all areas, from 1
}

export const worklistPage: Draw = (root, yard, _args, signal) => {
  const asked = new URLSearchParams(location.search);
  let area = asked.get("area") ?? undefined; // "" is an area too: of those in none
  // A narrow screen has no room for an area's packing between the first jobs.
  let grouped = asked.has("order") ? asked.get("order") !== "all" : matchMedia("(min-width: 40.01rem)").matches;
  let shown = most;
  let areas: AreaJobs[] = [];
  let untold = 0; // turnouts after those of the list
  let rows: Row[] = [];
  let drawn = "";
  const opened = new Set<string>();
  const ticked = new Set<string>();

  const summary = h("p", { class: "summary", id: "work-summary", "aria-live": "polite" });
  const areaPick = h("select", { id: "work-area", on: { change: () => { area = areaPick.value === "*" ? undefined : areaPick.value.slice(1); shown = most; note(); draw(); } } });
  const order = h("div", { class: "choice", role: "group", "aria-label": "Order" });
  const openAll = h("button", { type: "button", class: "act", id: "open-all" });
  const trouble = h("div");
  const list = h("div", { id: "jobs", class: "jobs" });
  const more = h("button", { type: "button", class: "act", hidden: true, on: { click: () => { shown += most; draw(); } } });
  openAll.addEventListener("click", () => {
    const all = visible().map((r) => r.job.turnout);
    const shut = all.some((t) => !opened.has(t));
    opened.clear();
    if (shut) for (const t of all) opened.add(t);
    draw();
  });
  fill(root, h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Work list"), summary),
    printedLine(signal),
    trouble, h("p", { class: "caution", id: "caution" }, h("strong", null, "On the track: "), caution),
    h("div", { class: "tools" }, h("label", { class: "inline" }, h("span", null, "Area"), areaPick), order, openAll, printButton()),
    list, more);

  const note = (): void => {
    const q = new URLSearchParams();
    if (area !== undefined) q.set("area", area);
    if (grouped !== matchMedia("(min-width: 40.01rem)").matches) q.set("order", grouped ? "area" : "all");
    history.replaceState(history.state, "", location.pathname + (q.size > 0 ? `?${q.toString()}` : ""));
  };

  const wanted = (): Row[] => rows.filter((r) => area === undefined || (r.job.area ?? "") === area);
  const visible = (): Row[] => wanted().slice(0, shown);

  const draw = (): void => {
    const here = visible();
    const all = wanted();
    const names = areas.map((a) => a.area ?? "");
    fill(areaPick, h("option", { value: "*", selected: area === undefined }, `All (${rows.length})`),
      names.toSorted().map((a) => h("option", { value: `=${a}`, selected: area === a }, `${a || "In no area"} (${areas.find((x) => (x.area ?? "") === a)!.jobs.length})`)));
    areaPick.parentElement!.hidden = names.length < 2;
    order.hidden = names.length < 2 || area !== undefined;
    fill(order, ([["By area", true], ["One order", false]] as const).map(([word, on]) => h("button", { type: "button", class: "act", "aria-pressed": String(grouped === on), on: { click: () => { grouped = on; note(); draw(); } } }, word)));
    openAll.textContent = here.some((r) => !opened.has(r.job.turnout)) ? "Unfold all" : "Fold all";
    openAll.hidden = here.length === 0;
    fill(summary, rows.length === 0 ? "No turnout asks for a visit." : [count(all.length, "turnout to visit", "turnouts to visit"), ", the most pressing first", untold > 0 && `; ${count(untold, "more comes", "more come")} after these and are not shown`]);
    const groups = new Map<string, Row[]>();
    for (const r of here) {
      const key = grouped ? (r.job.area ?? "") : "";
      groups.set(key, [...(groups.get(key) ?? []), r]);
    }
    fill(list, [...groups].map(([a, its]) => group(grouped ? a : undefined, its)));
    more.hidden = all.length <= here.length;
    more.textContent = `Show more (${here.length.toLocaleString("en-GB")} of ${all.length.toLocaleString("en-GB")} are shown and printed)`;
  };

  const group = (a: string | undefined, its: Row[]): HTMLElement => {
    const pack = packing(its.map((r) => r.job));
    const title = a === undefined ? "All areas" : a || "In no area";
    return h("section", { class: "area", data: { area: a ?? "*" }, "aria-label": title },
      h("div", { class: "area-head" }, h("h2", null, title), h("span", { class: "soft" }, count(its.length, "turnout", "turnouts"))),
      h("ol", { class: "job-list" }, its.map((r) => job(r))),
      pack.length > 0 && h("section", { class: "packing", "aria-label": `To bring, ${title}` },
        h("h3", null, "To bring, all together"),
        h("p", { class: "soft" }, "Likely needed, by the causes held likely; the railway’s own list comes first. Beside each the numbers of the turnouts it is for."),
        h("ul", { class: "ticks" }, pack.map((p) => h("li", null, tick(`bring ${a ?? "*"} ${p.what}`, p.what), " ", h("span", { class: "soft" }, p.jobs.map((i) => its[i]!.rank).join(", ")))))));
  };

  const tick = (key: string, words: string): HTMLElement => {
    const box = h("input", { type: "checkbox", checked: ticked.has(key), on: { change: () => { if (box.checked) ticked.add(key); else ticked.delete(key); } } });
    return h("label", null, box, h("span", null, words));
  };

  const job = (r: Row): HTMLElement => {
    const j = r.job;
    const left = daysLeft(j);
    const open = opened.has(j.turnout);
    const body = h("div", { class: open ? "job-body" : "job-body shut", id: `job-${r.rank}` });
    let filled = false;
    const write = (): void => {
      if (filled) return;
      filled = true;
      fill(body, details(r, tick));
    };
    if (open) write();
    const fold = h("button", { type: "button", class: "fold", "aria-expanded": String(open), "aria-controls": body.id, "aria-label": `${j.turnout}: causes, checks, what to bring` });
    fold.addEventListener("click", () => {
      const on = fold.getAttribute("aria-expanded") !== "true";
      write();
      body.classList.toggle("shut", !on);
      fold.setAttribute("aria-expanded", String(on));
      if (on) opened.add(j.turnout);
      else opened.delete(j.turnout);
    });
    window.addEventListener("beforeprint", write, { signal });
    const where = [j.line, j.position !== undefined && `at ${j.position}`, !grouped && j.area].filter(Boolean).join(", ");
    const first = j.causes[0];
    return h("li", { class: "job", data: { job: j.turnout, rank: r.rank, priority: j.priority } },
      h("div", { class: "job-head" },
        h("span", { class: "rank", "aria-label": `number ${r.rank}` }, String(r.rank)),
        h("div", { class: "job-what" },
          h("h3", null, h("a", { href: `/turnouts/${segment(j.turnout)}` }, j.turnout), h("span", { class: "prio" }, diamond(j.priority), j.priority), where && h("span", { class: "soft place-line" }, where)),
          h("p", { class: "left" }, h("b", null, sentence(left.said).replace(/\.$/, "")), left.between && h("span", { class: "soft" }, ` (${left.between})`)),
          h("p", { class: "short" }, [...new Set(j.conditions)].map((c) => conditionName(c)).join(", "), first && [": ", causeName(first.cause), " ", h("b", null, percent(first.probability))])),
        h("div", { class: "job-acts" }, fold, h("a", { class: "act main record for-maintainers", href: `/turnouts/${segment(j.turnout)}/visit`, "aria-label": `Record work at ${j.turnout}` }, "Record work"))),
      body);
  };

  const load = async (): Promise<void> => {
    try {
      const told = await readWorkList(signal);
      areas = told.items;
      untold = told.more ?? 0;
      const key = JSON.stringify(told);
      fill(trouble);
      if (key === drawn) return;
      const first = drawn === "";
      drawn = key;
      rows = ordered(areas);
      if (area !== undefined && !areas.some((a) => (a.area ?? "") === area) && areas.length > 0) area = undefined;
      // A wide screen has room for the first three; a narrow one for their heads.
      if (first && matchMedia("(min-width: 62rem)").matches) for (const r of visible().slice(0, 3)) opened.add(r.job.turnout);
      const focus = document.activeElement?.closest<HTMLElement>("[data-job]")?.dataset.job;
      draw();
      if (focus) list.querySelector<HTMLElement>(`[data-job="${CSS.escape(focus)}"] a`)?.focus({ preventScroll: true });
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The work list could not be read.", () => void load()));
    }
  };
  const reload = throttle(() => void load(), 5000);
  const offs = [yard.stream.on("alert", reload), yard.stream.on("case", reload)];
  // Days go by without an alert: the forecasts do too.
  const timer = window.setInterval(reload, 60_000);
  reload();

  const step = (by: number): void => {
    const all = [...list.querySelectorAll<HTMLElement>("[data-job]")];
    const at = all.indexOf(document.activeElement?.closest("[data-job]") as HTMLElement);
    const next = all[at < 0 ? 0 : Math.max(0, Math.min(all.length - 1, at + by))];
    next?.querySelector<HTMLElement>("h3 a")?.focus();
    next?.scrollIntoView({ block: "nearest" });
  };

  return {
    title: "Work list",
    refresh: reload,
    key(ev): boolean {
      const at = document.activeElement?.closest("[data-job]");
      switch (ev.key) {
        case "j":
          step(1);
          return true;
        case "k":
          step(-1);
          return true;
        case "o":
          at?.querySelector<HTMLElement>(".fold")?.click();
          return at !== null;
        case "r":
          at?.querySelector<HTMLElement>(".record")?.click();
          return at !== null;
        case "p":
          window.print();
          return true;
      }
      return false;
    },
    close(): void {
      for (const off of offs) off();
      reload.cancel();
      window.clearInterval(timer);
    },
  };
};

/** All jobs in the order to visit, over all areas. */
function ordered(areas: AreaJobs[]): Row[] {
  return areas.flatMap((a) => a.jobs.map((job) => ({ job, rank: job.rank }))).sort((a, b) => a.rank - b.rank);
}

function details({ job: j }: Row, tick: (key: string, words: string) => HTMLElement): HTMLElement[] {
  const part = (name: string, ...what: (HTMLElement | false)[]): HTMLElement => h("div", { class: `part part-${name.split(" ")[0]!.toLowerCase()}` }, h("h4", null, name), ...what);
  const check = (c: string): HTMLElement => h("li", null, tick(`${j.turnout} ${c}`, sentence(c)));
  // A long list of checks is not made: those for what is likely come first.
  const first = j.checks.filter((c) => j.causes.some((x, i) => (i === 0 || x.probability >= likely) && x.checks.includes(c)));
  const rest = j.checks.filter((c) => !first.includes(c));
  return [
    part("Why", h("ul", { class: "plain" }, j.why.map((w) => h("li", null, sentence(w))))),
    part("Likely causes", h("ul", { class: "causes" }, j.causes.map((c: Cause) => h("li", { data: { cause: c.cause } }, h("span", { class: "name" }, causeName(c.cause)), bar(c.probability), h("b", null, percent(c.probability)))))),
    part("Checks to make", h("ul", { class: "ticks" }, first.map(check)),
      rest.length > 0 && h("details", { class: "rest" }, h("summary", null, `${count(rest.length, "check", "checks")} for what is less likely`), h("ul", { class: "ticks" }, rest.map(check)))),
    part("To bring", j.bring.length > 0 ? h("ul", { class: "ticks" }, j.bring.map((b) => h("li", null, tick(`${j.turnout} bring ${b}`, b)))) : h("p", { class: "soft" }, "Nothing special.")),
    h("p", { class: "job-blank" }, ["Found:", "Done:", "By, at:"].map((w) => h("span", null, w))),
  ];
}
