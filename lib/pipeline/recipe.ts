/**
 * A recipe: processing steps as plain data, run on named stacks. A record's history is the same thing with every
 * option resolved; {@linkcode replayHistory} carries it out again.
 */
import * as v from "valibot";
import type { History, HistoryNode, Recorded } from "../core/history.ts";
import { namesInWords } from "../core/names_in_words.ts";
import { type Json, optionFaults } from "../core/options.ts";
import { parseJson } from "../io/bounded_json.ts";
import { factOf } from "./fence.ts";
import { plainName, refuseAll, requireSchema } from "./schema_faults.ts";
import { findStep, stepNames, type StepResult } from "./step.ts";

/** One step of a recipe. */
export interface RecipeStep {
  /** Name of the result within the recipe. */
  readonly id: string;
  /** Name of the library function. */
  readonly step: string;
  /** What goes in: `stack.Ha`, the id of a node, or `id.output` of a step with several results. */
  readonly inputs: readonly string[];
  /** Options; what is left out takes the step's default. */
  readonly options: { readonly [name: string]: Json };
  /** Channel or channel set, for file names and headings; `""` when the step works on the whole picture. */
  readonly channel: string;
}

/** Steps in order, and which result is the picture. */
export interface Recipe {
  /** What the recipe makes, for a person. */
  readonly name: string;
  /** Each node stands behind its inputs. */
  readonly steps: readonly RecipeStep[];
  /** Id of the picture. */
  readonly result: string;
}

/** Any value that JSON can hold. */
export const json: v.GenericSchema<Json> = v.lazy(() =>
  v.union([v.null(), v.boolean(), v.number(), v.string(), v.array(json), v.record(v.string(), json)])
);
const recipeSchema = v.strictObject({
  name: v.string(),
  steps: v.array(v.strictObject({
    id: plainName,
    step: plainName,
    inputs: v.array(v.string()),
    options: v.optional(v.record(v.string(), json), {}),
    channel: v.optional(v.string(), ""),
  })),
  result: v.string(),
});

/**
 * A recipe from JSON text, checked: known steps, options of known names and kinds, inputs that exist, no name twice.
 *
 * @param text the JSON
 * @param origin where it came from, for the message
 * @throws {SyntaxError} if it is not JSON or not a recipe; the message has a line for each fault, with place and rule
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parseRecipe } from "faintlight";
 *
 * const text = '{"name":"one","steps":[{"id":"flat","step":"extractGradient","inputs":["stack.L"]}],"result":"flat"}';
 * assert.equal(parseRecipe(text, "example").steps[0].step, "extractGradient");
 * assert.throws(() => parseRecipe("{}", "example"), /example: name/);
 * ```
 */
export const parseRecipe = (text: string, origin: string): Recipe => requireRecipe(parseJson(text, origin), origin);

/**
 * A value as a recipe, checked as {@linkcode parseRecipe} checks it.
 *
 * @param origin where it came from, for the message
 * @throws {SyntaxError} if it is not a recipe; the message names the place and the rule
 */
export function requireRecipe(value: unknown, origin: string): Recipe {
  const recipe = requireSchema(recipeSchema, value, origin);
  const known = new Set<string>();
  const faults = recipe.steps.flatMap((node, at) => {
    const found = nodeFaults(node, known).map((fault) => `steps.${at}: ${fault}`);
    known.add(node.id);
    return found;
  });
  if (!known.has(partsOf(recipe.result)[0])) {
    faults.push(`result "${recipe.result}" is no node; known are ${namesInWords([...known], 20)}`);
  }
  return faults.length === 0 ? recipe : refuseAll(origin, faults);
}

/** What is wrong with one node behind those whose names are known. */
function nodeFaults({ id, step, inputs, options }: RecipeStep, known: ReadonlySet<string>): string[] {
  const faults = inputs.filter((input) => !["stack", ...known].includes(partsOf(input)[0])).map((input) =>
    `node "${id}" takes "${input}", but no earlier node has that name`
  );
  if (known.has(id) || id === "stack") faults.push(`two nodes are named "${id}"; give one another name`);
  if (!stepNames.includes(step)) {
    return [...faults, `step must be one of ${stepNames.join(", ")}, but got "${step}"`];
  }
  return [...faults, ...optionFaults(findStep(step).defaults, options).map((fault) => `${step}: ${fault}`)];
}

