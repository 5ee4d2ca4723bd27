// Windows: times in which alerts are hidden by design, for possessions and works.

import { changeWindow, dropWindow, previewWindow, readFleet, readWindows, type Case, type Fleet, type NewWindow, type Window } from "../api.ts";
import { yardNow } from "../clock.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import type { Draw } from "../page.ts";
import { may } from "../session.ts";
import { matchWords } from "../setup/matchwords.ts";
import { inWords, lengthWords, occurrences, readRule, rule } from "../setup/repeat.ts";
import { by, sure } from "../setup/sure.ts";
import { again, windowForm } from "../setup/windowform.ts";
import { moment, wall } from "../setup/zones.ts";
import { alertTitle, count } from "../words.ts";

const reread = 20_000; // ms

export const windowsPage: Draw = (root, yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "windows-said", "aria-live": "polite" });
  const trouble = h("div", { role: "status", id: "windows-trouble" });
  const writing = h("div", { id: "window-writing" });
  const body = h("ol", { class: "windows", id: "windows" });
  const none = h("p", { class: "lead", hidden: true }, "No window is entered. While works are on, a window keeps the alerts of the turnouts there from calling people; they are still kept and shown as hidden.");
  const add = h("button", { type: "button", class: "act main", id: "add-window", on: { click: () => write(undefined) } }, "A new window");
  let list: Window[] = [];
  let fleet: Fleet | undefined;
  const hides = new Map<number, Case[]>();
  let left = new AbortController();
  let drawn = "";
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Windows"), said),
    h("p", { class: "lead" }, "Possessions and works: while a window holds, the alerts it names call nobody. They are raised and kept all the same."),
    trouble, h("p", { class: "for-maintainers" }, add), writing, none, body);

  const write = (w: Window | undefined): void => {
    left.abort();
    left = new AbortController();
    const f = windowForm(w, fleet, (saved) => {
      left.abort();
      fill(writing);
      if (!saved) {
        (w ? button(w.id) : add)?.focus();
        return;
      }
      fill(trouble, h("p", { class: "good" }, `“${saved.name}” is ${w ? "changed" : "entered"}.`));
      void load().then(() => button(saved.id)?.focus());
    }, left.signal);
    fill(writing, f.el);
    f.first.focus();
    f.el.scrollIntoView({ block: "nearest" });
  };
  const button = (id: number): HTMLElement | null => body.querySelector(`[data-window="${id}"] [data-act=edit]`);

  const doing = async (what: string, f: () => Promise<unknown>, done: string): Promise<void> => {
    try {
      await f();
      fill(trouble, h("p", { class: "good" }, done));
    } catch (err) {
      fill(trouble, failure(err, what));
    }
    await load();
    add.focus();
  };

  const row = (w: Window): HTMLElement => {
    const now = hides.get(w.id) ?? [];
    const over = !w.active && !w.next_start;
    return h("li", { class: "window", data: { window: w.id, active: w.active, over } },
      h("h2", null, w.name),
      h("p", { class: "window-state" }, w.active ? [h("b", { class: "holds" }, "holds now"), w.ends_at && [" until ", moment(w.ends_at, w.zone)]]
        : w.next_start ? ["next ", moment(w.next_start, w.zone)] : h("span", { class: "soft" }, "over: it does not begin again")),
      h("dl", { class: "window-facts" },
        h("div", null, h("dt", null, "Hides"), h("dd", null, matchWords(w.match))),
        h("div", null, h("dt", null, "When"), h("dd", null, `${inWords(w.repeat, w.start)}, ${w.repeat ? `from ${w.start.slice(11)}` : `on ${w.start.replace("T", " at ")}`} for ${lengthWords(w.duration_minutes)}, `, h("span", { class: "soft" }, w.zone), w.repeat && [" ", h("code", null, w.repeat)])),
        w.note && h("div", null, h("dt", null, "Note"), h("dd", null, w.note)),
        w.by && h("div", null, h("dt", null, "Entered by"), h("dd", null, w.by))),
      w.active && h("div", { class: "hides-now" }, h("b", null, now.length === 0 ? "It hides no alert now." : `It hides ${count(now.length, "alert", "alerts")} now:`),
        now.length > 0 && h("ul", { class: "hides" }, now.slice(0, 12).map((c) => h("li", null, h("a", { href: `/alerts/${encodeURIComponent(c.id)}` }, alertTitle(c)), h("span", { class: "soft" }, c.priority))), now.length > 12 && h("li", null, `and ${now.length - 12} more`))),
      h("div", { class: "row for-maintainers" },
        h("button", { type: "button", class: "act", data: { act: "edit" }, "aria-label": `Change ${w.name}`, on: { click: () => write(w) } }, "Change"),
        w.active && sure("End now", `End now: ${w.name}`, "End it now?", () => void doing("The window was not ended.", () => endNow(w), `“${w.name}” has ended.`)),
        sure("Drop", `Drop ${w.name}`, "Drop it for good?", () => void doing("The window was not dropped.", () => dropWindow(w.id, by()), `“${w.name}” is dropped.`))));
  };

  const draw = (): void => {
    const active = list.filter((w) => w.active).length;
    said.textContent = list.length === 0 ? "none" : `${count(list.length, "window", "windows")}, ${active === 0 ? "none holds now" : active === 1 ? "one holds now" : `${active} hold now`}`;
    none.hidden = list.length > 0;
    const asking = document.activeElement?.closest<HTMLElement>("[data-sure]");
    if (asking && body.contains(asking)) return; // someone is about to answer
    const key = JSON.stringify([list, list.map((w) => (w.active ? hides.get(w.id)?.map((c) => [c.id, c.priority]) : 0)), may("maintainer")]);
    if (key === drawn) return; // what is under someone's pointer stays
    drawn = key;
    const focused = document.activeElement?.closest<HTMLElement>("[data-window]")?.dataset.window;
    const which = (document.activeElement as HTMLElement | null)?.getAttribute("aria-label");
    fill(body, sorted(list).map(row));
    if (focused) [...body.querySelectorAll<HTMLElement>(`[data-window="${focused}"] button`)].find((b) => b.getAttribute("aria-label") === which)?.focus();
  };

  const load = async (): Promise<void> => {
    try {
      list = await readWindows(signal);
      await Promise.all(list.filter((w) => w.active).map(async (w) => { hides.set(w.id, (await previewWindow(again(w, {}))).hides); }));
      if (!signal.aborted) draw();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The windows could not be read.", () => void load()));
    }
  };
  void load();
  readFleet(signal).then((f) => { fleet = f; }, () => undefined); // without it the form counts no turnouts
  const timer = window.setInterval(() => void load(), reread);
  const off = yard.stream.on("case", () => void load());
  return {
    title: "Windows",
    refresh: () => void load(),
    close(): void {
      window.clearInterval(timer);
      off();
      left.abort();
    },
  };
};

