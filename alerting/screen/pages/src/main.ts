// The frame around every page: masthead, news, connection, keys, title block.

import { all, get, readCases, type Alert, type List, type Notice, type Status } from "./api.ts";
import { Cases } from "./cases.ts";
import { tellNow, yardNow, yardRate } from "./clock.ts";
import { fill, h, remember, remembered, throttle } from "./dom.ts";
import { emblem } from "./marks.ts";
import { drawKeys } from "./keys.ts";
import { drawNav } from "./nav.ts";
import { News } from "./news.ts";
import { Notices } from "./notices.ts";
import type { Draw, Page, Yard } from "./page.ts";
import { accountPage } from "./pages/account.ts";
import { alertPage } from "./pages/alert.ts";
import { alertsPage } from "./pages/alerts.ts";
import { asidePage } from "./pages/aside.ts";
import { auditPage } from "./pages/audit.ts";
import { cabinetsPage } from "./pages/cabinets.ts";
import { doctorPage } from "./pages/doctor.ts";
import { handoverPage } from "./pages/handover.ts";
import { journalPage } from "./pages/journal.ts";
import { loginPage, welcomePage } from "./pages/login.ts";
import { peoplePage } from "./pages/people.ts";
import { reportPage } from "./pages/report.ts";
import { registryPage } from "./pages/registry.ts";
import { routesPage } from "./pages/routes.ts";
import { throwPage } from "./pages/throw.ts";
import { turnoutPage } from "./pages/turnout.ts";
import { turnoutsPage } from "./pages/turnouts.ts";
import { visitPage } from "./pages/visit.ts";
import { worklistPage } from "./pages/worklist.ts";
import { windowsPage } from "./pages/windows.ts";
import { may, named, readSession, session, toLogin, unknown } from "./session.ts";
import { Sound } from "./sound.ts";
import { Standing } from "./standing.ts";
import { Stream } from "./stream.ts";
import { bothZones, isUTC, onZone, setUTC, tickTimes, written, zoneName } from "./time.ts";
import { watchOutbox } from "./waiting.ts";
import { tellServer } from "./worktime.ts";

const routes: [RegExp, string, Draw][] = [
  [/^\/$/, "alerts", alertsPage],
  [/^\/alerts\/([^/]+)$/, "alert", alertPage],
  [/^\/turnouts$/, "turnouts", turnoutsPage],
  [/^\/turnouts\/([^/]+)$/, "turnout", turnoutPage],
  [/^\/turnouts\/([^/]+)\/visit$/, "visit", visitPage],
  [/^\/work$/, "work", worklistPage],
  [/^\/handover$/, "handover", handoverPage],
  [/^\/report$/, "report", reportPage],
  [/^\/throws\/([^/]+)$/, "throw", throwPage],
  [/^\/quarantine(?:\/(\d+))?$/, "quarantine", asidePage],
  [/^\/cabinets$/, "cabinets", cabinetsPage],
  [/^\/journal$/, "journal", journalPage],
  [/^\/registry$/, "registry", registryPage],
  [/^\/windows$/, "windows", windowsPage],
  [/^\/routes$/, "routes", routesPage],
  [/^\/doctor$/, "doctor", doctorPage],
  [/^\/people$/, "people", peoplePage],
  [/^\/audit$/, "audit", auditPage],
  [/^\/account$/, "account", accountPage],
  [/^\/login$/, "login", loginPage],
  [/^\/welcome$/, "welcome", welcomePage],
];

const staleAfter = 5000; // ms without the stream until all that is shown counts as old

/** Pages for who has not come in yet: nothing is read but what they ask for. */
const outside = /^\/(login|welcome)$/;

function must(id: string): HTMLElement {
  const el = document.getElementById(id);
  if (!el) throw new Error(`the page has no #${id}`);
  return el;
}

