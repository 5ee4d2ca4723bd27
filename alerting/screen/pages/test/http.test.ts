// Reads that find no room come again, and no others.

import assert from "node:assert/strict";
import test from "node:test";
import { get, Problem } from "../src/api/http.ts";

/** Has fetch answer with these statuses, the last for ever, and counts how often it is asked. */
function answering(headers: Record<string, string>, ...statuses: number[]): () => number {
  let asked = 0;
  globalThis.fetch = () => {
    const status = statuses[Math.min(asked++, statuses.length - 1)]!;
    return Promise.resolve(new Response(JSON.stringify({ detail: "no room", is: status }), { status, headers }));
  };
  return () => asked;
}

const soon = { "retry-after": "0.001" };

test("a read that is told to come again does so", async () => {
  const asked = answering(soon, 503, 503, 200);
  assert.deepEqual(await get("/alerts"), { detail: "no room", is: 200 });
  assert.equal(asked(), 3);
});

test("it is told where there is no room for long, or nobody says when", async () => {
  for (const [headers, status, times] of [[soon, 503, 3], [{}, 503, 1], [soon, 429, 1], [soon, 500, 1]] as const) {
    const asked = answering(headers, status);
    await assert.rejects(get("/alerts"), (err) => err instanceof Problem && err.status === status && err.message === "no room");
    assert.equal(asked(), times);
  }
});

test("who has left does not come again", async () => {
  const asked = answering({ "retry-after": "60" }, 503);
  const leave = new AbortController();
  const read = get("/alerts", {}, leave.signal);
  setTimeout(() => leave.abort(), 20);
  await assert.rejects(read, { name: "AbortError" });
  assert.equal(asked(), 1);
});
