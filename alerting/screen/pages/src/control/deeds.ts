// What people do about alerts: each deed asks for what it needs, does it, and
// says what came of it at the alert.

import { acknowledgeAll, actOn, Problem, readCase, type Action, type Case, type NewAct, type NewFound } from "../api.ts";
import type { Cases } from "../cases.ts";
import { subject } from "../cases.ts";
import { yardNow } from "../clock.ts";
import { fill, h } from "../dom.ts";
import { field, text, type Field } from "../form.ts";
import { may } from "../session.ts";
import { sentence } from "../sentence.ts";
import { fieldTime, fieldValue, written, zoneName } from "../time.ts";
import { causeName, conditionName } from "../words.ts";
import { ask } from "./ask.ts";
import { who } from "./who.ts";

export interface Deed {
  key: string;
  name: string;
  /** Whether it can be done to the case, by who is here. */
  fits(c: Case): boolean;
  /** Does it to all of them; they fit. */
  run(list: Case[]): Promise<void>;
}

const hidden = (c: Case): boolean => c.standing === "shelved" || c.standing === "suppressed" || c.standing === "out-of-service";

const answered = (c: Case): boolean => (c.handling.call ?? 0) >= (c.call ?? 0) && c.handling.acknowledged_at !== undefined;

/** Told of an alert; wrong: it was not done. */
export type Tell = (id: string, what: string, wrong: boolean) => void;

export const causeNames: NonNullable<NewFound["cause"]>[] = ["dry-slide-chairs", "seized-roller", "obstruction", "lock-adjustment", "back-drive", "hydraulic-leak",
  "motor-wear", "supply-voltage", "measurement", "detection-adjustment", "cold-weather", "unknown"];

/** The deeds, in the order in which they are offered. */
export function deeds(cases: Cases, tell: Tell): Deed[] {
  const operator = (): boolean => may("operator");
  const about = (list: Case[]): string => (list.length === 1 ? `${subject(list[0]!)}, ${conditionName(list[0]!.condition).toLowerCase()}` : `${list.length} alerts`);

  // One after the other: each stands by itself, and the first that is wrong by what was filled in ends it.
  const each = async (list: Case[], action: Action, body: NewAct, done: string): Promise<void> => {
    const by = await who();
    if (by === null) return;
    for (const c of list) {
      try {
        cases.apply(await actOn(c.id, action, { ...body, ...(by === undefined ? {} : { by }) }));
        tell(c.id, done, false);
      } catch (err) {
        if (err instanceof Problem && err.status === 422) throw err;
        tell(c.id, refusal(err), true);
        if (err instanceof Problem && err.status === 409) void readCase(c.id).then((now) => cases.apply(now), () => undefined);
      }
    }
  };
  const simply = (action: Action, done: string) => async (list: Case[]): Promise<void> => {
    try {
      await each(list, action, {}, done);
    } catch (err) {
      for (const c of list) tell(c.id, refusal(err), true);
    }
  };

  // Who it is has to be known before anything is filled in.
  const asking = (f: (list: Case[]) => Promise<unknown>) => async (list: Case[]): Promise<void> => {
    if ((await who()) !== null) await f(list);
  };

  return [
    {
      key: "a", name: "Acknowledge",
      fits: (c) => operator() && !answered(c),
      run: async (list) => {
        const by = await who();
        if (by === null) return;
        try {
          const { items, refused } = await acknowledgeAll(list.map((c) => c.id), Object.fromEntries(list.map((c) => [c.id, c.call ?? 0])), undefined, by);
          for (const c of items) {
            cases.apply(c);
            tell(c.id, "Acknowledged.", false);
          }
          for (const r of refused) {
            tell(r.id, refusal(new Problem(r.status, r.detail)), true);
            void readCase(r.id).then((now) => cases.apply(now), () => undefined);
          }
        } catch (err) {
          for (const c of list) tell(c.id, refusal(err), true);
        }
      },
    },
    {
      key: "s", name: "Shelve",
      fits: (c) => operator() && !c.cleared_at && c.standing !== "shelved" && c.standing !== "normal",
      run: asking((list) => {
        const ends = shelvingEnds();
        const reason = field("note", "Why", text("shelve-why", { maxlength: 4096, autocomplete: "off", autocapitalize: "sentences", spellcheck: "true" }), "Whoever looks at what is hidden reads it.");
        return ask("shelve", `Shelve ${about(list)}`, [h("p", { class: "soft" }, "It calls nobody until then, and makes no sound. When it ends and the alert still stands, it calls again.")],
          [reason, ends.field], "Shelve", "It was not shelved.", () => each(list, "shelve", { note: reason.input.value.trim(), ...ends.chosen() }, "Shelved."));
      }),
    },
    {
      key: "u", name: "Unshelve",
      fits: (c) => operator() && c.handling.shelved_until !== undefined && Date.parse(c.handling.shelved_until) > yardNow(),
      run: simply("unshelve", "No longer shelved."),
    },
    {
      key: "n", name: "Note",
      fits: operator,
      run: asking((list) => {
        const note = field("note", "Note", text("note-text", { maxlength: 4096, autocomplete: "off", autocapitalize: "sentences", spellcheck: "true" }));
        return ask("note", `Note to ${about(list)}`, [], [note], "Write it down", "It was not written down.", () => each(list, "note", { note: note.input.value.trim() }, "Noted."));
      }),
    },
    {
      key: "f", name: "Say what was found",
      fits: () => may("maintainer"),
      run: asking((list) => {
        const f = foundFields();
        return ask("found", `Found at ${about(list)}`, [h("p", { class: "soft" }, "It feeds the figures of how good the alerts have been here, and acknowledges the alert.")],
          f.fields, "Record", "It was not recorded.", () => each(list, "judge", { found: f.chosen() }, "Recorded what was found."));
      }),
    },
    {
      key: "r", name: "Take back",
      fits: (c) => operator() && !hidden(c) && (c.handling.found ? may("maintainer") : c.handling.acknowledged_at !== undefined),
      run: simply("reopen", "Taken back: it calls again where it still stands."),
    },
  ];
}

