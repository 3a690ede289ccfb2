/** A picture of what a recipe gives when the steps that were to stretch it failed. */
import type { Recorded } from "../core/history.ts";
import type { Image } from "../core/image.ts";
import { quantileOf } from "../stats/samples.ts";
import { fenced } from "./fence.ts";
import { type CarriedOutRecipe, carryOutRecipe, type RecipeStep, type RecipeStepDone } from "./recipe.ts";

const isImage = (value: Recorded): value is Image => "planes" in value && "unit" in value;

/** Samples that black and white are taken from, at most. */
const maximumSamples = 100_000;

/** Shares of the samples below black and above white: our own judgement. */
const clippedShares = { black: 0.01, white: 0.001 } as const;

/** Bend of the curve between them: our own judgement, linear for the lowest fiftieth. */
const bend = 50;

/** Black and white of a plain stretch; 0 and 1 without data. */
function plainLevels({ planes }: Image): { readonly black: number; readonly white: number } {
  const step = Math.max(1, Math.ceil(planes.length * planes[0].data.length / maximumSamples));
  const samples: number[] = [];
  for (const { data } of planes) {
    for (let i = 0; i < data.length; i += step) if (Number.isFinite(data[i])) samples.push(data[i]);
  }
  if (samples.length === 0) return { black: 0, white: 1 };
  const black = quantileOf(samples, clippedShares.black);
  const white = quantileOf(samples, 1 - clippedShares.white);
  return { black, white: white > black ? white : black + Math.max(1, Math.abs(black)) };
}

/**
 * A recipe that was carried out, with a stretch behind it when its result is linear: by the sky, or where the sky
 * cannot be measured between two quantiles.
 *
 * @param visit called behind the stretch
 */
export function plainPicture(
  carried: CarriedOutRecipe,
  visit: (done: RecipeStepDone, index: number) => void,
): CarriedOutRecipe {
  const { value, recipe } = carried;
  if (!isImage(value) || value.unit === "display") return carried;
  const ids = new Set(recipe.steps.map((node) => node.id));
  let id = "plainStretch";
  while (ids.has(id)) id += "Again";
  const stretched = (step: string, options: RecipeStep["options"]): CarriedOutRecipe => {
    const node: RecipeStep = { id, step, inputs: ["stack.linear"], options, channel: "" };
    const steps = { name: recipe.name, steps: [node], result: id };
    const made = carryOutRecipe(steps, { linear: value }, (done) => visit(done, recipe.steps.length), null);
    const behind = { ...node, inputs: [recipe.result] };
    return { value: made.value, recipe: { ...recipe, steps: [...recipe.steps, behind], result: id } };
  };
  return fenced(
    () => stretched("automaticStretch", {}),
    () => stretched("stretchAsinh", { ...plainLevels(value), bend }),
  );
}
