// Routes: who is told what, and when; how the messages fare; and who would get
// an alert, before there is one.

import { previewRoutes, readFleet, readRoutes, readTargets, tryTarget, type Condition, type Hours, type Priority, type Route, type TargetState } from "../api.ts";
import { yardNow } from "../clock.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { field, form, text } from "../form.ts";
import { arrived } from "../marks.ts";
import type { Draw } from "../page.ts";
import { sentence } from "../sentence.ts";
import { matchWords } from "../setup/matchwords.ts";
import { lengthWords, listed, weekdays } from "../setup/repeat.ts";
import { by } from "../setup/sure.ts";
import { fieldTime, fieldValue, since, when, zoneName } from "../time.ts";
import { conditionName, count } from "../words.ts";

const reread = 15_000; // ms

/** Of alerts, as the API names them. */
const conditions: Condition[] = ["stiffening", "slow-throw", "incomplete-throw", "odd-throw", "late-detection", "weak-supply", "doubtful-measurement", "cabinet-silent"];
const priorities: Priority[] = ["high", "medium", "low"];

function hoursWords(hours: Hours | undefined): string {
  if (!hours) return "at any hour";
  const d = hours.days ?? [];
  const name = (x: string): string => weekdays.find(([c]) => c.toLowerCase() === x.slice(0, 2))?.[1] ?? x;
  const work = d.length === 5 && ["mon", "tue", "wed", "thu", "fri"].every((x) => d.includes(x));
  const night = hours.to <= hours.from ? " of the next day" : "";
  return `${d.length === 0 || d.length === 7 ? "every day" : work ? "Monday to Friday" : `on ${listed(d.map(name))}`} from ${hours.from} to ${hours.to}${night} (${hours.zone})`;
}

