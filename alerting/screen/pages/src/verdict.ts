// What became of a visit, in words.

import type { End, Verdict, Work } from "./api.ts";

export interface Judged {
  outcome: Verdict["outcome"] | "unknown";
  to?: End;
  words: string;
  said: { drive?: string; text: string }[]; // the drive where there are several
}

/** What matters most first. */
const outcomes: Record<Verdict["outcome"], string> = {
  "not-helped": "did not help",
  helped: "helped",
  routine: "routine: nothing stood out before",
};

const waiting = "not judged yet: waits for the next throws";

const ends: End[] = ["normal", "reverse"];

/** What changes nothing, or all of it, is not judged. */
const unjudged: Record<string, string> = {
  inspected: "not judged: looking changes nothing",
  rebaselined: "not judged: normal is learned anew",
};

/**
 * For each visit, in the order given, what the throws after it say: normal
 * first, then reverse; channels and drives that say the same are told together.
 * A visit is judged until the next one that is work.
 */
export function judged(visits: Work[]): Judged[][] {
  const latest = Math.max(...visits.filter((w) => w.work !== "inspected").map((w) => Date.parse(w.done_at)));
  return visits.map((w) => {
    const list = w.verdicts ?? [];
    const waits = !(w.work in unjudged) && Date.parse(w.done_at) >= latest;
    if (list.length === 0) return [{ outcome: "unknown", words: unjudged[w.work] ?? (waits ? waiting : "never judged: too few throws to compare"), said: [] }];
    const drives = new Set(list.map((v) => v.drive));
    return ends.flatMap((to): Judged[] => {
      const mine = list.filter((v) => v.to === to);
      if (mine.length === 0) return waits ? [{ outcome: "unknown", to, words: waiting, said: [] }] : [];
      return (Object.keys(outcomes) as Verdict["outcome"][]).flatMap((outcome): Judged[] => {
        const alike = mine.filter((v) => v.outcome === outcome);
        return alike.length === 0 ? [] : [{ outcome, to, words: outcomes[outcome], said: alike.map((v) => ({ text: v.said, ...(drives.size > 1 ? { drive: v.drive } : {}) })) }];
      });
    });
  });
}