class Frame implements Yard {
  readonly stream = new Stream("/api/v1/events");
  readonly standing = new Standing(async () => {
    const [open, lately] = await Promise.all([
      all<Alert>("/alerts", { state: "open" }, 2000),
      get<List<Alert>>("/alerts", { state: "all", limit: 200 }),
    ]);
    return { open: open.items, cleared: lately.items.filter((a) => a.cleared_at) };
  });
  readonly cases = new Cases((cursor) => readCases({ state: "live", limit: 1000, cursor }));
  readonly sound = new Sound(() => undefined);
  readonly notices = new Notices(async () => (await get<List<Notice>>("/notices")).items);
  private readonly sheet = must("sheet");
  private readonly bar = must("connection");
  private readonly clock = h("time", { id: "clock", class: "clock" });
  private readonly demo = h("span", { class: "invented", id: "demo", hidden: true, title: "Railway, names and data are invented, and its time runs fast." }, "invented yard, fast time");
  private readonly zone = h("button", { type: "button", class: "quiet", id: "zone", on: { click: () => setUTC(!isUTC()) } });
  private readonly scheme = h("button", { type: "button", class: "quiet", id: "scheme", on: { click: () => this.turnScheme() } });
  private readonly me = h("a", { class: "quiet me", id: "me", href: "/account", title: "Your account", hidden: true });
  private readonly tally = h("span", { class: "tally", id: "tally" });
  private readonly nav = drawNav(this.tally, routes.map(([, name]) => name));
  private readonly keys = drawKeys(() => this.singleKeys, (on) => this.useSingleKeys(on));
  private singleKeys = remembered("keys") !== "off";
  private page: Page | undefined;
  private leave = new AbortController();
  private shown = "";
  private latest: Status | undefined;
  private lostAt = 0;

  status(): Status | undefined {
    return this.latest;
  }

  start(): void {
    this.drawMasthead();
    document.body.append(this.keys.dialog);
    document.addEventListener("click", (ev) => this.follow(ev));
    document.addEventListener("keydown", (ev) => this.press(ev));
    window.addEventListener("popstate", () => this.draw(true));
    onZone(() => this.drawTimes());
    window.setInterval(() => this.drawTimes(), 1000);
    document.addEventListener("session", () => this.drawMe());
    if (outside.test(location.pathname)) {
      document.documentElement.dataset.outside = "";
      this.draw(false);
      return;
    }
    watchOutbox(must("news"), this.stream);
    readSession().catch(() => undefined); // the bar tells
    new News(must("news"), this.cases);
    this.cases.subscribe(throttle(() => this.drawTally(), 150)); // each sorts anew
    this.cases.onCalls((fresh) => this.sound.call(fresh.some((c) => c.priority === "high")));
    this.sound.start();
    this.stream.on("link", (l) => this.drawLink(l.open, l.since));
    this.stream.on("alert", (e) => this.standing.apply(e));
    this.stream.on("case", (c) => this.cases.apply(c));
    this.stream.on("notices", (n) => this.notices.apply(n));
    this.stream.on("hello", () => {
      this.readStatus();
      void this.standing.reload().catch(() => undefined);
      void this.cases.reload().catch(() => undefined);
      void this.notices.reload();
      if (this.shown) this.page?.refresh?.();
    });
    window.setInterval(() => this.readStatus(), 10_000);
    this.readStatus();
    this.draw(false);
    this.stream.start();
    // Where the stream does not open at once, the lists are read all the same.
    window.setTimeout(() => {
      if (!this.standing.ready()) {
        void this.standing.reload().catch(() => undefined);
        void this.cases.reload().catch(() => undefined);
        void this.notices.reload();
        if (!document.documentElement.dataset.stream) this.drawLink(false, Date.now());
      }
    }, 3000);
  }

  go(path: string): void {
    if (path === location.pathname + location.search) return;
    history.replaceState({ y: window.scrollY }, "");
    history.pushState(null, "", path);
    this.draw(false);
    window.scrollTo(0, 0);
  }

  retitle(): void {
    this.drawTitle();
    this.drawBlock();
  }

  private draw(back: boolean): void {
    for (const [pattern, name, draw] of routes) {
      const m = pattern.exec(location.pathname);
      if (!m) continue;
      const again = this.shown !== "";
      this.page?.close();
      this.leave.abort();
      this.leave = new AbortController();
      const root = h("div", { class: `page page-${name}`, data: { page: name } });
      this.sheet.replaceChildren(root);
      this.shown = name;
      document.documentElement.dataset.route = name;
      this.nav.mark(name, location.pathname);
      this.page = draw(root, this, m.slice(1).filter((s) => s !== undefined).map(decodeURIComponent), this.leave.signal);
      this.drawTitle();
      this.drawBlock();
      if (again) (root.querySelector<HTMLElement>("h1[tabindex]") ?? this.sheet).focus({ preventScroll: true });
      const y = (history.state as { y?: number } | null)?.y;
      if (back && y !== undefined) window.setTimeout(() => window.scrollTo(0, y), 150);
      return;
    }
    fill(this.sheet, h("div", { class: "page" }, h("h1", null, "There is no such page"), h("p", null, h("a", { href: "/" }, "To the alerts"))));
  }

