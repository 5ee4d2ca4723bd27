// The cabinets: there or away, since when, and how their clocks are.

import { get, type Cabinet, type List } from "../api.ts";
import { fill, h } from "../dom.ts";
import { failure } from "../failure.ts";
import { presence } from "../marks.ts";
import type { Draw } from "../page.ts";
import { since, when } from "../time.ts";
import { count, withUnit } from "../words.ts";

const clockWrong = 1; // s from which a clock's error is called out

export const cabinetsPage: Draw = (root, yard, _args, signal) => {
  const body = h("tbody");
  const said = h("p", { class: "summary", id: "cabinets-said", "aria-live": "polite" });
  const trouble = h("div");
  let list: Cabinet[] | undefined;
  fill(root,
    h("div", { class: "head" }, h("h1", { tabindex: -1 }, "Cabinets"), said),
    trouble,
    h("table", { class: "cabinets", id: "cabinets" },
      h("thead", null, h("tr", null, ["Cabinet", "State", "Since", "Clock, off by", "Software"].map((n) => h("th", { scope: "col" }, n)))), body));

  const draw = (): void => {
    if (!list) return;
    const away = list.filter((c) => c.state === "offline").length;
    said.textContent = list.length === 0 ? "No cabinet has said yet how it is." : `${count(list.length - away, "cabinet", "cabinets")} online, ${away} offline`;
    fill(body, list.map((c) => {
      const off = c.clock_offset_s;
      return h("tr", { data: { cabinet: c.cabinet, state: c.state } },
        h("th", { scope: "row" }, c.cabinet),
        h("td", { class: "state" }, presence(c.state === "online"), h("span", null, c.state)),
        h("td", null, when(c.at), " ", h("span", { class: "soft" }, "(", since(c.at, "for"), ")")),
        h("td", null, off === undefined ? "not told" : withUnit(off, "s"), off !== undefined && Math.abs(off) >= clockWrong && h("b", { class: "bad" }, " wrong clock")),
        h("td", { class: "soft" }, c.agent ?? ""));
    }));
  };

  const load = async (): Promise<void> => {
    try {
      list = (await get<List<Cabinet>>("/cabinets", {}, signal)).items;
      fill(trouble);
      draw();
    } catch (err) {
      if (!signal.aborted) fill(trouble, failure(err, "The cabinets could not be read.", () => void load()));
    }
  };
  const off = yard.stream.on("cabinet", (c) => {
    if (!list) return;
    const i = list.findIndex((x) => x.cabinet === c.cabinet);
    if (i >= 0) list[i] = c;
    else list = [...list, c].sort((a, b) => (a.cabinet < b.cabinet ? -1 : 1));
    draw();
  });
  void load();
  return { title: "Cabinets", refresh: () => void load(), close: off };
};
