// How the cabinets fare, taken together: for the strip over the fleet and for
// their own page.

import { get, type Alert, type Cabinet, type List, type SetAside } from "../api.ts";
import { h } from "../dom.ts";
import { presence } from "../marks.ts";
import { since } from "../time.ts";
import { yardNow } from "../clock.ts";
import { count, withUnit } from "../words.ts";

/** s from which a clock's error is called out. */
export const clockWrong = 1;

/** Messages that were refused are counted over this long, and among this many. */
const countedFor = 24 * 3600e3;
const counted = 1000;

export interface CabinetHealth extends Cabinet {
  /** Since when nothing is heard of it; undefined: it is heard. */
  silentSince?: string | undefined;
  /** Messages refused lately. */
  refused: number;
}

export interface Cabinets {
  list: CabinetHealth[];
  /** Of no cabinet that is known. */
  refusedElsewhere: number;
  /** There may be more refused than were counted. */
  atLeast: boolean;
}

/** The cabinet's name in a topic: PREFIX/cabinet/throw/turnout, PREFIX/cabinet/state, PREFIX/cabinet/conditions. */
function senderOf(topic: string): string {
  const parts = topic.split("/");
  return (parts.at(-2) === "throw" ? parts.at(-3) : parts.at(-2)) ?? "";
}

/** open are the alerts that stand: one may say that a cabinet is silent whose broker still believes in it. */
export async function readCabinets(open: Alert[], signal: AbortSignal): Promise<Cabinets> {
  const [cabinets, aside] = await Promise.all([
    get<List<Cabinet>>("/cabinets", {}, signal),
    get<List<SetAside>>("/quarantine", { limit: counted }, signal),
  ]);
  const silent = new Map(open.filter((a) => a.condition === "cabinet-silent" && a.cabinet).map((a) => [a.cabinet!, a]));
  const from = yardNow() - countedFor;
  const refused = new Map<string, number>();
  const lately = aside.items.filter((a) => Date.parse(a.at) >= from);
  for (const a of lately) refused.set(senderOf(a.topic), (refused.get(senderOf(a.topic)) ?? 0) + 1);
  const list = cabinets.items.map((c): CabinetHealth => {
    const n = refused.get(c.cabinet) ?? 0;
    refused.delete(c.cabinet);
    return { ...c, refused: n, silentSince: c.state === "offline" ? c.at : silent.get(c.cabinet)?.since };
  });
  return { list, refusedElsewhere: [...refused.values()].reduce((a, b) => a + b, 0), atLeast: lately.length === counted };
}

export const wrongClock = (c: Cabinet): boolean => c.clock_offset_s !== undefined && Math.abs(c.clock_offset_s) >= clockWrong;

const named = 4; // cabinets told by name in the strip

/** The strip: how many are there, and by name what is not well. */
export function strip(c: Cabinets): HTMLElement {
  const away = c.list.filter((x) => x.silentSince).sort((a, b) => Date.parse(b.silentSince!) - Date.parse(a.silentSince!));
  const wrong = c.list.filter(wrongClock);
  const refused = c.list.reduce((n, x) => n + x.refused, c.refusedElsewhere);
  const at = (x: CabinetHealth): HTMLElement => h("a", { href: `/cabinets?cabinet=${encodeURIComponent(x.cabinet)}` }, x.cabinet);
  const more = (n: number): string | false => n > named && ` and ${n - named} more`;
  return h("ul", null,
    h("li", null, c.list.length > 0 && presence(true), h("a", { href: "/cabinets" }, c.list.length === 0 ? "No cabinet has said yet how it is" : `${count(c.list.length - away.length, "cabinet", "cabinets")} online`)),
    away.length > 0 && h("li", { class: "bad" }, presence(false), h("span", null, `${away.length} silent: `),
      away.slice(0, named).map((x, i) => [i > 0 && ", ", at(x), " for ", since(x.silentSince!, "for")]), more(away.length)),
    wrong.length > 0 && h("li", null, h("span", null, "wrong clock: "), wrong.slice(0, named).map((x, i) => [i > 0 && ", ", at(x), " ", withUnit(x.clock_offset_s, "s")]), more(wrong.length)),
    h("li", { class: refused > 0 ? undefined : "soft" }, refused > 0
      ? h("a", { href: "/quarantine" }, `${c.atLeast ? "at least " : ""}${count(refused, "message", "messages")} refused in 24 h`) : "no message refused in 24 h"));
}
