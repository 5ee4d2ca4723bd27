import assert from "node:assert/strict";
import test from "node:test";
import { Problem } from "../src/api.ts";
import { Outbox, verdictOn, type Carrier, type FindingKept, type VisitKept } from "../src/outbox.ts";

const visit = (at: string): VisitKept => ({ kind: "visit", turnout: "ORR-W07", body: { work: "cleaned", done_at: at } });

function world(): Carrier & { kept: string | null; sent: string[]; fail: (() => Error | undefined)[]; who: string } {
  const w = {
    kept: null as string | null, sent: [] as string[], fail: [] as (() => Error | undefined)[], who: "fitter",
    load: () => w.kept,
    save: (t: string | null) => { w.kept = t; },
    user: () => w.who,
    async visit(v: VisitKept) {
      const err = w.fail.shift()?.();
      if (err) throw err;
      w.sent.push(v.body.done_at);
    },
    async finding(f: FindingKept, again: boolean) {
      const err = w.fail.shift()?.();
      if (err) throw err;
      w.sent.push(`${f.alert} ${again}`);
    },
  };
  return w;
}

test("what cannot be sent is kept over a reload, and sent in order, once", async () => {
  const w = world();
  const box = new Outbox(w);
  w.fail = [() => new TypeError("no network"), () => new TypeError("no network")];
  assert.equal((await box.put(visit("1")))?.why, "the server does not answer");
  await box.put(visit("2"));
  assert.deepEqual(w.sent, []);
  const later = new Outbox(w);
  assert.equal(later.items().length, 2);
  await Promise.all([later.send(), later.send()]);
  assert.deepEqual(w.sent, ["1", "2"]);
  assert.equal(w.kept, null);
});

test("the same work kept twice is one", async () => {
  const w = world();
  const box = new Outbox(w);
  w.fail = [() => new TypeError("x"), () => new TypeError("x")];
  await box.put(visit("1"));
  await box.put(visit("1"));
  assert.equal(box.items().length, 1);
});

test("what is refused waits for a person and holds up nothing", async () => {
  const w = world();
  const box = new Outbox(w);
  w.fail = [() => new Problem(422, "refused", [{ message: "expected a time" }])];
  const kept = await box.put(visit("1"));
  if (!kept) throw new Error("expected it to be kept");
  assert.ok(kept.refused);
  assert.equal(kept.why, "expected a time");
  await box.put(visit("2"));
  assert.deepEqual(w.sent, ["2"]);
  await box.retry(kept.id);
  assert.deepEqual(w.sent, ["2", "1"]);
});

test("nobody's record is sent under another name", async () => {
  const w = world();
  const box = new Outbox(w);
  w.fail = [() => new Problem(401, "log in")];
  await box.put(visit("1"));
  w.who = "another";
  await box.send();
  assert.deepEqual(w.sent, []);
  assert.ok(box.items()[0]!.why!.includes("kept for fitter"));
  w.who = "fitter";
  await box.send();
  assert.deepEqual(w.sent, ["1"]);
});

test("a finding that may have arrived says so when it is sent again", async () => {
  const w = world();
  const box = new Outbox(w);
  w.fail = [() => new TypeError("the answer is lost")];
  await box.put({ kind: "finding", turnout: "ORR-W07", alert: "a", body: { found: { true: true } } });
  await box.send();
  assert.deepEqual(w.sent, ["a true"]);
});

test("which answers are worth another try", () => {
  for (const [status, refused] of [[400, true], [403, true], [404, true], [409, true], [422, true], [401, false], [408, false], [429, false], [500, false], [503, false]] as const) {
    assert.equal(verdictOn(new Problem(status, "x")).refused, refused, String(status));
  }
});
