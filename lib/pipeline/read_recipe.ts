/** A recipe from a file: of its own, from a record, or out of a picture. */
import { parseJson } from "../io/bounded_json.ts";
import { readBytes } from "../io/digest_files.ts";
import { parseRecipe, type Recipe } from "./recipe.ts";
import { readRecord } from "./record.ts";

/** Whether text is a record: JSON with a recipe inside. */
function isRecord(text: string): boolean {
  try {
    const value: unknown = parseJson(text, "recipe");
    return typeof value === "object" && value !== null && "record" in value;
  } catch {
    return false;
  }
}

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
  const text = new TextDecoder().decode(bytes);
  return isRecord(text) ? readRecord(bytes, path).recipe : parseRecipe(text, path);
}
