import assert from "node:assert/strict";
import test from "node:test";
import { Clock } from "../src/clock.ts";

test("carries the time on at the pace at which it is told", () => {
  const c = new Clock(1_000_000, 0);
  assert.equal(c.now(2000), 1_002_000);
  c.tell(1_000_000 + 5000 * 43_200, 5000); // half a day a second
  assert.equal(c.rate(), 43_200);
  assert.equal(c.now(6000), 1_000_000 + 6000 * 43_200);
});

test("takes the network's jitter for no pace", () => {
  const c = new Clock(0, 0);
  c.tell(5100, 5000);
  assert.equal(c.rate(), 1);
  assert.equal(c.now(5500), 5600);
});

test("never turns back by itself, and stands still when it is not told", () => {
  const c = new Clock(0, 0);
  c.tell(100_000, 1000);
  const before = c.now(3000);
  c.tell(200_000, 4000); // slower than thought
  assert.ok(c.now(4000) >= before);
  assert.equal(c.now(1e9), c.now(2e9));
});

test("follows a clock that was put back", () => {
  const c = new Clock(1_000_000, 0);
  c.now(1000);
  c.tell(400_000, 5000);
  assert.equal(c.now(5000), 400_000);
});

test("what has arrived is not in the future", () => {
  const c = new Clock(0, 0);
  c.atLeast(90_000, 100);
  assert.equal(c.now(100), 90_000);
  c.atLeast(50_000, 200); // a late one
  assert.equal(c.now(200), 90_100);
});
