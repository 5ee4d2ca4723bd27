import assert from "node:assert/strict";
import test from "node:test";
import { meanCourse, percentOf, phaseMap, quantile, valueAt } from "../src/align.ts";

const ramp = { offset_s: -0.1, sample_rate_hz: 10, samples: [0, 1, 2, 3, 4] };

test("values between samples, none outside", () => {
  assert.equal(valueAt(ramp, -0.1), 0);
  assert.ok(Math.abs(valueAt(ramp, 0.05)! - 1.5) < 1e-9);
  assert.equal(valueAt(ramp, 0.3), 4);
  assert.equal(valueAt(ramp, -0.11), null);
  assert.equal(valueAt(ramp, 0.4), null);
});

test("phases fall on phases, what is outside is shifted", () => {
  const a = [{ phase: "unlocking", start_s: 0, end_s: 1 }, { phase: "travel", start_s: 1, end_s: 3 }];
  const b = [{ phase: "unlocking", start_s: 0.5, end_s: 1 }, { phase: "travel", start_s: 1, end_s: 5 }];
  const map = phaseMap(a as never, b as never);
  for (const [s, want] of [[-1, -0.5], [0, 0.5], [0.5, 0.75], [1, 1], [2, 3], [3, 5], [4, 6]] as const) assert.ok(Math.abs(map(s) - want) < 1e-9, `${s}: ${map(s)}`);
  assert.equal(phaseMap([], [])(2), 2);
  assert.equal(phaseMap([{ phase: "travel", start_s: 1, end_s: 2 }] as never, [{ phase: "locking", start_s: 4, end_s: 5 }] as never)(1), 4);
});

test("the mean of courses begins where each movement does", () => {
  const c = meanCourse([{ channel: ramp, start: -0.1 }, { channel: { ...ramp, offset_s: 0.9, samples: [2, 3, 4, 5, 6] }, start: 0.9 }], 6);
  assert.equal(c.throws, 2);
  assert.deepEqual(c.mid.slice(0, 5).map((v) => Math.round(v! * 1e6) / 1e6), [1, 2, 3, 4, 5]);
  assert.deepEqual(meanCourse([], 3).mid, [null, null, null]);
});

test("quantiles and per cent", () => {
  assert.equal(quantile([1, 2, 3, 4], 0.5), 2.5);
  assert.ok(Number.isNaN(quantile([], 0.5)));
  assert.equal(percentOf(10, 9), -10);
  assert.equal(percentOf(-10, -9), 10);
  assert.equal(percentOf(0, 1), undefined);
});
