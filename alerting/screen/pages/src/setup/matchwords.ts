// What a match takes in, in words.

import type { Match } from "../api.ts";
import { conditionName } from "../words.ts";
import { listed } from "./repeat.ts";

export function matchWords(m: Match): string {
  const parts = [
    (m.turnouts?.length ?? 0) > 0 && `turnouts ${listed(m.turnouts!, "or")}`,
    (m.lines?.length ?? 0) > 0 && `${m.lines!.length === 1 ? "line" : "lines"} ${listed(m.lines!, "or")}`,
    (m.areas?.length ?? 0) > 0 && `${m.areas!.length === 1 ? "area" : "areas"} ${listed(m.areas!, "or")}`,
  ].filter((x): x is string => Boolean(x));
  const where = parts.length > 0 ? parts.join(", of ") : "every turnout";
  const kind = (m.conditions?.length ?? 0) > 0 ? listed(m.conditions!.map((c) => conditionName(c).toLowerCase()), "or") : "";
  const rank = (m.priorities?.length ?? 0) > 0 ? `${listed(m.priorities!, "or")} priority` : "";
  const what = kind || rank ? [kind, rank].filter(Boolean).join(" of ") : "all alerts";
  return `${what} at ${where}`;
}

/** Names of a field, parted by commas or new lines. */
export const names = (s: string): string[] => [...new Set(s.split(/[,\n]/).map((x) => x.trim()).filter(Boolean))];