export const routesPage: Draw = (root, _yard, _args, signal) => {
  const said = h("p", { class: "summary", id: "routes-said" });
  const trouble = h("div", { role: "status" });
  const list = h("ol", { class: "routes", id: "routes" });
  const body = h("tbody");
  const tried = h("div", { role: "status", id: "tried" });
  const table = h("table", { class: "targets", id: "targets" },
    h("thead", null, h("tr", null, ["Target", "Kind", "Waiting", "Sent", "Last failure", "In routes"].map((n) => h("th", { scope: "col" }, n)), h("td", { class: "for-administrators" }))), body);
  const answer = h("div", { id: "who-answer", role: "status" });

  let drawn = "";

  // Who gets this?
  const known = h("datalist", { id: "who-turnouts" });
  const turnout = field("turnout", "Turnout", text("who-turnout", { maxlength: 64, autocomplete: "off", list: "who-turnouts" }));
  const condition = field("condition", "Alert", h("select", { id: "who-condition" }, conditions.map((c) => h("option", { value: c }, conditionName(c)))));
  const priority = field("priority", "Priority", h("select", { id: "who-priority" }, priorities.map((p) => h("option", { value: p }, p))));
  const at = field("at", `Raised at (${zoneName()})`, h("input", { id: "who-at", type: "datetime-local", value: fieldValue(yardNow()) }), "Left empty: now.");
  const who = form("who", [turnout, condition, priority, at], "Who gets this?", "This cannot be said.", async () => {
    const t = turnout.input.value.trim();
    const got = await previewRoutes({ turnout: t, condition: condition.input.value as Condition, priority: priority.input.value as Priority, at: fieldTime(at.input.value) });
    const told = [...new Set(got.filter((r) => r.told).flatMap((r) => r.targets))];
    fill(answer,
      h("p", { class: "verdict" }, told.length > 0 ? ["At once: ", h("b", null, listed(told)), "."] : h("b", { class: "bad" }, "Nobody is sent a message at once."), got.length === 0 && " No route is configured."),
      h("ol", { class: "whys" }, got.map((r) => h("li", { data: { route: r.route, told: r.told } },
        arrived(r.told), h("b", null, r.route), h("span", { class: "to" }, r.told ? `tells ${listed(r.targets)}` : "tells nobody at once"),
        h("span", { class: "why" }, sentence(r.why)), (r.then?.length ?? 0) > 0 && h("span", { class: "then soft" }, `While nobody acknowledges: ${listed(r.then!)}.`)))));
  });
  who.el.classList.add("place-form");
  who.el.append(known);

  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Routes"), said), trouble,
    h("div", { class: "routes-page" },
      h("section", null, h("h2", null, "Who is told what"), list),
      h("section", { class: "panel", id: "who-part" }, h("h2", null, "Who gets this?"), h("p", { class: "lead" }, "Nothing is sent."), who.el, answer)),
    h("section", { class: "own" }, h("h2", null, "Targets: how the messages fare"), tried, table));

  const drawRoute = (r: Route): HTMLElement => h("li", { data: { route: r.name } },
    h("h3", null, r.name),
    h("p", null, sentence(matchWords(r.match)), " Told: ", h("b", null, listed(r.targets)), `, ${hoursWords(r.hours)}.`),
    (r.remind_minutes || (r.escalate?.length ?? 0) > 0) && h("p", { class: "soft" }, "While nobody acknowledges: ",
      listed([...(r.remind_minutes ? [`a reminder every ${lengthWords(r.remind_minutes)}`] : []), ...(r.escalate ?? []).map((e) => `after ${lengthWords(e.after_minutes)} also ${listed(e.targets)}`)]), "."));

  const cell = (name: string, ...what: Parameters<typeof fill>[1][]): HTMLElement => h("td", { data: { name } }, ...what);
  const drawTarget = (t: TargetState): HTMLElement => {
    const bad = Boolean(t.failed_at) && (!t.sent_at || Date.parse(t.failed_at!) > Date.parse(t.sent_at));
    const b = h("button", { type: "button", class: "act", data: { act: "try" }, "aria-label": `Send a trial message to ${t.name}` }, "Send a trial");
    b.addEventListener("click", () => void (async () => {
      if (b.getAttribute("aria-disabled")) return;
      b.setAttribute("aria-disabled", "true"); // disabled, it would lose the focus
      fill(tried, h("p", { class: "soft" }, `Sending to ${t.name} …`));
      try {
        await tryTarget(t.name, by());
        fill(tried, h("p", { class: "good" }, `The trial message to ${t.name} got through.`));
      } catch (err) {
        fill(tried, failure(err, `The trial message to ${t.name} did not get through.`));
      }
      b.removeAttribute("aria-disabled");
      await load();
    })());
    return h("tr", { data: { target: t.name } },
      h("th", { scope: "row" }, t.name), cell("Kind", t.kind || h("span", { class: "soft" }, "no longer configured")),
      cell("Waiting", t.waiting > 0 ? [String(t.waiting), t.oldest && [" ", h("span", { class: "soft" }, "(oldest ", since(t.oldest), ")")]] : "none"),
      cell("Sent", t.sent_at ? [`${t.sent.toLocaleString("en-GB")}, last `, when(t.sent_at)] : "nothing yet", t.given_up > 0 && h("b", { class: "bad" }, ` ${count(t.given_up, "message", "messages")} given up`)),
      h("td", { class: "fault", data: { name: "Last failure" } }, t.failed_at ? [when(t.failed_at), " ", h("span", { class: bad ? "bad" : "soft" }, t.failure ?? ""), !bad && h("span", { class: "soft" }, " (it has worked since)")] : h("span", { class: "soft" }, "none")),
      cell("In routes", t.routes.length > 0 ? t.routes.join(", ") : h("span", { class: "soft" }, "none")),
      h("td", { class: "for-administrators" }, t.kind && b));
  };

  const load = async (): Promise<void> => {
    try {
      const [routes, targets] = await Promise.all([readRoutes(signal), readTargets(signal)]);
      said.textContent = `${count(routes.length, "route", "routes")} to ${count(targets.length, "target", "targets")}`;
      if (!list.hasChildNodes()) fill(list, routes.length > 0 ? routes.map(drawRoute) : h("li", null, h("p", { class: "lead" }, "No route is configured: nobody is sent a message, and alerts are seen on these pages alone. Routes and targets stand in the configuration file, under ", h("code", null, "routes"), " and ", h("code", null, "targets"), ".")));
      table.hidden = targets.length === 0;
      const key = JSON.stringify(targets);
      const at = (document.activeElement as HTMLElement | null)?.closest<HTMLElement>("tr[data-target]")?.dataset.target;
      if (key !== drawn) fill(body, targets.map(drawTarget)); // else what is under someone's pointer stays
      drawn = key;
      if (at) body.querySelector<HTMLElement>(`tr[data-target="${CSS.escape(at)}"] button`)?.focus();
      fill(trouble);
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The routes could not be read.", () => void load()));
    }
  };
  void load();
  readFleet(signal).then((f) => fill(known, f.turnouts.map((t) => h("option", { value: t }))), () => undefined); // without it names are typed
  const timer = window.setInterval(() => void load(), reread);
  return { title: "Routes", refresh: () => void load(), close: () => window.clearInterval(timer) };
};
