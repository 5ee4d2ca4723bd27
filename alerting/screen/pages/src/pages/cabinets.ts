// The cabinets: there or silent, since when, how their clocks are, and what of
// theirs was refused.

import { fill, h, throttle } from "../dom.ts";
import { failure } from "../failure.ts";
import { readCabinets, wrongClock, type Cabinets } from "../fleet/cabinets.ts";
import { presence } from "../marks.ts";
import type { Draw } from "../page.ts";
import { since, when } from "../time.ts";
import { count, withUnit } from "../words.ts";

export const cabinetsPage: Draw = (root, yard, _args, signal) => {
  const body = h("tbody");
  const said = h("p", { class: "summary", id: "cabinets-said", "aria-live": "polite" });
  const trouble = h("div");
  const elsewhere = h("p", { class: "lead", hidden: true });
  let known: Cabinets | undefined;
  let sought = new URLSearchParams(location.search).get("cabinet") ?? "";
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Cabinets"), said),
    trouble,
    h("table", { class: "cabinets", id: "cabinets" },
      h("thead", null, h("tr", null, ["Cabinet", "State", "Silent since", "Clock, off by", "Refused in 24 h", "Last word", "Software"].map((n) => h("th", { scope: "col" }, n)))), body),
    elsewhere);

  const draw = (): void => {
    if (!known) return;
    const { list } = known;
    const away = list.filter((c) => c.silentSince).length;
    said.textContent = list.length === 0 ? "No cabinet has said yet how it is." : `${count(list.length - away, "cabinet", "cabinets")} online, ${away} silent`;
    const cell = (name: string, ...what: Parameters<typeof fill>[1][]): HTMLElement => h("td", { data: { name } }, ...what);
    fill(body, list.map((c) => {
      const off = c.clock_offset_s;
      return h("tr", { data: { cabinet: c.cabinet, state: c.silentSince ? "silent" : "online" } },
        h("th", { scope: "row" }, c.cabinet),
        h("td", { class: "state" }, presence(!c.silentSince), h("span", null, c.silentSince ? "silent" : "online"),
          c.silentSince && c.state === "online" && h("span", { class: "soft" }, ", though its broker says online")),
        cell("Silent since", c.silentSince ? [when(c.silentSince), " ", h("span", { class: "soft" }, "(", since(c.silentSince, "for"), ")")] : "–"),
        cell("Clock, off by", off === undefined ? h("span", { class: "soft" }, "not told") : withUnit(off, "s"), wrongClock(c) && h("b", { class: "bad" }, " wrong clock")),
        cell("Refused in 24 h", c.refused > 0 ? h("a", { href: "/quarantine", "aria-label": `${count(c.refused, "message", "messages")} of ${c.cabinet} refused` }, String(c.refused)) : "none"),
        cell("Last word", when(c.at)),
        h("td", { class: "soft" }, c.agent ?? ""));
    }));
    elsewhere.hidden = known.refusedElsewhere === 0;
    fill(elsewhere, h("a", { href: "/quarantine" }, `${count(known.refusedElsewhere, "message", "messages")} refused in 24 h`), " came from no cabinet that is known.");
    const row = sought && [...body.children].find((r) => (r as HTMLElement).dataset.cabinet === sought);
    if (row) {
      row.classList.add("sought");
      row.scrollIntoView({ block: "center" });
      sought = "";
    }
  };

  const load = async (): Promise<void> => {
    try {
      known = await readCabinets(yard.standing.open(), signal);
      fill(trouble);
      draw();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The cabinets could not be read.", () => void load()));
    }
  };
  const again = throttle(() => void load(), 2000);
  const offs = [yard.stream.on("cabinet", () => again()), yard.standing.subscribe(() => again())];
  again();
  return {
    title: "Cabinets",
    refresh: () => again(),
    close(): void {
      for (const off of offs) off();
      again.cancel();
    },
  };
};
