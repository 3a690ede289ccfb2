/** The part of the vitest API that our tests use, run by `deno test`. Under real vitest this file is not used. */
import "../../lib/host/deno.ts";
import * as chai from "chai";
import {
  customMatchers,
  getState,
  GLOBAL_EXPECT,
  JestAsymmetricMatchers,
  JestChaiExpect,
  JestExtend,
  setState,
} from "@vitest/expect";
import type { ExpectStatic } from "@vitest/expect";
export { fn } from "@vitest/spy";

type Body = () => void | Promise<void>;
interface Suite {
  readonly name: string;
  readonly parent: Suite | null;
  readonly skipped: boolean;
  readonly before: Body[];
  readonly after: Body[];
  readonly beforeEach: Body[];
  readonly afterEach: Body[];
  left: number;
  started: boolean;
}

chai.use(JestExtend);
chai.use(JestChaiExpect);
chai.use(JestAsymmetricMatchers);
const bare = (value: unknown, message?: string) => chai.expect(value, message);
/** Assertions with vitest's matchers. */
export const expect: ExpectStatic = Object.assign(bare, chai.expect) as unknown as ExpectStatic;
Object.defineProperty(globalThis, GLOBAL_EXPECT, { value: expect, writable: true, configurable: true });
expect.getState = () => getState(expect);
expect.setState = (state) => setState(state, expect);
(chai.expect as unknown as { extend(target: ExpectStatic, matchers: typeof customMatchers): void }).extend(
  expect,
  customMatchers,
);

const suite = (name: string, parent: Suite | null, skipped: boolean): Suite => ({
  name,
  parent,
  skipped,
  before: [],
  after: [],
  beforeEach: [],
  afterEach: [],
  left: 0,
  started: false,
});
let current = suite("", null, false);
const chain = (from: Suite | null): Suite[] => from === null ? [] : [...chain(from.parent), from];

function register(name: string, body: Body, skipped: boolean): void {
  const home = current;
  const path = chain(home);
  for (const each of path) each.left += 1;
  const ignore = skipped || path.some((each) => each.skipped);
  Deno.test({
    name: [...path.map((each) => each.name), name].filter((part) => part !== "").join(" > "),
    ignore,
    sanitizeOps: false,
    sanitizeResources: false,
    fn: async () => {
      for (const each of path) {
        if (each.started) continue;
        each.started = true;
        for (const hook of each.before) await hook();
      }
      try {
        for (const each of path) for (const hook of each.beforeEach) await hook();
        await body();
        for (const each of path.toReversed()) for (const hook of each.afterEach) await hook();
      } finally {
        for (const each of path.toReversed()) {
          each.left -= 1;
          if (each.left === 0) { for (const hook of each.after) await hook(); }
        }
      }
    },
  });
}

function format(template: string, row: readonly unknown[]): string {
  let at = 0;
  const filled = template.replace(/%[sdijfo]/g, (mark) => {
    const value = row[at++];
    return mark === "%j" || mark === "%o" ? JSON.stringify(value) : String(value);
  });
  const first = row[0];
  return filled.replace(
    /\$(\w+)/g,
    (whole, key: string) =>
      typeof first === "object" && first !== null && key in first
        ? String((first as Record<string, unknown>)[key])
        : whole,
  );
}

const rowOf = (row: unknown): readonly unknown[] => Array.isArray(row) ? row : [row];

function open(name: string, body: () => void, skipped: boolean): void {
  current = suite(name, current, skipped);
  body();
  current = current.parent as Suite;
}

type Each = <T>(rows: readonly T[]) => (
  name: string,
  body: (...args: T extends readonly unknown[] ? [...T] : [T]) => void | Promise<void>,
) => void;

/** Groups cases under a name. */
export const describe = Object.assign((name: string, body: () => void): void => open(name, body, false), {
  skip: (name: string, body: () => void): void => open(name, body, true),
  skipIf: (condition: unknown) => (name: string, body: () => void): void => open(name, body, Boolean(condition)),
  each: ((rows: readonly unknown[]) => (name: string, body: (...args: unknown[]) => void): void => {
    for (const row of rows) open(format(name, rowOf(row)), () => body(...rowOf(row)), false);
  }) as Each,
});

/** One case. */
export const it = Object.assign((name: string, body: Body): void => register(name, body, false), {
  skip: (name: string, body: Body): void => register(name, body, true),
  skipIf: (condition: unknown) => (name: string, body: Body): void => register(name, body, Boolean(condition)),
  runIf: (condition: unknown) => (name: string, body: Body): void => register(name, body, !condition),
  each: ((rows: readonly unknown[]) => (name: string, body: (...args: unknown[]) => void | Promise<void>): void => {
    for (const row of rows) register(format(name, rowOf(row)), () => body(...rowOf(row)), false);
  }) as Each,
});
/** Another name of {@linkcode it}. */
export const test = it;
/** Runs once before the cases of the suite. */
export const beforeAll = (hook: Body): void => void current.before.push(hook);
/** Runs once after the cases of the suite. */
export const afterAll = (hook: Body): void => void current.after.push(hook);
/** Runs before each case of the suite. */
export const beforeEach = (hook: Body): void => void current.beforeEach.push(hook);
/** Runs after each case of the suite. */
export const afterEach = (hook: Body): void => void current.afterEach.push(hook);
