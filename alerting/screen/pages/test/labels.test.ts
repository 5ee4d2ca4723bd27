import assert from "node:assert/strict";
import test from "node:test";
import { placeLabels } from "../src/chart/labels.ts";
import { nearest, room, ticks } from "../src/chart/plot.ts";

test("labels that would meet go to the next row", () => {
  const got = placeLabels([{ at: 10, width: 40 }, { at: 20, width: 40 }, { at: 200, width: 40 }], 0, 300, 2, 5);
  assert.deepEqual(got.map((p) => p.row), [0, 1, 0]);
  assert.deepEqual(got.map((p) => p.left), [0, 0, 180]);
});

test("a label without room is left out, none leaves the drawing", () => {
  const got = placeLabels([{ at: 290, width: 50 }, { at: 291, width: 50 }, { at: 292, width: 50 }], 0, 300, 2, 5, true);
  assert.deepEqual(got.map((p) => p.row), [0, 1, -1]);
  assert.ok(got.every((p) => p.left + 50 <= 300));
});

test("no two labels of one row meet, whatever they are", () => {
  let seed = 1;
  const next = (): number => (seed = (seed * 48271) % 2147483647) / 2147483647;
  for (let round = 0; round < 300; round++) {
    const labels = Array.from({ length: 12 }, () => ({ at: 400 * next(), width: 10 + 90 * next() }));
    const places = placeLabels(labels, 0, 400, 3, 4, round % 2 === 0);
    places.forEach((p, i) => places.forEach((q, j) => {
      if (i >= j || p.row < 0 || p.row !== q.row) return;
      assert.ok(p.left + labels[i]!.width + 4 <= q.left || q.left + labels[j]!.width + 4 <= p.left);
    }));
  }
});

test("axis figures have the decimals of their step", () => {
  assert.deepEqual(ticks([4, 4.25, 4.5]), ["4.00", "4.25", "4.50"]);
  assert.deepEqual(ticks([-2, 0, 2]), ["−2", "0", "2"]);
  assert.deepEqual(ticks([0.1, 0.2]), ["0.1", "0.2"]);
});

test("the nearest of ascending values", () => {
  assert.equal(nearest([], 1), -1);
  for (const [x, i] of [[-5, 0], [1.4, 1], [1.6, 2], [99, 3]] as const) assert.equal(nearest([0, 1, 2, 3], x), i);
});

test("room about a column skips what is unknown", () => {
  const [a, b] = room([[null, 2, 4, null], [undefined, 3]]);
  assert.ok(a < 2 && a > 1.5 && b > 4 && b < 4.5);
  assert.deepEqual(room([[null]]), [0, 1]);
});