  // A link to another page of ours is followed without loading everything anew.
  private follow(ev: MouseEvent): void {
    if (ev.defaultPrevented || ev.button !== 0 || ev.metaKey || ev.ctrlKey || ev.shiftKey || ev.altKey) return;
    const a = (ev.target as Element).closest?.("a[href]");
    if (!(a instanceof HTMLAnchorElement) || a.target || a.origin !== location.origin || a.hasAttribute("download")) return;
    if (outside.test(location.pathname) || outside.test(a.pathname)) return; // who has not come in has no stream yet
    if (a.hash || !routes.some(([p]) => p.test(a.pathname))) return;
    ev.preventDefault();
    this.go(a.pathname + a.search);
  }

  private press(ev: KeyboardEvent): void {
    if (ev.defaultPrevented || ev.metaKey || ev.ctrlKey || ev.altKey || document.querySelector("dialog[open]") || outside.test(location.pathname)) return;
    const at = ev.target as HTMLElement;
    const field = at.matches?.("input, select, textarea, [contenteditable]");
    if (field && ev.key === "Escape") at.blur();
    if (field || !this.singleKeys) return;
    if (this.page?.key?.(ev)) {
      ev.preventDefault();
      return;
    }
    const acts: Record<string, () => void> = {
      "?": () => this.keys.show(),
      h: () => this.go("/"),
      t: () => this.go("/turnouts"),
      m: () => this.go("/work"),
      c: () => this.go("/cabinets"),
      q: () => this.go("/quarantine"),
      z: () => setUTC(!isUTC()),
      d: () => this.turnScheme(),
      "/": () => {
        this.go("/turnouts");
        document.querySelector<HTMLElement>("#filter")?.focus();
      },
    };
    const act = acts[ev.key];
    if (act) {
      ev.preventDefault();
      act();
    }
  }

  private useSingleKeys(on: boolean): void {
    this.singleKeys = on;
    remember("keys", on ? null : "off");
  }

  private turnScheme(): void {
    const root = document.documentElement;
    const dark = root.dataset.scheme ? root.dataset.scheme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.scheme = dark ? "light" : "dark";
    remember("scheme", root.dataset.scheme);
    this.drawScheme();
    root.dispatchEvent(new Event("schemechange"));
  }

  private drawScheme(): void {
    const chosen = document.documentElement.dataset.scheme;
    const dark = chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    this.scheme.textContent = dark ? "Light" : "Dark";
    this.scheme.title = `Show in ${dark ? "light" : "dark"} (d)`;
  }

