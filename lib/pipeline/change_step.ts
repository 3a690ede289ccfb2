/** One step of a recipe with other options. */
import { constantImage, type Image } from "../core/image.ts";
import type { Recipe } from "./recipe.ts";
import { findStep, type StepOptions } from "./step.ts";

/** Side of the images on which options are tried, pixels. */
const trialSize = 64;

/** Small images that a step may take: linear or finished, grey or colour. */
function trials(): (readonly Image[])[] {
  const colour = ["R", "G", "B"];
  const image = (unit: "adu" | "display", channels: readonly string[]) =>
    constantImage(trialSize, trialSize, unit === "display" ? 0.25 : 100, { unit, channels });
  const grey = ["L"];
  return (["adu", "display"] as const).flatMap((unit) => [
    [image(unit, grey), image(unit, grey)],
    [image(unit, colour), image(unit, colour)],
    [image(unit, colour), image(unit, grey)],
  ]);
}

/** Whether a step complains of an option, not of the image it was tried on. */
function complainsOf(message: string, step: string, options: StepOptions): boolean {
  if (!message.startsWith(`${step}: `)) return false;
  if (message.startsWith(`${step}: unknown option`)) return true;
  return Object.entries(options).some(([name, value]) =>
    typeof value !== "object" && message.startsWith(`${step}: ${name} must`)
  );
}

/** Refuse options that the step does not know or take; it is asked itself, on small images. */
function tryOptions(step: string, options: StepOptions): void {
  const { run } = findStep(step);
  for (const inputs of trials()) {
    try {
      run(inputs, options);
    } catch (error) {
      if (error instanceof Error && complainsOf(error.message, step, options)) throw error;
    }
  }
}

/**
 * Change options of one step of a recipe. Names and single values are checked at once, by trying the step on small
 * images; the recipe given stays as it is.
 *
 * @param recipe the recipe
 * @param id id of the step: `stretched`
 * @param options options to change; the others stay
 * @throws {RangeError} if the recipe has no such step, or a value is out of range
 * @throws {TypeError} if the step has no such option
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { changeStep, defaultRecipe } from "faintlight";
 *
 * const recipe = defaultRecipe(["Ha", "OIII"], { x: 0, y: 0, width: 100, height: 80 });
 * const brighter = changeStep(recipe, "stretched", { skyLightness: 9 });
 * assert.equal(brighter.steps.find(({ id }) => id === "stretched")?.options.skyLightness, 9);
 * assert.throws(() => changeStep(recipe, "stretched", { skyLightnes: 9 }), /did you mean "skyLightness"/);
 * ```
 */
export function changeStep(recipe: Recipe, id: string, options: StepOptions): Recipe {
  const found = recipe.steps.find((each) => each.id === id);
  if (found === undefined) {
    throw new RangeError(
      `changeStep: id must be one of ${recipe.steps.map((each) => each.id).join(", ")}, but got "${id}"`,
    );
  }
  const changed = { ...found, options: { ...found.options, ...options } };
  tryOptions(found.step, changed.options);
  return { ...recipe, steps: recipe.steps.map((each) => each === found ? changed : each) };
}
