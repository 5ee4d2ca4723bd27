// How turnouts stand in the fleet: one state each, with its word, its letter
// and its place in the order of what is worst.

import type { Fleet } from "../api.ts";
import { conditionName } from "../words.ts";

export type State = "calls" | "returned" | "silent" | "acknowledged" | "hidden" | "learning" | "unheard" | "out" | "quiet";

/** Worst first. Each has a letter and a shape, so that no colour is needed. */
export const states: Record<State, { letter: string; name: string; means: string }> = {
  calls: { letter: "C", name: "calls now", means: "an alert stands and nobody has acknowledged it" },
  returned: { letter: "R", name: "returned unseen", means: "an alert has gone again, and nobody has said that he saw it" },
  silent: { letter: "S", name: "cabinet silent", means: "its cabinet is not heard from: nothing is known of it now" },
  acknowledged: { letter: "A", name: "acknowledged", means: "an alert stands, and someone has seen to it" },
  hidden: { letter: "H", name: "hidden", means: "an alert stands; it is shelved, or a window hides it" },
  learning: { letter: "L", name: "learning", means: "too few throws yet to tell what is normal here" },
  unheard: { letter: "N", name: "no throws yet", means: "it is in the registry and has sent nothing" },
  out: { letter: "O", name: "out of service", means: "the registry says so: its alerts call nobody" },
  quiet: { letter: "W", name: "watched, nothing told", means: "nothing stands out, which never means safe" },
};

export const order = Object.keys(states) as State[];

/** One turnout of the fleet. */
export interface Spot {
  turnout: string;
  area: string;
  line: string;
  position: number;
  state: State;
  priority: string;
  condition: string;
  alerts: number;
  learnt: number | null;
  last: number | null; // s since 1970
  cabinet: string;
}

function stateOf(health: string, standing: string): State {
  if (health === "out-of-service") return "out";
  if (health === "alert") return standing === "acknowledged" ? "acknowledged" : "calls";
  if (health === "silent") return "silent";
  if (health === "hidden") return "hidden";
  if (standing === "returned-unacknowledged") return "returned";
  return health === "learning" ? "learning" : health === "no-throws" ? "unheard" : "quiet";
}

/** The fleet's columns as one thing a turnout, in the fleet's order: along each line of each area. */
export function spots(f: Fleet): Spot[] {
  return f.turnouts.map((turnout, i) => ({
    turnout, area: f.area[i] ?? "", line: f.line[i] ?? "", position: f.position[i] ?? 0, state: stateOf(f.health[i] ?? "", f.standing[i] ?? ""),
    priority: f.priority[i] ?? "", condition: f.condition[i] ?? "", alerts: f.alerts[i] ?? 0, learnt: f.learnt[i] ?? null,
    last: f.last_throw_at[i] ?? null, cabinet: f.cabinet[i] ?? "",
  }));
}

const priorities = ["high", "medium", "low", ""];

/** Worst first; what is equal stays as it was. */
export function worse(a: Spot, b: Spot): number {
  return order.indexOf(a.state) - order.indexOf(b.state) || priorities.indexOf(a.priority) - priorities.indexOf(b.priority) || (a.learnt ?? 1) - (b.learnt ?? 1);
}

export interface Asked {
  area: string;
  line: string;
  state: string;
  text: string;
}

/** Whether a turnout is one of those asked for; nothing asked for is all. */
export function wanted(s: Spot, q: Asked): boolean {
  return (!q.area || s.area === q.area) && (!q.line || s.line === q.line) && (!q.state || s.state === q.state) &&
    (!q.text || [s.turnout, s.area, s.line, s.cabinet].some((x) => x.toLowerCase().includes(q.text.toLowerCase())));
}

/** The state in words, with what stands. */
export function told(s: Spot): string {
  const alert = s.condition && ["calls", "returned", "acknowledged", "hidden"].includes(s.state);
  return states[s.state].name + (alert ? `: ${conditionName(s.condition).toLowerCase()}, ${s.priority}` : "") + (s.alerts > 1 ? `; ${s.alerts} alerts in all` : "");
}

/** A name without the area that it begins with: the heading says that. */
export const short = (s: Spot): string =>
  s.area && s.turnout.toLowerCase().startsWith(s.area.toLowerCase()) ? s.turnout.slice(s.area.length).replace(/^[-_.]/, "") || s.turnout : s.turnout;
