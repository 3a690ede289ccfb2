/** A recipe as a file of its own. */
import { writeWhole } from "../io/write_whole.ts";
import { parseRecipe, type Recipe } from "./recipe.ts";

/**
 * Write a recipe as JSON, one that `readRecipe` and the command line's `--recipe` take. It is checked first.
 *
 * @throws {SyntaxError} if it is no recipe: an unknown step, an input that does not exist, a name twice
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { defaultRecipe, readRecipe, writeRecipe } from "faintlight";
 *
 * const folder = mkdtempSync(join(tmpdir(), "recipe-"));
 * const recipe = defaultRecipe(["L"], { x: 0, y: 0, width: 100, height: 80 });
 * writeRecipe(join(folder, "mine.json"), recipe);
 * assert.deepEqual(readRecipe(join(folder, "mine.json")), recipe);
 * rmSync(folder, { recursive: true });
 * ```
 */
export function writeRecipe(path: string, recipe: Recipe): void {
  const checked = parseRecipe(JSON.stringify(recipe), "writeRecipe");
  writeWhole(path, `${JSON.stringify(checked, null, 2)}\n`);
}