/** One carried-out node of a recipe. */
export interface RecipeStepDone {
  /** The node. */
  readonly node: RecipeStep;
  /** What went in. */
  readonly inputs: readonly Recorded[];
  /** What came out, by name; `""` for a single result. */
  readonly outputs: StepResult;
}

/**
 * Run a recipe.
 *
 * @param recipe the steps
 * @param stacks what `stack.<name>` stands for
 * @param visit called behind each step, before the next
 * @returns the value that is the picture
 * @throws {TypeError} if a stack is missing
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, type Image, parseRecipe, runRecipe } from "faintlight";
 *
 * const part = { id: "part", step: "cropImage", inputs: ["stack.L"], options: { width: 2 } };
 * const text = JSON.stringify({ name: "crop", steps: [part], result: "part" });
 * const picture = runRecipe(parseRecipe(text, "example"), { L: constantImage(4, 4, 1) }) as Image;
 * assert.equal(picture.width, 2);
 * ```
 */
export function runRecipe(
  recipe: Recipe,
  stacks: Readonly<Record<string, Recorded>>,
  visit: (done: RecipeStepDone, index: number) => void = () => {},
): Recorded {
  return carryOutRecipe(recipe, stacks, visit, null).value;
}

/** A reference taken apart at its first dot: what stands behind it may have dots of its own, as filters have. */
function partsOf(reference: string): readonly [id: string, output: string] {
  const dot = reference.indexOf(".");
  return dot < 0 ? [reference, ""] : [reference.slice(0, dot), reference.slice(dot + 1)];
}

/** A recipe that was carried out. */
export interface CarriedOutRecipe {
  /** The value that is the picture. */
  readonly value: Recorded;
  /** What was done: the recipe without the steps that were left out. */
  readonly recipe: Recipe;
}

/**
 * Run a recipe as far as it goes. A step that fails is left out and its first input goes on in its place; results that
 * are no further stage of that input (the stars of a separation, a surface) are missing, and a step that needs one of
 * them is left out as well.
 *
 * @param leaveOut told of each step that is left out, and why; null to fail with the first that fails
 * @throws {TypeError} if no stack is left that the picture could be made of
 */
export function carryOutRecipe(
  recipe: Recipe,
  stacks: Readonly<Record<string, Recorded>>,
  visit: (done: RecipeStepDone, index: number) => void,
  leaveOut: ((node: RecipeStep, fact: string) => void) | null,
): CarriedOutRecipe {
  const made = new Map<string, StepResult>();
  /** What goes on in the place of a step that was left out; null for nothing. */
  const instead = new Map<string, { readonly step: string; readonly reference: string | null }>();
  // a result that no later node takes is let go: at 26 Mpixel all of them together fill a machine
  const lastUse = new Map<string, number>([[partsOf(recipe.result)[0], Infinity]]);
  recipe.steps.forEach(({ inputs }, index) => {
    for (const input of inputs) {
      const [id] = partsOf(input);
      lastUse.set(id, Math.max(index, lastUse.get(id) ?? 0));
    }
  });

  const find = (reference: string): Recorded => {
    const [id, output] = partsOf(reference);
    if (id === "stack") {
      if (!Object.hasOwn(stacks, output)) {
        throw new TypeError(
          `runRecipe: the recipe needs a stack "${output}", but there are ${Object.keys(stacks).join(", ") || "none"}`,
        );
      }
      return stacks[output];
    }
    const results = made.get(id);
    const value = results?.[output] ?? (output === "" && results !== undefined ? Object.values(results)[0] : undefined);
    if (value === undefined) {
      throw new TypeError(`runRecipe: "${reference}" must name an earlier result, but does not`);
    }
    return value;
  };
  const settled = (reference: string): string | null => {
    const [id, output] = partsOf(reference);
    if (leaveOut !== null && id === "stack") return Object.hasOwn(stacks, output) ? reference : null;
    const left = instead.get(id);
    if (left === undefined) return reference;
    return findStep(left.step).byProducts.includes(output) ? null : left.reference;
  };

  const done: RecipeStep[] = [];
  recipe.steps.forEach((node, index) => {
    const references = node.inputs.map(settled);
    const outcome = attempt(node, references, find, leaveOut !== null);
    if ("outputs" in outcome) {
      made.set(node.id, outcome.outputs);
      done.push({ ...node, inputs: references.filter((each) => each !== null) });
      visit({ node, inputs: outcome.inputs, outputs: outcome.outputs }, index);
    } else {
      const reference = references.find((each) => each !== null) ?? null;
      instead.set(node.id, { step: node.step, reference });
      const source = reference === null ? "" : partsOf(reference)[0];
      lastUse.set(source, Math.max(lastUse.get(source) ?? 0, lastUse.get(node.id) ?? 0));
      leaveOut?.(node, outcome.fact);
    }
    for (const id of made.keys()) if ((lastUse.get(id) ?? 0) <= index) made.delete(id);
  });
  const result = settled(recipe.result);
  if (result === null) throw new TypeError(`runRecipe: "${recipe.result}" must be made of a stack, but none is there`);
  return { value: find(result), recipe: { ...recipe, steps: done, result } };
}

