import assert from "node:assert/strict";
import test from "node:test";
import type { Fleet } from "../src/api.ts";
import { short, spots, told, wanted, worse } from "../src/fleet/states.ts";
import { preview, rows } from "../src/setup/csv.ts";
import { matchWords, names } from "../src/setup/matchwords.ts";
import { inWords, lengthWords, occurrences, readRule, rule } from "../src/setup/repeat.ts";

test("rules in words", () => {
  for (const [s, words] of [
    ["", "once"], ["FREQ=DAILY", "every day"], ["FREQ=WEEKLY;BYDAY=SU", "every Sunday"], ["FREQ=WEEKLY", "every Tuesday"],
    ["FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", "Monday to Friday"], ["FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,SA;COUNT=6", "every 2 weeks on Monday and Saturday, 6 times"],
    ["FREQ=MONTHLY;BYDAY=-1SU;UNTIL=20261231", "every month on the last Sunday until 31 December 2026"], ["FREQ=MONTHLY", "every month on day 3"],
    ["FREQ=DAILY;UNTIL=20261231T220000Z", "FREQ=DAILY;UNTIL=20261231T220000Z"],
  ] as const) assert.equal(inWords(s, "2026-03-03T23:30"), words);
});

test("rules are read as they are written", () => {
  for (const s of ["", "FREQ=DAILY", "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,SA;COUNT=6", "FREQ=MONTHLY;BYDAY=-1SU;UNTIL=20261231"]) assert.equal(rule(readRule(s)!), s);
  assert.equal(readRule("FREQ=YEARLY"), undefined);
});

test("days of a rule", () => {
  const of = (s: string, to: string): number => occurrences(readRule(s)!, "2026-03-03T23:30", to);
  assert.equal(of("", "2026-05-01"), 1);
  assert.equal(of("FREQ=DAILY;INTERVAL=2", "2026-03-07"), 3);
  assert.equal(of("FREQ=WEEKLY;BYDAY=TU,SU", "2026-03-15"), 4);
  assert.equal(of("FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,SU", "2026-03-22"), 4);
  assert.equal(of("FREQ=MONTHLY;BYDAY=1TU", "2026-05-31"), 3);
  assert.equal(of("FREQ=MONTHLY;BYDAY=-1TU", "2026-05-31"), 3);
  assert.equal(of("FREQ=MONTHLY", "2026-05-31"), 3);
});

test("lengths and matches in words", () => {
  assert.deepEqual([90, 1440, 45, 1530].map(lengthWords), ["1 h 30 min", "1 day", "45 min", "1 day 1 h 30 min"]);
  assert.equal(matchWords({}), "all alerts at every turnout");
  assert.equal(matchWords({ areas: ["TOLB", "ORR"], priorities: ["high"] }), "high priority at areas TOLB or ORR");
  assert.equal(matchWords({ turnouts: ["ORR-W*"], lines: ["main"], conditions: ["stiffening"] }), "stiffening at turnouts ORR-W*, of line main");
  assert.deepEqual(names(" a, b\nb,,c "), ["a", "b", "c"]);
});

test("CSV as spreadsheets write it", () => {
  assert.deepEqual(rows('\ufeffturnout,notes\r\nW1,"a ""b"",\nc"\r\n,\r\n'), [["turnout", "notes"], ["W1", 'a "b",\nc']]);
  assert.deepEqual(rows("sep=;\nturnout;line\nW1;m"), [["turnout", "line"], ["W1", "m"]]);
});

test("what a file would change", () => {
  const now = [{ turnout: "W1", area: "A", position: 1.5 }, { turnout: "W2", notes: "-x", out_of_service: true }, { turnout: "W3" }];
  const p = preview("turnout;area;position;notes;out_of_service\nW1;B;1,5;;\nW2;;;'-x;YES\nW4;C;;;\n", now);
  assert.equal(p.same, 1);
  assert.deepEqual(p.changes, [
    { turnout: "W1", kind: "changed", fields: [["area", "A", "B"]] },
    { turnout: "W4", kind: "added", fields: [["area", "", "C"]] },
    { turnout: "W3", kind: "dropped", fields: [] },
  ]);
  assert.ok(preview("name\nW1", now).trouble.includes("turnout"));
});

test("the fleet's states, worst first", () => {
  const f = {
    at: "2026-03-01T00:00:00Z", turnouts: ["A-1", "A-2", "A-3", "A-4", "A-5", "A-6", "A-7", "A-8", "B9"], area: ["A", "A", "A", "A", "A", "A", "A", "A", "B"], line: Array<string>(9).fill("m"),
    position: Array<number>(9).fill(0), health: ["watched", "alert", "alert", "hidden", "learning", "silent", "no-throws", "watched", "alert"],
    priority: ["", "high", "low", "low", "", "", "", "low", "low"], standing: ["", "acknowledged", "unacknowledged", "shelved", "", "", "", "returned-unacknowledged", "unacknowledged"],
    condition: ["", "stiffening", "slow-throw", "stiffening", "", "", "", "stiffening", "stiffening"], alerts: [0, 2, 1, 1, 0, 0, 0, 1, 1], learnt: [1, 1, 1, 1, 0.4, 1, null, 1, 1],
    last_throw_at: Array<number>(9).fill(1), cabinet: Array<string>(9).fill("cab"), silent: [], out_of_service: [],
  } as unknown as Fleet;
  const all = spots(f);
  assert.deepEqual(all.map((s) => s.state), ["quiet", "acknowledged", "calls", "hidden", "learning", "silent", "unheard", "returned", "calls"]);
  assert.deepEqual([...all].sort(worse).map((s) => s.turnout), ["A-3", "B9", "A-8", "A-6", "A-2", "A-4", "A-5", "A-7", "A-1"]);
  assert.equal(told(all[1]!), "acknowledged: stiffening, high; 2 alerts in all");
  assert.deepEqual([all[0]!, all[8]!].map(short), ["1", "9"]);
  assert.equal(all.filter((s) => wanted(s, { area: "A", line: "", state: "calls", text: "" })).length, 1);
  assert.equal(all.filter((s) => wanted(s, { area: "", line: "", state: "", text: "b9" })).length, 1);
});
