import assert from "node:assert/strict";
import test from "node:test";
import { daysLeft, packing } from "../src/daysleft.ts";

test("days left in words with their span", () => {
  assert.deepEqual(daysLeft({}), { said: "no day is forecast", between: "" });
  assert.deepEqual(daysLeft({ days_left: 0 }), { said: "fails to throw now", between: "" });
  assert.deepEqual(daysLeft({ days_left: 0.2, days_low: 0, days_high: 4 }), { said: "today", between: "between 0 and 4\u00a0days" });
  assert.deepEqual(daysLeft({ days_left: 1.2, days_low: 1, days_high: 1.4 }), { said: "about 1\u00a0day", between: "" });
  assert.equal(daysLeft({ days_left: 400, days_low: 90, days_high: 2000 }).said, "over 100\u00a0days");
});

test("one packing list of several jobs", () => {
  assert.deepEqual(packing([{ bring: ["grease", "crank"] }, { bring: ["shims"] }, { bring: ["crank"] }]),
    [{ what: "crank", jobs: [0, 2] }, { what: "grease", jobs: [0] }, { what: "shims", jobs: [1] }]);
});
