// How long a turnout has, in words.

import type { Job } from "./api.ts";

export interface Left {
  /** In words. */
  said: string;
  /** Its span, in words; "" where nothing is forecast. */
  between: string;
}

const whole = (d: number): string => Math.round(d).toLocaleString("en-GB");

/** How long a job has: a day is "today" where less than half of one is expected. */
export function daysLeft(j: Pick<Job, "days_left" | "days_low" | "days_high">): Left {
  const mid = j.days_left;
  if (mid === undefined) return { said: "no day is forecast", between: "" };
  if (j.days_high === undefined && mid === 0) return { said: "fails to throw now", between: "" };
  const n = Math.round(mid);
  const said = n === 0 ? "today" : n === 1 ? "about 1\u00a0day" : n >= 100 ? "over 100\u00a0days" : `about ${n}\u00a0days`;
  const [low, high] = [whole(j.days_low ?? mid), whole(j.days_high ?? mid)];
  return { said, between: low === high ? "" : `between ${low} and ${high}\u00a0days` };
}

/** What several jobs need, each thing once, with the places in the list that it is for. */
export function packing(jobs: readonly { bring: readonly string[] }[]): { what: string; jobs: number[] }[] {
  const list = new Map<string, number[]>();
  jobs.forEach((j, i) => {
    for (const b of j.bring) list.set(b, [...(list.get(b) ?? []), i]);
  });
  return [...list].map(([what, of]) => ({ what, jobs: of })).sort((a, b) => b.jobs.length - a.jobs.length || a.jobs[0]! - b.jobs[0]!);
}