/** Why something was not done, as it is said at the alert. */
function refusal(err: unknown): string {
  if (!(err instanceof Problem)) return err instanceof TypeError ? "Not done: the server does not answer." : `Not done: ${String(err)}`;
  const why = err.details[0]?.message ?? err.message;
  const found = /\bfound (.+)$/s.exec(why)?.[1] ?? why;
  const said = found.replace(/\d{4}-\d\d-\d\dT[\d:.]+(?:Z|[+-]\d\d:\d\d)/g, (t) => written(Date.parse(t), "moment"));
  return err.status === 409 ? sentence(said.startsWith("acknowledged") ? `already ${said}` : `not done: ${said}`) : sentence(`not done: ${err.status === 422 ? why : said}`);
}

interface Ends {
  field: Field;
  chosen(): { for_hours: number } | { until: string };
}

function choices(name: string, legend: string, list: [value: string, label: string][], chosen?: string): { el: HTMLFieldSetElement; value(): string } {
  const radios = list.map(([value]) => h("input", { type: "radio", name, value, id: `${name}-${value}`, checked: value === chosen }));
  return {
    el: h("fieldset", { class: "choices" }, h("legend", null, legend), list.map(([, label], i) => h("label", null, radios[i]!, " ", label))),
    value: () => radios.find((r) => r.checked)?.value ?? "",
  };
}

/** The morning after the yard's day, in the zone that is shown. */
function morning(): string {
  return fieldTime(fieldValue(yardNow() + 86400e3).slice(0, 10) + "T06:00") ?? "";
}

function shelvingEnds(): Ends {
  const own = field("until", `Until (${zoneName()})`, h("input", { id: "shelve-until", type: "datetime-local", value: fieldValue(yardNow() + 86400e3) }), "At most 30 days ahead.");
  const c = choices("shelve-for", "For how long", [["1", "1 hour"], ["8", "8 hours"], ["morning", `until tomorrow, ${written(Date.parse(morning()), "moment")}`], ["own", "until a time of your own"]], "1");
  const follow = (): void => {
    const is = c.value() === "own";
    own.el.hidden = !is;
    own.input.required = is;
  };
  c.el.addEventListener("change", follow);
  follow();
  return {
    field: { ...own, name: "until", el: h("div", null, c.el, own.el) },
    chosen: () => {
      switch (c.value()) {
        case "own":
          return { until: fieldTime(own.input.value) ?? "" };
        case "morning":
          return { until: morning() };
      }
      return { for_hours: Number(c.value()) };
    },
  };
}

function foundFields(): { fields: Field[]; chosen(): NewFound } {
  const c = choices("found-true", "Was there something?", [["yes", "Yes"], ["no", "No, nothing: a false alert"]], "yes");
  const cause = field("found.cause", "What it was", h("select", { id: "found-cause" }, h("option", { value: "" }, "not said"), causeNames.map((n) => h("option", { value: n }, causeName(n)))));
  const note = field("found.note", "Note", text("found-note", { required: false, maxlength: 4096, autocomplete: "off", autocapitalize: "sentences", spellcheck: "true" }));
  const first = h("div", null, c.el, cause.el);
  c.el.addEventListener("change", () => {
    cause.el.hidden = c.value() === "no";
  });
  fill(first, c.el, cause.el);
  return {
    fields: [{ ...cause, el: first }, note],
    chosen: () => {
      const is = c.value() === "yes";
      const said = cause.input.value as NewFound["cause"];
      const remark = note.input.value.trim();
      return { true: is, ...(is && said ? { cause: said } : {}), ...(remark ? { note: remark } : {}) };
    },
  };
}
