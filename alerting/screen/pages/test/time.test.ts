// Run with TZ=Europe/Berlin: one hour ahead of UTC on this day.
import assert from "node:assert/strict";
import test from "node:test";
import { fieldTime, fieldValue, span, written } from "../src/time.ts";

const t = Date.UTC(2026, 0, 31, 23, 30, 5);

test("both zones", () => {
  assert.equal(written(t, "full", true), "Sat, 31 Jan 2026 23:30:05");
  assert.equal(written(t, "full", false), "Sun, 1 Feb 2026 00:30:05");
  assert.equal(written(t, "minute", true), "23:30");
  assert.equal(written(t, "day", false), "1 Feb");
});

test("another year is told", () => {
  assert.equal(written(Date.UTC(2019, 4, 3, 4, 5), "moment", true), "3 May 2019 04:05");
});

test("spans have one or two units", () => {
  for (const [s, text] of [[0, "0 s"], [59, "59 s"], [61, "1 min 1 s"], [600, "10 min"], [3600, "1 h"], [4320, "1 h 12 min"], [90_000, "1 d 1 h"], [86400 * 30, "30 d"]] as const) assert.equal(span(1000 * s), text);
  assert.equal(span(-5), "0 s");
});

test("a form's time comes back as it was, in the zone shown", () => {
  assert.equal(fieldValue(t), "2026-02-01T00:30");
  assert.equal(fieldTime("2026-02-01T00:30"), "2026-01-31T23:30:00.000Z");
  assert.equal(fieldTime(""), undefined);
});
