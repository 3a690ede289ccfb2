/** What leaves the workbench: the calls for a cell, the recipe for the command line. */
import type { Json } from "../core/options.ts";
import type { Recipe } from "../pipeline/recipe.ts";
import type { Sentence, WorkbenchState } from "./sentence.ts";

const isName = /^[A-Za-z_]\w*$/;

/** A value as a person would write it. */
function written(value: Json): string {
  if (Array.isArray(value)) return `[${value.map(written).join(", ")}]`;
  if (typeof value !== "object" || value === null) return JSON.stringify(value);
  const entries = Object.entries(value).map(([name, each]) =>
    `${isName.test(name) ? name : JSON.stringify(name)}: ${written(each)}`
  );
  return entries.length === 0 ? "{}" : `{ ${entries.join(", ")} }`;
}

/** Options that are not what the library uses anyway. */
function chosen({ defaults }: Sentence, options: { readonly [name: string]: Json }): { readonly [name: string]: Json } {
  return Object.fromEntries(
    Object.entries(options).filter(([name, value]) => JSON.stringify(value) !== JSON.stringify(defaults[name])),
  );
}

/** One step as a call on what came before. */
function writtenCall(sentence: Sentence, options: { readonly [name: string]: Json }, input: string): string {
  const { curve, ...rest } = chosen(sentence, options);
  const given = sentence.step === "applyCurve" ? rest : { ...rest, ...(curve === undefined ? {} : { curve }) };
  const values = [input];
  if (sentence.step === "applyCurve") values.push(written(options.curve));
  if (Object.keys(given).length > 0) values.push(written(given));
  return `${sentence.step}(${values.join(", ")})${sentence.output === "" ? "" : `.${sentence.output}`}`;
}

/** Sentences that hold, with their options. */
const holding = (sentences: readonly Sentence[], state: WorkbenchState) =>
  sentences.flatMap((sentence, at) => state[at].on ? [{ sentence, options: state[at].options }] : []);

/**
 * The calls that make the picture, for a cell.
 *
 * @param image name of the variable that holds the image
 */
export function cellText(sentences: readonly Sentence[], state: WorkbenchState, image: string): string {
  const steps = holding(sentences, state);
  const names = [...new Set(steps.map(({ sentence }) => sentence.step))].sort();
  let input = image;
  const lines = steps.map(({ sentence, options }) => {
    const line = `const ${sentence.result} = ${writtenCall(sentence, options, input)};`;
    input = sentence.result;
    return line;
  });
  return `import { ${names.join(", ")} } from "faintlight";\n\n${lines.join("\n")}\n${input};\n`;
}

/**
 * The recipe, for `readRecipe` and the command line.
 *
 * @param stack name of the stack: `colour`, or its one channel
 */
export function recipeFrom(sentences: readonly Sentence[], state: WorkbenchState, stack: string): Recipe {
  let input = `stack.${stack}`;
  const steps = holding(sentences, state).map(({ sentence, options }) => {
    const node = { id: sentence.result, step: sentence.step, inputs: [input], options, channel: "" };
    input = sentence.output === "" ? sentence.result : `${sentence.result}.${sentence.output}`;
    return node;
  });
  return { name: "made at the workbench", steps, result: input };
}
