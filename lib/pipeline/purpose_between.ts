/** What the steps between two images were meant to change. */
import type { HistoryNode } from "../core/history.ts";
import type { Image } from "../core/image.ts";
import { type Purpose, purposeDefaults } from "../effect/purpose.ts";
import { findStep, stepNames } from "./step.ts";

/** Whether the last thing that was done to the stars was to take them out: what looks like one is a knot of nebula. */
export const isStarless = ({ history }: Image): boolean => {
  const last = history.nodes.findLast(({ step }) => step === "separateStars" || step === "recombineStars");
  return last?.step === "separateStars" && last.output === "starless";
};

/** Steps that lead from one image to the other; `null` when the second was not made from the first. */
function stepsBetween(before: Image, after: Image): readonly HistoryNode[] | null {
  const known = new Set(before.history.nodes.map((node) => node.id));
  const made = after.history.nodes.filter((node) => !known.has(node.id));
  return after.history.nodes.some((node) => node.id === before.history.head) ? made : null;
}

/**
 * What the steps between two images were meant to change, from the history of the second. Where it was not made from
 * the first, or a step is none of the library's, nothing is taken as meant. Of an image without stars no doubt about
 * stars is raised.
 */
export function purposeBetween(before: Image, after: Image): Purpose {
  const steps = stepsBetween(before, after);
  const known = steps !== null && steps.every(({ step }) => stepNames.includes(step));
  const purposes = known ? steps.map(({ step }) => findStep(step).purpose) : [];
  return {
    changesStars: isStarless(before) || purposes.some((each) => each.changesStars ?? purposeDefaults.changesStars),
    changesColour: purposes.some((each) => each.changesColour ?? purposeDefaults.changesColour),
  };
}
