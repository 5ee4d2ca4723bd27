import assert from "node:assert/strict";
import test from "node:test";
import type { Verdict, Work } from "../src/api.ts";
import { judged } from "../src/verdict.ts";

const verdict = (to: Verdict["to"], outcome: Verdict["outcome"], drive = "main"): Verdict => ({
  to, drive, outcome, work: "lubricated", done_at: "2026-03-01T12:00:00Z", throws: 8, said: "travel effort -20 % against the throws before the work, at its reference",
});

const visit = (day: number, work: Work["work"], verdicts?: Verdict[]): Work => ({ done_at: `2026-03-0${day}T12:00:00Z`, work, ...(verdicts ? { verdicts } : {}) });

const words = (list: Work[]): string[][] => judged(list).map((v) => v.map((j) => `${j.to ? j.to + ": " : ""}${j.words}`));

test("each end says what a visit did, normal first", () => {
  assert.deepEqual(words([visit(2, "lubricated", [verdict("reverse", "not-helped"), verdict("normal", "helped")]), visit(1, "cleaned", [verdict("normal", "routine"), verdict("reverse", "routine")])]), [
    ["normal: helped", "reverse: did not help"],
    ["normal: routine: nothing stood out before", "reverse: routine: nothing stood out before"],
  ]);
  assert.equal(judged([visit(1, "lubricated", [verdict("normal", "helped")])])[0]![0]!.said[0]!.text, verdict("normal", "helped").said);
});

test("the latest work waits for throws, an end at a time; older work does no more", () => {
  const waiting = "not judged yet: waits for the next throws";
  assert.deepEqual(words([visit(3, "adjusted"), visit(2, "cleaned"), visit(1, "lubricated", [verdict("normal", "helped")])]), [[waiting], ["never judged: too few throws to compare"], ["normal: helped"]]);
  assert.deepEqual(words([visit(3, "adjusted", [verdict("reverse", "helped")])]), [["normal: " + waiting, "reverse: helped"]]);
});

test("an inspection is not judged and ends no judging; a baseline set anew does", () => {
  assert.deepEqual(words([visit(3, "inspected"), visit(2, "cleaned")]), [["not judged: looking changes nothing"], ["not judged yet: waits for the next throws"]]);
  assert.deepEqual(words([visit(3, "rebaselined"), visit(2, "cleaned")]), [["not judged: normal is learned anew"], ["never judged: too few throws to compare"]]);
  assert.deepEqual(words([]), []);
});

test("channels and drives that say the same are told together, drives named where there are several", () => {
  const told = (v: Verdict[]): string[] => judged([visit(1, "lubricated", v)])[0]!.map((j) => `${j.to} ${j.outcome} ${j.said.map((s) => s.drive ?? "-").join()}`);
  assert.deepEqual(told([verdict("normal", "helped"), verdict("reverse", "helped")]), ["normal helped -", "reverse helped -"]);
  assert.deepEqual(told([verdict("normal", "routine"), verdict("normal", "helped"), verdict("reverse", "routine"), verdict("normal", "routine", "back"), verdict("reverse", "not-helped", "back")]),
    ["normal helped main", "normal routine main,back", "reverse not-helped back", "reverse routine main"]);
});
