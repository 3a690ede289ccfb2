/** What is wrong with a stranger's JSON against a schema: every fault with its place, the rule and the remedy. */
import * as v from "valibot";
import { isInnerPath } from "../core/plain_text.ts";

/** Most faults that are listed: a file of another kind has a fault at every turn. */
const mostListed = 20;

/** One fault as a sentence behind its place. */
function faultOf(issue: v.BaseIssue<unknown>): string {
  const place = v.getDotPath(issue) ?? "the file";
  const [last] = issue.path?.slice(-1) ?? [];
  if (issue.type === "strict_object" && issue.expected === "never") {
    return `${place} is no known name; take it out`;
  }
  const isMissing = last !== undefined && "key" in last && issue.received === "undefined";
  if (isMissing) return `${place} must be there, but is missing; write it`;
  const rule = issue.kind === "validation" ? issue.message : `must be ${issue.expected}`;
  return `${place} ${rule}, but is ${issue.received.slice(0, 80)}; correct it`;
}

/**
 * A value that a schema has taken, with what it fills in.
 *
 * @param origin where the value came from, for the message
 * @throws {SyntaxError} with a line for each fault: where, the rule, what is there
 */
export function requireSchema<const S extends v.GenericSchema>(
  schema: S,
  value: unknown,
  origin: string,
): v.InferOutput<S> {
  const checked = v.safeParse(schema, value);
  if (checked.success) return checked.output;
  return refuseAll(origin, checked.issues.map(faultOf));
}

/**
 * Refuse a file for all its faults at once.
 *
 * @throws {SyntaxError} with a line for each
 */
export function refuseAll(origin: string, faults: readonly string[]): never {
  const more = faults.length - mostListed;
  const listed = more > 0 ? [...faults.slice(0, mostListed), `and ${more} more faults`] : faults;
  throw new SyntaxError(listed.map((fault) => `${origin}: ${fault}`).join("\n"));
}

/** Name of a step or of a step's result: what may stand in the name of a file. */
export const plainName = v.pipe(
  v.string(),
  v.regex(/^[A-Za-z][\w-]*$/, "must be a letter, then letters, digits, - or _"),
);

/** Path of a file within a night's folder. */
export const innerPath = v.pipe(
  v.string(),
  v.check(isInnerPath, "must be a path within the night's folder, without .. and not from the root"),
);

/** SHA-256 as it is written down. */
export const sha256 = v.pipe(v.string(), v.regex(/^[0-9a-f]{64}$/, "must be 64 hexadecimal digits"));