/** What a step gives; why it gives nothing, where failures are to be told. */
function attempt(
  { step, options }: RecipeStep,
  references: readonly (string | null)[],
  find: (reference: string) => Recorded,
  tellsFailure: boolean,
): { readonly inputs: readonly Recorded[]; readonly outputs: StepResult } | { readonly fact: string } {
  const present = references.filter((each) => each !== null);
  if (present.length < references.length) return { fact: "what it works on was not made" };
  try {
    const inputs = present.map(find);
    return { inputs, outputs: findStep(step).run(inputs, options) };
  } catch (error) {
    if (!tellsFailure) throw error;
    return { fact: factOf(error) };
  }
}

/**
 * Carry out a history again, from its sources.
 *
 * @param history the graph, with resolved options
 * @param sources values for the nodes that are no steps (a stack that was read), by node id
 * @returns the value that the head of the history names
 * @throws {TypeError} if a source is missing
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, cropImage, type Image } from "faintlight";
 * import { replayHistory } from "faintlight/extend";
 *
 * const source = constantImage(4, 4, 1), part = cropImage(source, { width: 2 });
 * const again = replayHistory(part.history, new Map([[source.history.head, source]])) as Image;
 * assert.equal(again.history.head, part.history.head);
 * ```
 */
export function replayHistory(history: History, sources: ReadonlyMap<string, Recorded>): Recorded {
  const values = new Map<string, Recorded>(sources);
  const shared = new Map<string, StepResult>();
  // only what leads from the sources to the head: how a stack was made lies behind it
  const needed = new Set<string>([history.head]);
  for (const node of history.nodes.toReversed()) {
    if (needed.has(node.id) && !values.has(node.id)) node.inputs.forEach((id) => needed.add(id));
  }
  const todo = history.nodes.filter(({ id }) => needed.has(id) && !values.has(id));
  const lastUse = new Map<string, number>([[history.head, Infinity]]);
  const calls = new Map<string, number>();
  const callOf = ({ step, options, inputs }: HistoryNode) => JSON.stringify([step, options, inputs]);
  todo.forEach((node, at) => {
    for (const id of node.inputs) lastUse.set(id, Math.max(at, lastUse.get(id) ?? 0));
    calls.set(callOf(node), at);
  });
  todo.forEach((node, at) => {
    const inputs = node.inputs.map((id) => {
      const value = values.get(id);
      if (value === undefined) {
        throw new TypeError(`replayHistory: node ${id} must come before ${node.id}, but is missing`);
      }
      return value;
    });
    if (inputs.length === 0) {
      throw new TypeError(`replayHistory: "${node.step}" is a source; pass its value for node ${node.id}`);
    }
    // a step with several results is carried out once
    const call = callOf(node);
    const outputs = shared.get(call) ?? findStep(node.step).run(inputs, node.options);
    if (calls.get(call) === at) shared.delete(call);
    else shared.set(call, outputs);
    values.set(node.id, outputs[node.output] ?? Object.values(outputs)[0]);
    for (const id of values.keys()) if ((lastUse.get(id) ?? Infinity) <= at) values.delete(id);
  });
  return values.get(history.head) as Recorded;
}
