import assert from "node:assert/strict";
import test from "node:test";
import { pastBand } from "../src/chart/pastband.ts";
import { sentence } from "../src/sentence.ts";
import { bytes, change, figure, forecastLine, likelihood, percent } from "../src/words.ts";

test("figures have about three significant digits", () => {
  for (const [v, text] of [[1234.4, "1234"], [12.345, "12.3"], [1.2345, "1.23"], [0.012345, "0.012"], [-0.5, "−0.500"], [-0.0001, "0"], [NaN, "–"], [null, "–"]] as const) assert.equal(figure(v), text);
});

test("probabilities in words do not claim more than they are", () => {
  assert.deepEqual([1, 0.95, 0.8, 0.6, 0.4, 0.26].map(likelihood), ["Almost certainly", "Almost certainly", "Very likely", "Likely", "Perhaps", "No cause stands out; first"]);
  assert.equal(percent(0.004), "under 1\u00a0%");
  assert.equal(percent(0.745), "75\u00a0%");
  assert.equal(percent(0), "0\u00a0%");
});

test("changes and forecasts", () => {
  assert.equal(change(31.5), "+32\u00a0%");
  assert.equal(change(-4.25), "−4.3\u00a0%");
  const forecast = (p10: number, p50: number, p90: number): string => forecastLine({ limit: "throw time 6 s", days_p10: p10, days_p50: p50, days_p90: p90 }).replaceAll("\u00a0", " ");
  assert.equal(forecast(5, 12.4, 30), "about 12 days (5 to 30) until throw time 6 s");
  assert.equal(forecast(0.5, 3.04, 21.4), "about 3 days (0.5 to 21) until throw time 6 s");
  assert.equal(forecast(0.6, 1.99, 4), "about 48 hours (14 to 96) until throw time 6 s");
  assert.equal(forecast(0.01, 0.04, 0.1), "about 1 hour (0.2 to 2) until throw time 6 s");
  assert.equal(forecast(12.1, 12.2, 12.4), "about 12 days until throw time 6 s");
});

test("sizes", () => {
  assert.deepEqual([0, 1023, 1536, 3 << 20].map(bytes), ["0 B", "1023 B", "1.50 KiB", "3.00 MiB"]);
});

test("sentences", () => {
  assert.deepEqual(["look here", " Done. ", "is it?", ""].map(sentence), ["Look here.", "Done.", "Is it?", ""]);
  assert.equal(sentence("up 21 % in 3 s and 4 steps"), "Up 21\u00a0% in 3\u00a0s and 4 steps.");
});

test("the past begins where the movement does and lasts as usual", () => {
  const band = pastBand({
    drive: "main", quantity: "motor_current", unit: "A", doubts: [], phases: [{ phase: "inrush", start_s: 0.2, end_s: 0.4 }], features: {},
    past: { throws: 9, duration_s: 4, low: [1, 1], mid: [2, 2], high: [3, 3] },
  })!;
  assert.deepEqual(band.at, [1.2, 3.2]);
  assert.equal(pastBand({ drive: "main", quantity: "motor_current", unit: "A", doubts: [], phases: [], features: {} }), undefined);
});