  private drawMasthead(): void {
    fill(must("masthead"),
      h("a", { class: "brand", href: "/", "aria-label": "Throwline, to the alerts" }, emblem(), h("span", null, "Throwline")), this.demo,
      this.nav.button, this.nav.el,
      h("div", { class: "instruments" }, this.me, this.clock, this.zone, this.scheme,
        h("button", { type: "button", class: "quiet", id: "show-keys", title: "Keys (?)", "aria-label": "Keys", on: { click: () => this.keys.show() } }, "?")));
    this.drawScheme();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.drawScheme();
      document.documentElement.dispatchEvent(new Event("schemechange"));
    });
    this.drawTimes();
  }

  // What is not for one's role is not shown; the server refuses it all the same.
  private drawMe(): void {
    const root = document.documentElement;
    const s = session();
    this.me.hidden = !s?.user;
    this.me.textContent = s?.user ? s.user.display || s.user.name : "";
    root.toggleAttribute("data-named", named());
    root.toggleAttribute("data-maintainer", may("maintainer"));
    root.toggleAttribute("data-administrator", named() && may("administrator"));
    root.toggleAttribute("data-setter", may("administrator")); // also where nobody logs in
  }

  private drawTimes(): void {
    const now = yardNow();
    // Seconds only blur where the yard's time runs fast.
    const fast = yardRate() > 20;
    this.clock.textContent = `${written(now, "day")} ${written(now, fast ? "minute" : "second")}`;
    this.clock.dateTime = new Date(now).toISOString();
    this.clock.title = bothZones(now);
    const zone = zoneName();
    if (this.zone.textContent !== zone) {
      this.zone.textContent = zone;
      this.zone.title = isUTC() ? "Times are in UTC; show them in local time (z)" : "Times are in local time; show them in UTC (z)";
      this.drawBlock();
    }
    tickTimes(document);
    if (this.lostAt) this.drawLost();
  }

  private drawTally(): void {
    const calls = this.cases.section("calls");
    fill(this.tally, calls.length > 0 && calls.length.toLocaleString("en-GB"));
    this.tally.title = calls.length === 1 ? "one alert calls for someone" : `${calls.length} alerts call for someone`;
    this.tellSound();
    this.drawTitle();
  }

  private tellSound(): void {
    this.sound.tell(this.cases.section("calls")[0]?.priority === "high", this.stale());
  }

  private drawTitle(): void {
    const calls = this.cases.section("calls").length;
    document.title = `${this.stale() ? "Connection lost · " : calls ? `(${calls} unacknowledged) ` : ""}${this.page?.title ?? ""} · Throwline`;
  }

  private stale(): boolean {
    return this.lostAt > 0 && Date.now() - this.lostAt >= staleAfter;
  }

  private drawLink(open: boolean, since: number): void {
    const root = document.documentElement;
    root.dataset.stream = open ? "open" : "lost";
    if (open) {
      this.lostAt = 0;
      this.bar.hidden = true;
      fill(this.bar);
      root.removeAttribute("data-stale");
      this.tellSound();
      this.drawTitle();
      return;
    }
    this.lostAt ||= since;
    this.readStatus(); // it may be that one is no longer logged in
    window.setTimeout(() => this.drawLost(), Math.max(0, this.lostAt + staleAfter - Date.now()));
  }

  // What is shown may be old: that is not to be overlooked, on any page.
  private drawLost(): void {
    if (!this.stale()) return;
    const root = document.documentElement;
    if (!root.hasAttribute("data-stale")) {
      root.setAttribute("data-stale", "");
      this.bar.hidden = false;
      fill(this.bar, h("strong", null, "Connection lost"),
        h("span", null, `No news since ${written(this.lostAt, "second")}. What is shown is old, and new alerts do not come in.`),
        h("span", { class: "lost-for", "aria-hidden": "true" })); // read aloud it would be every second
      this.tellSound();
      this.drawTitle();
    }
    const s = Math.round((Date.now() - this.lostAt) / 1000);
    const el = this.bar.querySelector(".lost-for");
    if (el) el.textContent = `For ${s < 120 ? `${s} s` : `${Math.floor(s / 60)} min`} now; trying again.`;
  }

  private readStatus(): void {
    get<Status>("/status").then(
      (s) => {
        this.latest = s;
        tellServer(s.now);
        if (document.documentElement.dataset.stream !== "open") tellNow(s.now);
        this.drawBlock();
        document.dispatchEvent(new CustomEvent("status", { detail: s }));
      },
      (err: unknown) => {
        if (unknown(err)) toLogin(); // the session has ended; anything else the bar tells
      },
    );
  }

  private drawBlock(): void {
    const s = this.latest;
    this.demo.hidden = !s?.demo;
    const cell = (name: string, ...what: (Node | string)[]): HTMLElement => h("div", null, h("span", null, name), h("b", null, ...what));
    fill(must("titleblock"),
      s?.demo && h("div", { class: "invented" }, h("span", null, "Invented"), h("b", null, "Railway, names and data are invented, and its time runs fast.")),
      s && !s.ready && h("div", { class: "unready", id: "unready" }, h("span", null, "No throws are taken now"), h("b", null, s.reason ?? "")),
      cell("Sheet", this.page?.title ?? ""),
      cell("Times", zoneName()),
      cell("Version", s?.version ?? "–"));
  }
}

new Frame().start();
