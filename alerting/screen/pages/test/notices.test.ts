import assert from "node:assert/strict";
import test from "node:test";
import { Problem, type Notice } from "../src/api.ts";
import { Notices } from "../src/notices.ts";

const notice = (area: string): Notice => ({ area, what: "effort", since: "2026-03-01T12:00:00Z", change_percent: 7, turnouts: 14, of: 16, said: "many throw heavier" });

test("notices are read, told and gone again, each change told once", async () => {
  const n = new Notices(async () => [notice("ORR")]);
  let told = 0;
  n.subscribe(() => told++);
  await n.reload();
  await n.reload();
  assert.deepEqual([n.items().map((x) => x.area), told], [["ORR"], 1]);
  n.apply({ items: [] });
  assert.deepEqual([n.items().length, told], [0, 2]);
});

test("a server that knows no notices has none; what cannot be read stays", async () => {
  let answer: Error | undefined;
  const n = new Notices(async () => {
    if (answer) throw answer;
    return [notice("ORR")];
  });
  await n.reload();
  for (const away of [new TypeError("away"), new Problem(503, "not now")]) {
    answer = away;
    await n.reload();
    assert.equal(n.items().length, 1);
  }
  answer = new Problem(404, "no such thing");
  await n.reload();
  assert.equal(n.items().length, 0);
});

test("what the stream tells while the list is read counts", async () => {
  let give: (l: Notice[]) => void = () => undefined;
  const n = new Notices(() => new Promise((r) => (give = r)));
  const reading = n.reload();
  n.apply({ items: [notice("NEW")] });
  give([notice("OLD")]);
  await reading;
  assert.deepEqual(n.items().map((x) => x.area), ["NEW"]);
});

test("notices that the server could not write are read", async () => {
  const n = new Notices(async () => [notice("ORR")]);
  n.apply({});
  await Promise.resolve();
  await Promise.resolve();
  assert.equal(n.items().length, 1);
});
