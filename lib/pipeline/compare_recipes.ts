/** Two recipes side by side: which steps they share and where they part. */
import { canonicalJson, type Json } from "../core/options.ts";
import type { Recipe, RecipeStep } from "./recipe.ts";

/** An option that differs; null where a recipe leaves it to the step. */
export interface OptionDifference {
  /** Name of the option. */
  readonly name: string;
  /** Value in the first recipe. */
  readonly before: Json;
  /** Value in the second. */
  readonly after: Json;
}

/** A step of the first recipe and the one of the second that does its work. */
export interface StepPair {
  /** Step of the first recipe. */
  readonly before: RecipeStep;
  /** Step of the second. */
  readonly after: RecipeStep;
  /** Options that differ. */
  readonly options: readonly OptionDifference[];
  /** Whether both take the same inputs. */
  readonly sameInputs: boolean;
}

/** What two recipes share and where they part. */
export interface RecipeDifference {
  /** Steps that do the same to the same. */
  readonly same: readonly StepPair[];
  /** Steps of one kind with other options or inputs. */
  readonly changed: readonly StepPair[];
  /** Steps of the first recipe only. */
  readonly removed: readonly RecipeStep[];
  /** Steps of the second recipe only. */
  readonly added: readonly RecipeStep[];
  /** Id of the first step, in the order of the first recipe, at which they part; null when they are the same. */
  readonly partAt: string | null;
}

function optionDifferences(before: RecipeStep, after: RecipeStep): OptionDifference[] {
  const names = [...new Set([...Object.keys(before.options), ...Object.keys(after.options)])].sort();
  return names.map((name) => ({
    name,
    before: before.options[name] ?? null,
    after: after.options[name] ?? null,
  })).filter((each) => canonicalJson(each.before) !== canonicalJson(each.after));
}

/** The input of a step in the names of the second recipe. */
const translated = (input: string, partners: ReadonlyMap<string, string>): string => {
  const [id, ...output] = input.split(".");
  return [partners.get(id) ?? id, ...output].join(".");
};

/**
 * Compare two recipes. Steps are paired by content, whatever their ids: the same library function, then the same
 * inputs, the same options, the same channel.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { changeStep, compareRecipes, defaultRecipe } from "faintlight";
 *
 * const recipe = defaultRecipe(["L"], { x: 0, y: 0, width: 100, height: 80 });
 * const { changed, partAt } = compareRecipes(recipe, changeStep(recipe, "starsReduced", { strength: 0.2 }));
 * assert.deepEqual(changed[0].options, [{ name: "strength", before: 0.45, after: 0.2 }]);
 * assert.equal(partAt, "starsReduced");
 * ```
 */
export function compareRecipes(a: Recipe, b: Recipe): RecipeDifference {
  const partners = new Map<string, string>();
  const free = new Set(b.steps);
  const pairs: StepPair[] = [];
  const removed: RecipeStep[] = [];
  for (const before of a.steps) {
    const inputs = before.inputs.map((input) => translated(input, partners)).join();
    const likeness = (step: RecipeStep) =>
      (step.inputs.join() === inputs ? 4 : 0) + (step.channel === before.channel ? 2 : 0) +
      (canonicalJson(step.options) === canonicalJson(before.options) ? 1 : 0);
    const candidates = [...free].filter(({ step }) => step === before.step);
    if (candidates.length === 0) {
      removed.push(before);
      continue;
    }
    const after = candidates.reduce((best, each) => likeness(each) > likeness(best) ? each : best);
    free.delete(after);
    partners.set(before.id, after.id);
    const sameInputs = after.inputs.join() === inputs;
    pairs.push({ before, after, options: optionDifferences(before, after), sameInputs });
  }
  const isSame = ({ options, sameInputs }: StepPair) => options.length === 0 && sameInputs;
  const apart = new Set(pairs.filter((pair) => !isSame(pair)).map(({ before }) => before.id));
  const first = a.steps.find((step) => apart.has(step.id) || removed.includes(step));
  return {
    same: pairs.filter(isSame),
    changed: pairs.filter((pair) => !isSame(pair)),
    removed,
    added: [...free],
    partAt: first?.id ?? [...free][0]?.id ?? null,
  };
}
