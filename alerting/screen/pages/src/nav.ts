// The navigation: three groups of pages, all of them in sight where there is
// room, behind one button where there is not.

import { fill, h } from "./dom.ts";

interface Sheet {
  path: string;
  name: string;
  /** The names of the routes, of main.ts, under which one is on this sheet. */
  routes: string[];
  /** Seen by administrators alone. */
  chiefs?: true;
}

/** A sheet is shown as soon as main.ts has a route for it. */
const groups: [name: string, sheets: Sheet[]][] = [
  ["Watch", [
    { path: "/", name: "Alerts", routes: ["alerts", "alert"] },
    { path: "/turnouts", name: "Turnouts", routes: ["turnouts", "turnout", "throw"] },
    { path: "/cabinets", name: "Cabinets", routes: ["cabinets"] },
  ]],
  ["Work", [
    { path: "/work", name: "Work list", routes: ["work", "visit"] },
    { path: "/handover", name: "Hand-over", routes: ["handover"] },
    { path: "/report", name: "Report", routes: ["report"] },
    { path: "/journal", name: "Journal", routes: ["journal"] },
  ]],
  ["Set up", [
    { path: "/registry", name: "Registry", routes: ["registry"] },
    { path: "/windows", name: "Windows", routes: ["windows"] },
    { path: "/routes", name: "Routes", routes: ["routes"] },
    { path: "/quarantine", name: "Refused messages", routes: ["quarantine"] },
    { path: "/doctor", name: "The program itself", routes: ["doctor"] },
    { path: "/people", name: "People", routes: ["people"], chiefs: true },
    { path: "/audit", name: "Audit", routes: ["audit"], chiefs: true },
  ]],
];

export interface Nav {
  /** The button that opens the sheets where there is no room for them. */
  button: HTMLElement;
  el: HTMLElement;
  /** One is on this route, at this path. */
  mark(route: string, path: string): void;
}

/** Draws the navigation; tally stands at the alerts, drawn are the routes that there are. */
export function drawNav(tally: HTMLElement, drawn: readonly string[]): Nav {
  const links = new Map<Sheet, HTMLAnchorElement>();
  const here = h("span", { class: "here" });
  // Behind the button nobody would see that alerts call.
  const calls = h("a", { class: "calling", href: "/", hidden: true });
  new MutationObserver(() => {
    calls.hidden = !tally.textContent;
    calls.textContent = tally.textContent ? `Alerts ${tally.textContent}` : "";
  }).observe(tally, { childList: true, characterData: true, subtree: true });
  const button = h("button", { type: "button", class: "act", id: "show-sheets", "aria-expanded": "false", "aria-controls": "sheets" }, "Sheets");
  const open = (on: boolean): void => {
    button.setAttribute("aria-expanded", String(on));
    el.toggleAttribute("data-open", on);
  };
  const el = h("nav", { id: "sheets", "aria-label": "Sheets" }, groups.map(([group, sheets]) => {
    const there = sheets.filter((s) => s.routes.some((r) => drawn.includes(r)));
    const id = `sheets-${group.toLowerCase().replaceAll(" ", "-")}`;
    return there.length > 0 && h("div", { class: "group", role: "group", "aria-labelledby": id },
      h("span", { class: "group-name", id }, group),
      there.map((s) => {
        const a = h("a", { href: s.path, class: s.chiefs ? "chiefs" : undefined }, s.name, s.path === "/" && tally);
        links.set(s, a);
        return a;
      }));
  }));
  button.addEventListener("click", () => open(button.getAttribute("aria-expanded") !== "true"));
  el.addEventListener("click", (ev) => {
    if ((ev.target as Element).closest("a")) open(false);
  });
  for (const x of [el, button]) {
    x.addEventListener("keydown", (ev) => {
      if (ev.key !== "Escape" || !el.hasAttribute("data-open")) return;
      open(false);
      button.focus();
      ev.stopPropagation();
    });
  }
  return {
    button: h("div", { class: "where" }, button, here, calls),
    el,
    mark(route, path): void {
      open(false);
      fill(here);
      for (const [s, a] of links) {
        if (s.routes.includes(route)) {
          a.setAttribute("aria-current", path === s.path ? "page" : "true");
          fill(here, s.name);
        } else {
          a.removeAttribute("aria-current");
        }
      }
    },
  };
}
