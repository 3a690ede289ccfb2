/** Options of steps: defaults and given values become one frozen, recorded object. */

/** A value that JSON can hold; options, history and records consist of these. */
export type Json = null | boolean | number | string | readonly Json[] | { readonly [key: string]: Json };

const nearest = (name: string, known: readonly string[]): string | undefined =>
  known.find((each) => each.toLowerCase() === name.toLowerCase()) ??
    known.find((each) => each.startsWith(name.slice(0, 4)) || name.startsWith(each.slice(0, 4)));

const kindName = (value: unknown): string =>
  value === null
    ? "null"
    : Array.isArray(value)
    ? "an array"
    : typeof value === "string"
    ? `the text ${JSON.stringify(value)}`
    : `a ${typeof value}`;

/**
 * What is wrong with a value of another kind than its default: a text or a yes where a number belongs, a number where a
 * yes or no does; null when nothing is. `null`, `"automatic"` and other values that an option may take besides are the
 * option's own affair.
 */
function kindFault(name: string, usual: unknown, value: unknown): string | null {
  const wanted = typeof usual;
  if (value === null || value === undefined || typeof value === wanted) return null;
  // a seed may be a text; `"automatic"` and the like are names, a text of digits is a number in the wrong kind
  const named = typeof value === "string" && (name === "seed" || !/^[-+.\d\s]/.test(value));
  const wrong = wanted === "boolean" || wanted === "function" ||
    (wanted === "number" && (typeof value === "boolean" || (typeof value === "string" && !named)));
  return wrong ? `${name} must be a ${wanted}, but got ${kindName(value)}` : null;
}

/**
 * Everything that is wrong with names and kinds of options, one sentence each, in the order given.
 *
 * @param defaults every option with its default
 * @param given what the caller passed
 */
export function optionFaults(defaults: object, given: object): string[] {
  const usual = new Map<string, unknown>(Object.entries(defaults));
  const known = [...usual.keys()];
  return Object.entries(given).flatMap(([name, value]) => {
    if (usual.has(name)) return kindFault(name, usual.get(name), value) ?? [];
    const guess = nearest(name, known);
    const hint = guess !== undefined
      ? `did you mean "${guess}"?`
      : known.length === 0
      ? "this step has none"
      : `known are ${known.join(", ")}`;
    return `unknown option "${name}"; ${hint}`;
  });
}

/**
 * Lay the given options over the defaults, refuse unknown names, freeze. An option given as `undefined` counts as left
 * out.
 *
 * @param step name of the step, for the message
 * @param defaults every option with its default
 * @param given what the caller passed
 * @returns every option with the value to use
 * @throws {TypeError} if an option is unknown; a misspelt option must never be ignored in silence
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { settle } from "faintlight/extend";
 *
 * assert.deepEqual(settle("demo", { radius: 2, power: 1 }, { power: 3 }), { radius: 2, power: 3 });
 * assert.throws(() => settle("demo", { radius: 2 }, { Radius: 3 } as object), /unknown option "Radius"/);
 * ```
 */
export function settle<T extends object>(
  step: string,
  defaults: Readonly<T>,
  given: Partial<NoInfer<T>> = {},
): Readonly<T> {
  if (typeof given !== "object" || given === null) {
    throw new TypeError(`${step}: options must be an object, but got ${given === null ? "null" : typeof given}`);
  }
  const [fault] = optionFaults(defaults, given);
  if (fault !== undefined) throw new TypeError(`${step}: ${fault}`);
  const stated = Object.entries(given).filter(([, value]) => value !== undefined);
  const used: Record<string, unknown> = { ...defaults, ...Object.fromEntries(stated) };
  return Object.freeze(used) as Readonly<T>;
}

/**
 * JSON text with sorted keys, so that equal values give equal bytes. NaN and infinities become the strings
 * `"NaN"`, `"Infinity"`, `"-Infinity"`, because JSON has no numbers for them.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { canonicalJson } from "faintlight/extend";
 *
 * assert.equal(canonicalJson({ b: 1, a: [NaN, true] }), '{"a":["NaN",true],"b":1}');
 * ```
 */
export function canonicalJson(value: unknown): string {
  if (typeof value === "number") return Number.isFinite(value) ? JSON.stringify(value) : JSON.stringify(String(value));
  if (typeof value === "bigint") return JSON.stringify(String(value));
  if (value === null || value === undefined || typeof value === "boolean" || typeof value === "string") {
    return JSON.stringify(value ?? null);
  }
  if (Array.isArray(value)) return `[${value.map(canonicalJson).join(",")}]`;
  const entries = Object.entries(value as Record<string, unknown>).filter(([, each]) => each !== undefined);
  return `{${
    entries.sort(([a], [b]) => a < b ? -1 : a > b ? 1 : 0).map(([key, each]) =>
      `${JSON.stringify(key)}:${canonicalJson(each)}`
    ).join(",")
  }}`;
}
