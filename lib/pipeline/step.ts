/** The steps that a workflow and a record may name. */
import type { Image } from "../core/image.ts";
import type { Recorded } from "../core/history.ts";
import type { Json } from "../core/options.ts";

/** Results of a step by name; a step with one result names it `""`. */
export type StepResult = Readonly<Record<string, Recorded>>;

/** A library function as workflows call it. */
export interface StepDefinition {
  /** Name of the function. */
  readonly step: string;
  /** What it is for, for a person. */
  readonly title: string;
  /** Call it: values that go in, options as JSON. */
  readonly run: (inputs: readonly Recorded[], options: { readonly [name: string]: Json }) => StepResult;
}

const steps = new Map<string, StepDefinition>();

/**
 * The step of a name.
 *
 * @throws {TypeError} if there is none; the message lists those there are
 */
export function findStep(step: string): StepDefinition {
  const found = steps.get(step);
  if (found === undefined) {
    throw new TypeError(`findStep: step must be one of ${[...steps.keys()].join(", ")}, but got "${step}"`);
  }
  return found;
}

const image = (step: string, value: Recorded | undefined): Image => {
  if (value === undefined || !("planes" in value)) throw new TypeError(`${step}: input must be an image, but got none`);
  return value as Image;
};

void image;
