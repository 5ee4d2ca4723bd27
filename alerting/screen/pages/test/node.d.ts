// As much of Node's test runner as our tests use.
declare module "node:test" {
  export default function test(name: string, f: () => void | Promise<void>): void;
}
declare module "node:assert/strict" {
  const assert: {
    equal(found: unknown, expected: unknown, message?: string): void;
    deepEqual(found: unknown, expected: unknown, message?: string): void;
    ok(value: unknown, message?: string): void;
    rejects(p: Promise<unknown>, how: object | ((err: unknown) => boolean)): Promise<void>;
  };
  export default assert;
}
