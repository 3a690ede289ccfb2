/** A recipe from a file: of its own, from a record, or out of a picture. */
import { parseJson } from "../io/bounded_json.ts";
import { readBytes } from "../io/digest_files.ts";
import { type Recipe, requireRecipe } from "./recipe.ts";
import { readRecord, requireRecord } from "./record.ts";

/** Whether a JSON value is a record: an object with one inside. */
const isRecord = (value: unknown): boolean => typeof value === "object" && value !== null && "record" in value;

/**
 * Read a recipe: a recipe file, a `record.json`, or a picture with its record inside.
 *
 * @throws {SyntaxError} if there is no recipe in the file; the message names the place and the rule
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { readRecipe } from "faintlight";
 *
 * assert.throws(() => readRecipe("README.md"), /README.md: must be JSON/);
 * ```
 */
export function readRecipe(path: string): Recipe {
  const bytes = readBytes(path);
  if (bytes[0] === 0x89 && bytes[1] === 0x50) return readRecord(bytes, path).recipe;
  const value = parseJson(new TextDecoder().decode(bytes), path);
  return isRecord(value) ? requireRecord(value, path).recipe : requireRecipe(value, path);
}
