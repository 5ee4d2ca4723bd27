import assert from "node:assert/strict";
import test from "node:test";
import type { Case, List, Priority, Standing } from "../src/api.ts";
import { Cases } from "../src/cases.ts";
import { shiftStart } from "../src/control/rates.ts";

function made(id: string, standing: Standing = "unacknowledged", priority: Priority = "low", more: Partial<Case> = {}): Case {
  const at = new Date(Date.UTC(2026, 2, 1, 12, 0)).toISOString();
  return { id, turnout: id, condition: "stiffening", priority, causes: [], since: at, raised_at: at, changed_at: at, standing, handling: {}, place: { turnout: id }, ...more };
}

const of = (...items: Case[]) => async (): Promise<List<Case>> => ({ items });

function watch(c: Cases): string[] {
  const told: string[] = [];
  c.onCalls((fresh) => told.push(fresh.map((x) => x.id).join()));
  return told;
}

test("what stood at the first reading is no news, what comes is", async () => {
  const c = new Cases(of(made("a"), made("b", "acknowledged")));
  const told = watch(c);
  await c.reload();
  assert.deepEqual(told, []);
  c.apply(made("c"));
  c.apply(made("c")); // told again: no news
  assert.deepEqual(told, ["c"]);
  assert.deepEqual(c.fresh().map((x) => x.id), ["c"]);
  c.apply(made("c", "acknowledged"));
  assert.deepEqual(c.section("acknowledged").map((x) => x.id), ["b", "c"]);
  c.apply(made("c", "normal"));
  assert.equal(c.get("c"), undefined);
});

test("a new call of the same alert is news, and so is the end of a shelving", async () => {
  const c = new Cases(of(made("a")));
  const told = watch(c);
  await c.reload();
  c.apply(made("a", "acknowledged"));
  c.apply(made("a", "unacknowledged", "high", { call: 1 }));
  c.apply(made("a", "shelved", "high", { call: 1 }));
  assert.equal(c.section("hidden").length, 1);
  c.apply(made("a", "unacknowledged", "high", { call: 1 }));
  assert.deepEqual(told, ["a", "a"]);
});

test("what is hidden is never news", async () => {
  const c = new Cases(of());
  const told = watch(c);
  await c.reload();
  for (const s of ["shelved", "suppressed", "out-of-service", "acknowledged", "returned-unacknowledged"] as const) c.apply(made(s, s));
  assert.deepEqual(told, []);
});

test("reading anew after the line was lost tells what came meanwhile, and what came while it was read", async () => {
  let list = [made("a")];
  let during: (() => void) | undefined;
  const c = new Cases(async () => {
    const items = list;
    during?.();
    return { items };
  });
  const told = watch(c);
  await c.reload();
  list = [made("a"), made("b")];
  during = () => c.apply(made("a", "acknowledged"));
  await c.reload();
  assert.deepEqual(told, ["b"]);
  assert.equal(c.get("a")?.standing, "acknowledged", "the list that was read is older than the event");
});

test("all pages are read, and the serious with the least time come first", async () => {
  const days = (n: number): Partial<Case> => ({ forecast: { limit: "x", days_p10: n, days_p50: n, days_p90: n } });
  const pages: Record<string, List<Case>> = { "": { items: [made("a"), made("b", "unacknowledged", "high", days(9))], next: "2" }, 2: { items: [made("c", "unacknowledged", "high", days(2)), made("d", "unacknowledged", "medium")] } };
  const c = new Cases(async (cursor) => pages[cursor ?? ""]!);
  assert.equal(c.ready(), false);
  await c.reload();
  assert.equal(c.ready(), true);
  assert.deepEqual(c.section("calls").map((x) => x.id), ["c", "b", "d", "a"]);
});

test("a shift begins by the clock on the wall", () => {
  const at = (d: number, hour: number): number => Date.UTC(2026, 10, d, hour, 30);
  assert.equal(new Date(shiftStart(at(25, 15), true)).toISOString(), "2026-11-25T14:00:00.000Z");
  assert.equal(new Date(shiftStart(at(25, 3), true)).toISOString(), "2026-11-24T22:00:00.000Z");
  assert.equal(new Date(shiftStart(at(25, 23), true)).toISOString(), "2026-11-25T22:00:00.000Z");
});
