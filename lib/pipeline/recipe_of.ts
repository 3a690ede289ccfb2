/** What was done to an image, as a recipe. */
import type { HistoryNode, Recorded } from "../core/history.ts";
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Recipe, RecipeStep } from "./recipe.ts";
import { stepNames } from "./step.ts";

/** Options of {@linkcode recipeOf}. */
export interface RecipeOfOptions {
  /**
   * What the recipe starts from: an image, or several by the names the recipe gives them; null for whatever was there
   * before the first step that a recipe may name.
   */
  readonly since: Image | Readonly<Record<string, Recorded>> | null;
}

/** What {@linkcode recipeOf} uses for an option left out. */
export const recipeOfDefaults: RecipeOfOptions = Object.freeze({ since: null });

const isImage = (value: object): value is Image => "planes" in value && "history" in value;

/** Name of a stack that is one image: its channel, or `colour`. */
const nameOf = ({ planes }: Image): string => planes.length === 1 ? planes[0].channel : "colour";

/** Ids of the nodes that a recipe starts from, with the names they have in it. */
function sourcesOf(image: Image, since: RecipeOfOptions["since"]): Map<string, string> {
  if (since !== null) {
    const named = isImage(since) ? [[nameOf(since), since] as const] : Object.entries(since);
    return new Map(named.map(([name, { history }]) => [history.head, `stack.${name}`]));
  }
  const { nodes, head } = image.history;
  const isStep = ({ step }: HistoryNode) => stepNames.includes(step);
  const taken = new Set([head, ...nodes.filter(isStep).flatMap(({ inputs }) => inputs)]);
  const sources = nodes.filter((node) => !isStep(node) && taken.has(node.id));
  return new Map(sources.map(({ id }, at) => [id, `stack.${sources.length === 1 ? "image" : `image${at + 1}`}`]));
}

/** Nodes that lead from the sources to the head, sources left out, each behind its inputs. */
function nodesBetween(
  nodes: readonly HistoryNode[],
  head: string,
  sources: ReadonlyMap<string, string>,
): HistoryNode[] {
  const needed = new Set([head]);
  for (const node of nodes.toReversed()) {
    if (needed.has(node.id) && !sources.has(node.id)) node.inputs.forEach((id) => needed.add(id));
  }
  return nodes.filter(({ id }) => needed.has(id) && !sources.has(id));
}

/**
 * The steps that made an image, as a recipe with every option resolved: what was chosen automatically stands there as
 * it was chosen.
 *
 * @param image the result
 * @throws {TypeError} if a step on the way is none that a recipe may name, or `since` is not where the image comes from
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, cropImage, recipeOf } from "faintlight";
 *
 * const stack = constantImage(4, 4, 1);
 * const recipe = recipeOf(cropImage(stack, { width: 2 }), { since: stack });
 * assert.deepEqual(recipe.steps[0].inputs, ["stack.L"]);
 * assert.deepEqual(recipe.steps[0].options, { x: 0, y: 0, width: 2, height: 4 });
 * ```
 */
export function recipeOf(image: Image, options: Partial<RecipeOfOptions> = {}): Recipe {
  requireImage("recipeOf", image);
  const { since } = settle("recipeOf", recipeOfDefaults, options);
  const { nodes, head } = image.history;
  const references = sourcesOf(image, since);
  const steps: RecipeStep[] = [];
  const calls = new Map<string, string>();
  const counts = new Map<string, number>();
  for (const node of nodesBetween(nodes, head, references)) {
    const inputs = node.inputs.map((id) => references.get(id) as string);
    requireStep(node);
    // a step with several results stands in the history once for each of them, and in a recipe once
    const call = JSON.stringify([node.step, node.options, inputs]);
    let id = calls.get(call);
    if (id === undefined) {
      const count = (counts.get(node.step) ?? 0) + 1;
      counts.set(node.step, count);
      id = count === 1 ? node.step : `${node.step}${count}`;
      calls.set(call, id);
      steps.push({ id, step: node.step, inputs, options: node.options, channel: "" });
    }
    references.set(node.id, node.output === "" ? id : `${id}.${node.output}`);
  }
  if (steps.length === 0) throw new TypeError("recipeOf: image must be made by a step, but is what it starts from");
  return { name: "as it was made", steps, result: references.get(head) as string };
}

function requireStep({ step, inputs }: HistoryNode): void {
  if (stepNames.includes(step)) return;
  throw new TypeError(
    inputs.length === 0
      ? `recipeOf: since must be what the image was made from, but it goes back to "${step}"; name that image in since`
      : `recipeOf: every step must be one that a recipe may name, but got "${step}"; start behind it with since`,
  );
}
