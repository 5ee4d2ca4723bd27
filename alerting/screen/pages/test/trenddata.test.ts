import assert from "node:assert/strict";
import test from "node:test";
import type { End, Trends } from "../src/api.ts";
import { against, endOf, join, latest, seriesOf } from "../src/trenddata.ts";

function trends(to: End, at: number[], features: string[]): Trends {
  return {
    turnout: "W1", throws: at.length, truncated: false,
    ends: [{
      to, throws: at.length, thinned: false, at, keys: at.map((t) => `k${t}`), completed: at.map(() => true), rail_temperature_c: at.map(() => null),
      series: features.map((feature) => ({ drive: "main", quantity: "motor_current", feature, unit: "s", value: at.map((t) => 10 * t), expected: at.map(() => null), low: at.map(() => 1), high: at.map(() => 2) })),
    }],
  };
}

test("joins newer throws once", () => {
  const t = trends("normal", [1, 2, 3], ["duration"]);
  assert.equal(join(t, trends("normal", [3, 4, 5], ["duration"])), 2);
  assert.equal(join(t, trends("normal", [3, 4, 5], ["duration"])), 0);
  const e = endOf(t, "normal")!;
  assert.deepEqual(e.at, [1, 2, 3, 4, 5]);
  assert.deepEqual(e.keys, ["k1", "k2", "k3", "k4", "k5"]);
  assert.deepEqual(seriesOf(e, "main/motor_current", "duration")!.value, [10, 20, 30, 40, 50]);
  assert.equal(t.throws, 5);
  assert.equal(latest(t), 5);
});

test("all columns stay of one length when a feature comes or goes", () => {
  const t = trends("normal", [1, 2], ["duration"]);
  join(t, trends("normal", [3], ["effort"]));
  const e = endOf(t, "normal")!;
  assert.deepEqual(seriesOf(e, "main/motor_current", "duration")!.value, [10, 20, null]);
  assert.deepEqual(seriesOf(e, "main/motor_current", "effort")!.value, [null, null, 30]);
  for (const s of e.series) for (const c of [s.value, s.expected, s.low, s.high]) assert.equal(c.length, e.at.length);
});

test("an end that was not there is taken up", () => {
  const t = trends("normal", [1], ["duration"]);
  assert.equal(join(t, trends("reverse", [2, 3], ["duration"])), 2);
  assert.deepEqual(endOf(t, "reverse")!.at, [2, 3]);
});

test("the columns do not grow for ever", () => {
  const t = trends("normal", [0], ["duration"]);
  for (let i = 0; i < 10; i++) join(t, trends("normal", Array.from({ length: 1000 }, (_, k) => 1 + 1000 * i + k), ["duration"]));
  const e = endOf(t, "normal")!;
  assert.ok(e.at.length <= 6000);
  assert.equal(e.at[e.at.length - 1], 10_000);
  assert.equal(e.series[0]!.value.length, e.at.length);
});

test("where a value lies", () => {
  assert.equal(against(3, 1, 2), "above");
  assert.equal(against(0, 1, 2), "below");
  assert.equal(against(1.5, 1, 2), "within");
  assert.equal(against(0, 0, 0), "within");
  assert.equal(against(1.5, null, 2), "unknown");
  assert.equal(against(null, 1, 2), "unknown");
});
