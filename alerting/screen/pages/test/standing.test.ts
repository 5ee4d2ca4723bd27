import assert from "node:assert/strict";
import test from "node:test";
import type { Alert, AlertEvent, Priority } from "../src/api.ts";
import { Standing, type Loaded } from "../src/standing.ts";

function alert(id: string, priority: Priority, minute: number, cleared?: number): Alert {
  const at = (m: number): string => new Date(Date.UTC(2026, 2, 1, 12, m)).toISOString();
  return {
    id, turnout: "W1", condition: "stiffening", priority, causes: [], since: at(0), raised_at: at(minute), changed_at: at(cleared ?? minute),
    ...(cleared === undefined ? {} : { cleared_at: at(cleared) }),
  };
}

const event = (kind: AlertEvent["event"], a: Alert): AlertEvent => ({ event: kind, at: a.changed_at, alert: a });

test("worst first, newest first among equals", async () => {
  const s = new Standing(async () => ({ open: [alert("a", "low", 9), alert("b", "high", 1), alert("c", "high", 2), alert("d", "medium", 5)], cleared: [] }));
  await s.reload();
  assert.deepEqual(s.open().map((a) => a.id), ["c", "b", "d", "a"]);
  assert.deepEqual(s.fresh(), [], "what stood before is not new");
});

test("an alert's life by events", async () => {
  const s = new Standing(async () => ({ open: [], cleared: [] }));
  await s.reload();
  let told = 0;
  s.subscribe(() => told++);
  s.apply(event("raised", alert("a", "low", 1)));
  assert.equal(s.news("a"), "raised");
  s.seen("a");
  assert.equal(s.news("a"), undefined);
  s.apply(event("changed", { ...alert("a", "high", 1), changed_at: alert("x", "low", 3).raised_at }));
  assert.equal(s.news("a"), "changed");
  assert.equal(s.open()[0]!.priority, "high");
  s.apply(event("cleared", alert("a", "high", 1, 7)));
  assert.deepEqual([s.open().length, s.cleared().length, s.fresh().length], [0, 1, 0]);
  s.apply(event("changed", alert("a", "high", 1))); // late, and older
  assert.equal(s.open().length, 0);
  assert.equal(told, 5);
});

test("events that come while the lists are read are not lost to them", async () => {
  let answer: (l: Loaded) => void = () => undefined;
  const s = new Standing(() => new Promise((r) => (answer = r)));
  const reading = s.reload();
  s.apply(event("cleared", alert("a", "low", 1, 5)));
  s.apply(event("raised", alert("b", "low", 6)));
  answer({ open: [alert("a", "low", 1)], cleared: [] });
  await reading;
  assert.deepEqual(s.open().map((a) => a.id), ["b"]);
  assert.deepEqual(s.fresh().map((a) => a.id), ["b"]);
});

test("what came up while the stream was away is new, what went is gone", async () => {
  let list = [alert("a", "low", 1)];
  const s = new Standing(async () => ({ open: list, cleared: [] }));
  await s.reload();
  list = [alert("b", "low", 2)];
  await s.reload();
  assert.deepEqual(s.open().map((a) => a.id), ["b"]);
  assert.deepEqual(s.fresh().map((a) => a.id), ["b"]);
});

test("a failed reading keeps what is known", async () => {
  let fail = false;
  const s = new Standing(async () => {
    if (fail) throw new Error("away");
    return { open: [alert("a", "low", 1)], cleared: [] };
  });
  await s.reload();
  fail = true;
  await s.reload().then(() => assert.ok(false, "expected an error"), () => undefined);
  assert.deepEqual(s.open().map((a) => a.id), ["a"]);
  s.apply(event("raised", alert("b", "low", 2)));
  assert.equal(s.open().length, 2);
});

test("cleared alerts are forgotten in the end, the oldest first", async () => {
  const s = new Standing(async () => ({ open: [], cleared: [] }));
  await s.reload();
  for (let i = 0; i < 200; i++) s.apply(event("cleared", alert(`a${i}`, "low", i, i + 1)));
  assert.equal(s.cleared().length, 60);
  assert.equal(s.cleared()[0]!.id, "a199");
});