function sorted(list: Window[]): Window[] {
  const rank = (w: Window): number => (w.active ? 0 : w.next_start ? 1 : 2);
  return [...list].sort((a, b) => rank(a) - rank(b) || Date.parse(a.ends_at ?? a.next_start ?? "1970-01-01") - Date.parse(b.ends_at ?? b.next_start ?? "1970-01-01") || a.id - b.id);
}

/**
 * Ends the time that holds now. A window that was for once is cut short; one
 * that repeats begins with its next time, so that none after is lost.
 */
async function endNow(w: Window): Promise<void> {
  if (w.next_start) {
    const r = readRule(w.repeat);
    const next = wall(Date.parse(w.next_start), w.zone).slice(0, 10) + w.start.slice(10);
    let repeat: NewWindow["repeat"] = w.repeat;
    if (r && r.count > 0) {
      // Of a number of times, those are left that have not begun.
      const day = new Date(Date.parse(next.slice(0, 10) + "T00:00Z") - 86400e3).toISOString();
      repeat = rule({ ...r, count: r.count - occurrences(r, w.start, day) });
    }
    await changeWindow(w.id, again(w, { start: next, repeat }));
    return;
  }
  const begun = Date.parse(w.ends_at!) - 60e3 * w.duration_minutes;
  const minutes = Math.floor((yardNow() - begun) / 60e3);
  if (w.repeat || minutes < 1) await dropWindow(w.id, by()); // nothing of it would be left
  else await changeWindow(w.id, again(w, { duration_minutes: minutes }));
}
