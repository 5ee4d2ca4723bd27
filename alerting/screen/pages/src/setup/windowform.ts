// The form for a window, with what it would do beside it while it is written.

import { addWindow, changeWindow, previewWindow, Problem, type Fleet, type NewWindow, type Window, type WindowPreview } from "../api.ts";
import { yardNow } from "../clock.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { field, form, text } from "../form.ts";
import { sentence } from "../sentence.ts";
import { alertTitle, count } from "../words.ts";
import { matchWords, names } from "./matchwords.ts";
import { inWords, lengthWords, listed, once, readRule, rule, weekdays, type Freq, type Repeat } from "./repeat.ts";
import { by } from "./sure.ts";
import { moment, wallNow } from "./zones.ts";

const hidesShown = 30;
const settled = 500; // ms without a key before the preview is asked for

/** fleet is what the names are held against; done is called once it is saved or left. */
export function windowForm(w: Window | undefined, fleet: Fleet | undefined, done: (saved?: Window) => void, signal: AbortSignal): { el: HTMLElement; first: HTMLElement } {
  const at = (name: string): string => `window-${name}`;
  const known = (list: string[] | undefined): string => {
    const all = [...new Set(list ?? [])].filter(Boolean).sort();
    return all.length === 0 ? "" : ` Known: ${all.slice(0, 12).join(", ")}${all.length > 12 ? ", …" : ""}.`;
  };
  const name = field("name", "Name", text(at("name"), { maxlength: 128, autocomplete: "off", autocapitalize: "sentences", value: w?.name ?? "" }), "For example: Sunday works at the east yard.");
  const input = (id: string, list: string[] | undefined): HTMLInputElement => h("input", { id: at(id), value: (list ?? []).join(", "), autocomplete: "off", spellcheck: "false" });
  const areas = field("match.areas", "Areas", input("areas", w?.match.areas), "Parted by commas; left empty: all." + known(fleet?.area));
  const lines = field("match.lines", "Lines", input("lines", w?.match.lines), "Parted by commas; left empty: all." + known(fleet?.line));
  const turnouts = field("match.turnouts", "Turnouts", input("turnouts", w?.match.turnouts), "Names, or patterns: * stands for anything, ? for one character. Left empty: all.");
  const zones = h("datalist", { id: at("zones") }, Intl.supportedValuesOf("timeZone").map((z) => h("option", { value: z })));
  const zone = field("zone", "Zone", text(at("zone"), { list: at("zones"), autocomplete: "off", value: w?.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone }), "Where the clock on the wall stands.");
  const start = field("start", "Start, by the wall’s clock", text(at("start"), { type: "datetime-local", value: w?.start ?? "" }), "Of the first time.");
  const hours = field("duration_minutes", "Length", text(at("hours"), { type: "number", min: 0, max: 744, step: 1, value: w ? String(Math.floor(w.duration_minutes / 60)) : "6", "aria-label": "Length, hours" }), "1 minute to 31 days, of each time.");
  const minutes = h("input", { id: at("minutes"), type: "number", min: 0, max: 59, step: 1, value: w ? String(Math.round(w.duration_minutes % 60)) : "0", "aria-label": "Length, minutes" });
  const both = h("span", { class: "row" });
  hours.input.replaceWith(both);
  both.append(hours.input, h("span", null, "h"), minutes, h("span", null, "min"));
  const note = field("note", "Note", h("textarea", { id: at("note"), rows: 2, maxlength: 4096 }, w?.note ?? ""));

  // How it repeats.
  const was = readRule(w?.repeat);
  const r: Repeat = was ?? once();
  const freq = field("repeat", "Repeats", h("select", { id: at("repeat") },
    ([["", "once"], ["DAILY", "every day"], ["WEEKLY", "every week on days"], ["MONTHLY", "every month"], ["RULE", "by a rule of RFC 5545"]] as const)
      .map(([v, n]) => h("option", { value: v, selected: was ? r.freq === v : v === "RULE" }, n))));
  const days = new Map(weekdays.map(([code, day]) => [code, h("input", { type: "checkbox", id: at(`day-${code}`), checked: r.freq === "WEEKLY" && r.days.includes(code), "aria-label": day })]));
  const dayRow = h("fieldset", { class: "days" }, h("legend", null, "On"), [...days].map(([code, box]) => h("label", null, box, weekdays.find(([c]) => c === code)![1].slice(0, 3))));
  const onDay = field("repeat", "On", h("select", { id: at("month-day") }));
  const interval = field("repeat", "Every how many", h("input", { id: at("interval"), type: "number", min: 1, max: 366, value: String(r.interval) }), "1: each; 2: every other.");
  const ends = field("repeat", "Until", h("select", { id: at("ends") }, [["", "it is dropped"], ["until", "a last day"], ["count", "a number of times"]].map(([v, n]) => h("option", { value: v, selected: v === (r.count > 0 ? "count" : r.until ? "until" : "") }, n!))));
  const until = field("repeat", "Last day", h("input", { id: at("until"), type: "date", value: r.until }));
  const times = field("repeat", "Times", h("input", { id: at("times"), type: "number", min: 1, max: 1000, value: String(r.count || 4) }));
  const raw = field("repeat", "Rule", h("input", { id: at("rule"), value: w?.repeat ?? "", autocomplete: "off", spellcheck: "false" }), "FREQ of DAILY, WEEKLY or MONTHLY, INTERVAL, BYDAY, UNTIL or COUNT.");

  const repeat = (): string => {
    const f = freq.input.value;
    if (f === "RULE") return raw.input.value.trim();
    const picked = f === "WEEKLY" ? weekdays.map(([c]) => c).filter((c) => days.get(c)!.checked) : f === "MONTHLY" && onDay.input.value ? [onDay.input.value] : [];
    return rule({
      freq: f as Freq, interval: Math.max(1, Math.floor(Number(interval.input.value)) || 1), days: picked,
      until: ends.input.value === "until" ? until.input.value : "", count: ends.input.value === "count" ? Math.floor(Number(times.input.value)) : 0,
    });
  };
  // On which days of a month the start can lie.
  const monthDays = (): void => {
    const d = new Date(start.input.value.slice(0, 10) + "T00:00Z");
    if (Number.isNaN(d.getTime())) return;
    const [code, day] = weekdays[(d.getUTCDay() + 6) % 7]!;
    const n = Math.floor((d.getUTCDate() - 1) / 7) + 1;
    const last = d.getUTCDate() + 7 > new Date(Date.UTC(d.getUTCFullYear(), d.getUTCMonth() + 1, 0)).getUTCDate();
    const before = onDay.input.value || (r.freq === "MONTHLY" ? r.days.join(",") : "");
    const words = ["first", "second", "third", "fourth", "fifth"];
    const list: [string, string][] = [["", `day ${d.getUTCDate()}`], [`${n}${code}`, `the ${words[n - 1]!} ${day}`]];
    if (last) list.push([`-1${code}`, `the last ${day}`]);
    fill(onDay.input, list.map(([v, t]) => h("option", { value: v, selected: v === before }, t)));
  };

  const want = (): NewWindow => ({
    name: name.input.value.trim() || "–",
    match: { ...(w?.match ?? {}), areas: names(areas.input.value), lines: names(lines.input.value), turnouts: names(turnouts.input.value) } as NewWindow["match"],
    zone: zone.input.value.trim(), start: start.input.value.slice(0, 16), duration_minutes: 60 * Number(hours.input.value) + Number(minutes.value),
    repeat: repeat() || undefined, note: note.input.value.trim() || undefined, by: by(),
  });

  const words = h("p", { class: "rule-words", id: "rule-words" });
  const shows = h("div", { id: "window-preview", "aria-live": "polite" });
  const repeatFields = h("div", { class: "fields wide" }, freq.el, interval.el, dayRow, onDay.el, raw.el, ends.el, until.el, times.el);
  const f = form("window", [name, areas, lines, turnouts, zone, start, hours, freq, note], w ? "Save the window" : "Enter the window", "The window was not saved.", async () => {
    const n = { ...want(), name: name.input.value.trim() };
    done(w ? await changeWindow(w.id, n) : await addWindow(n));
  });
  freq.el.replaceWith(repeatFields);
  repeatFields.prepend(freq.el);
  repeatFields.append(words);
  note.el.classList.add("wide");
  f.el.querySelector("button[type=submit]")!.after(" ", h("button", { type: "button", class: "act", on: { click: () => done() } }, "Leave it"));
  f.el.append(zones);

  const lay = (): void => {
    const v = freq.input.value;
    dayRow.hidden = v !== "WEEKLY";
    onDay.el.hidden = v !== "MONTHLY";
    interval.el.hidden = ends.el.hidden = v === "" || v === "RULE";
    until.el.hidden = ends.el.hidden || ends.input.value !== "until";
    times.el.hidden = ends.el.hidden || ends.input.value !== "count";
    raw.el.hidden = v !== "RULE";
    const n = want();
    const says = v === "" ? "once" : inWords(n.repeat, n.start);
    fill(words, says[0]!.toUpperCase() + says.slice(1), n.duration_minutes > 0 && `, for ${lengthWords(n.duration_minutes)}`, n.repeat && [" ", h("code", null, n.repeat)]);
  };

  const taken = (n: NewWindow): string => {
    if (!fleet) return "";
    const match = n.match;
    const fits = (list: readonly string[] | null | undefined, x: string): boolean => !list || list.length === 0 || list.includes(x);
    const globs = (match.turnouts ?? []).map((p) => new RegExp("^" + p.replaceAll(/[.+^${}()|[\]\\]/g, "\\$&").replaceAll("*", ".*").replaceAll("?", ".") + "$"));
    const hit = fleet.turnouts.filter((t, i) => fits(match.areas, fleet.area[i]!) && fits(match.lines, fleet.line[i]!) && (globs.length === 0 || globs.some((g) => g.test(t))));
    return hit.length === 0 ? "It takes in no turnout that is known." : `It takes in ${hit.length === fleet.turnouts.length ? "all " : ""}${count(hit.length, "turnout", "turnouts")}${hit.length <= 6 ? `: ${listed(hit)}` : ` of ${fleet.turnouts.length.toLocaleString("en-GB")}`}.`;
  };

  const draw = (n: NewWindow, p: WindowPreview): void => {
    fill(shows,
      h("h3", null, "What it would do"),
      h("p", null, sentence(matchWords(n.match as never)), " ", taken(n)),
      p.active && h("p", { class: "holds" }, h("b", null, "It would hold now"), p.ends_at && [", until ", moment(p.ends_at, n.zone)], "."),
      h("h4", null, p.starts.length === 5 ? "The next five starts" : p.starts.length === 0 ? "It does not begin again" : "The starts that are left"),
      p.starts.length > 0 && h("table", { class: "starts", id: "starts" }, h("thead", null, h("tr", null, h("th", { scope: "col" }, "Begins"), h("th", { scope: "col" }, "Ends"))),
        h("tbody", null, p.starts.map((s) => {
          const end = new Date(Date.parse(s) + 60e3 * n.duration_minutes).toISOString();
          const [a, b] = [moment(s, n.zone), moment(end, n.zone, n.duration_minutes < 6 * 1440)];
          return h("tr", null, h("td", null, a), h("td", null, b, a.dataset.offset !== b.dataset.offset && h("b", { class: "clocks" }, " the clocks change within it")));
        }))),
      p.starts.length > 1 && new Set(p.starts.map((s) => moment(s, n.zone).dataset.offset)).size > 1 && h("p", { class: "clocks" }, "The clocks change between these: the hour on the wall stays."),
      h("h4", null, p.hides.length === 0 ? "Of the alerts that live now it would hide none" : `Of the alerts that live now it would hide ${p.hides.length}`),
      p.hides.length > 0 && h("ul", { class: "hides" }, p.hides.slice(0, hidesShown).map((c) => h("li", null, h("b", null, alertTitle(c)), h("span", { class: "soft" }, c.priority)))),
      p.hides.length > hidesShown && h("p", { class: "soft" }, `and ${p.hides.length - hidesShown} more`));
  };

  let asked = 0;
  let typing = 0;
  const ask = async (): Promise<void> => {
    const mine = ++asked;
    const n = want();
    if (!n.start || !n.zone || !(n.duration_minutes >= 1)) {
      fill(shows, h("p", { class: "soft" }, "Give a start and a length, and what it would do is shown here."));
      return;
    }
    try {
      const p = await previewWindow(n);
      if (mine === asked && !signal.aborted) draw(n, p);
    } catch (err) {
      if (mine !== asked || signal.aborted) return;
      fill(shows, failure(err instanceof Problem && err.details.length > 0 ? new Problem(err.status, "", err.details) : err, "This would not be taken:"));
      // What stands here changes with every key: an alert each time would be noise.
      shows.querySelector("[role=alert]")?.removeAttribute("role");
    }
  };
  const changed = (): void => {
    lay();
    window.clearTimeout(typing);
    typing = window.setTimeout(() => void ask(), settled);
  };
  start.input.addEventListener("input", monthDays);
  freq.input.addEventListener("input", () => {
    // The first day is one of the days: the rule asks for that.
    const d = new Date(start.input.value.slice(0, 10) + "T00:00Z");
    if (freq.input.value === "WEEKLY" && ![...days.values()].some((b) => b.checked) && !Number.isNaN(d.getTime())) days.get(weekdays[(d.getUTCDay() + 6) % 7]![0])!.checked = true;
    if (freq.input.value === "RULE" && !raw.input.value) raw.input.value = w?.repeat ?? "FREQ=WEEKLY";
  });
  f.el.addEventListener("input", changed);
  f.el.addEventListener("keydown", (ev) => {
    if (ev.key !== "Escape") return;
    ev.stopPropagation();
    ev.preventDefault();
    done();
  });
  signal.addEventListener("abort", () => window.clearTimeout(typing));
  if (!w) start.input.value = wallNow(zone.input.value, yardNow());
  monthDays();
  lay();
  void ask();
  f.el.classList.add("window-form");
  return { el: h("div", { class: "panel window-panel" }, h("h2", null, w ? `Change “${w.name}”` : "A new window"), h("div", { class: "beside" }, f.el, shows)), first: name.input };
}

/** What a saved window says to the API again. */
export function again(w: Window, change: Partial<NewWindow>): NewWindow {
  return { name: w.name, match: w.match as NewWindow["match"], zone: w.zone, start: w.start, duration_minutes: w.duration_minutes, repeat: w.repeat, note: w.note, by: by(), ...change };
}
