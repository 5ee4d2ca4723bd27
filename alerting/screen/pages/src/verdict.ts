// What became of a visit, in words.

import type { End, Verdict, Work } from "./api.ts";

export interface Judged {
  outcome: Verdict["outcome"] | "unknown";
  to?: End;
  drive?: string; // where the visit was judged by more than one
  words: string;
  said?: string;
}

const outcomes: Record<string, string> = {
  helped: "helped",
  "not-helped": "did not help",
  routine: "routine: nothing stood out before",
};

const ends: End[] = ["normal", "reverse"];

/** What changes nothing, or all of it, is not judged. */
const unjudged: Record<string, string> = {
  inspected: "not judged: looking changes nothing",
  rebaselined: "not judged: normal is learned anew",
};

/**
 * For each visit, in the order given, what the throws after it say: normal
 * first, then reverse. A visit is judged until the next one that is work.
 */
export function judged(visits: Work[]): Judged[][] {
  const latest = Math.max(...visits.filter((w) => w.work !== "inspected").map((w) => Date.parse(w.done_at)));
  return visits.map((w) => {
    const list = w.verdicts ?? [];
    const waits = !(w.work in unjudged) && Date.parse(w.done_at) >= latest;
    if (list.length === 0) return [{ outcome: "unknown", words: unjudged[w.work] ?? (waits ? "not judged yet: waits for the next throws" : "never judged: too few throws to compare") }];
    const drives = new Set(list.map((v) => v.drive));
    return ends.flatMap((to): Judged[] => {
      const mine = list.filter((v) => v.to === to);
      if (mine.length === 0) return waits ? [{ outcome: "unknown", to, words: "not judged yet: waits for the next throws" }] : [];
      return mine.map((v) => ({ outcome: v.outcome, to, words: outcomes[v.outcome] ?? v.outcome, said: v.said, ...(drives.size > 1 ? { drive: v.drive } : {}) }));
    });
  });
}
