/** From verdicts to the frames that go into the stacks: the person's word first, weights, and what the choice costs. */
import { isInnerPath } from "../core/plain_text.ts";
import type { Verdict } from "./causes/cause.ts";
import type { FrameDiagnosis } from "./diagnose_night.ts";
import { isKindLine } from "./kind_decisions.ts";
import {
  type SelectionEffect,
  selectionEffect,
  weightFrames,
  type WeightFramesOptions,
  type WeightInput,
} from "./weight_frames.ts";

/** What a person decided about a file. */
export interface Decision {
  /** Path of the file as in the frame table. */
  readonly file: string;
  /** The decision. */
  readonly verdict: Verdict;
  /** Why, for the record; `""` when not said. */
  readonly reason: string;
}

const verdicts: readonly Verdict[] = ["keep", "down-weight", "reject"];

/** Most faulty lines that are listed: a file of another kind has a fault in every line. */
const mostFaults = 20;

/**
 * Read decisions from a small text file: one a line, the verdict, the file, and after a `#` the reason. Empty lines
 * and lines that start with `#` are left out, and so are lines that say what a frame is for (`dark FILE`), which a
 * night follows when it is opened. A later line about the same file replaces an earlier one.
 *
 *     keep     lights/ha-007.fits      # the trail is outside the crop
 *     reject   lights/ha-019.fits
 *
 * @param origin where the text came from, for the message
 * @throws {SyntaxError} naming each line that does not say `keep`, `down-weight`, `reject` or a kind, and a file within
 * the night's folder
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parseDecisions } from "faintlight";
 *
 * const [one] = parseDecisions("# my choice\nkeep a.fits # fine\n");
 * assert.deepEqual(one, { file: "a.fits", verdict: "keep", reason: "fine" });
 * ```
 */
export function parseDecisions(text: string, origin: string = "parseDecisions"): Decision[] {
  const found = new Map<string, Decision>();
  const faults: string[] = [];
  text.split(/\r?\n/).forEach((line, i) => {
    const [statement, ...reason] = line.split("#");
    if (statement.trim() === "") return;
    const parts = /^\s*(\S+)\s+(\S.*?)\s*$/.exec(statement);
    const verdict = verdicts.find((each) => each === parts?.[1]);
    const place = `${origin}: line ${i + 1}`;
    if (parts === null || (verdict === undefined && !isKindLine(statement))) {
      faults.push(
        `${place} must be "keep", "down-weight", "reject" or a kind of frame, and a file, but got ${
          JSON.stringify(line.slice(0, 200))
        }`,
      );
    } else if (!isInnerPath(parts[2])) {
      faults.push(
        `${place} must name a file within the night's folder, but got ${JSON.stringify(parts[2].slice(0, 200))}; ` +
          "write it as frames.csv does",
      );
    } else if (verdict !== undefined) {
      found.set(parts[2], { file: parts[2], verdict, reason: reason.join("#").trim() });
    }
  });
  if (faults.length > 0) throw new SyntaxError(faults.slice(0, mostFaults).join("\n"));
  return [...found.values()];
}

/** A frame that may be selected. */
export interface SelectionInput {
  /** Its diagnosis. */
  readonly diagnosis: FrameDiagnosis;
  /** Which stack it would go into; weights and effect are per stack. */
  readonly stack: string;
  /** Noise of a pixel of sky; NaN for a frame that cannot be used. */
  readonly noise: number;
  /** Flux of its stars over that of a reference; left out or null for the transparency of the diagnosis. */
  readonly fluxRatio?: number | null;
  /** Full width at half maximum; NaN or null when not known. */
  readonly fwhm: number | null;
}

/** The decision on one frame. */
export interface SelectedFrame {
  /** Path of the file. */
  readonly file: string;
  /** Stack it belongs to. */
  readonly stack: string;
  /** What is done with it. */
  readonly verdict: Verdict;
  /** Whether it goes in. */
  readonly kept: boolean;
  /** Weight in its stack, mean 1 over the kept frames; 0 when left out. */
  readonly weight: number;
  /** Whether a person decided. */
  readonly overridden: boolean;
  /** Why: the cause, or the person's reason. */
  readonly reason: string;
}

/** Result of {@linkcode selectFrames}. */
export interface Selection {
  /** One entry a frame, in the order given. */
  readonly frames: readonly SelectedFrame[];
  /** By stack: what leaving frames out costs in depth and gains in sharpness. */
  readonly effects: Readonly<Record<string, SelectionEffect>>;
  /** Decisions about files that are not there. */
  readonly unused: readonly Decision[];
}

/**
 * Decide which frames go into each stack: the verdict of the diagnosis unless a person has decided, weights by
 * `weightFrames`, and the effect of the choice by `selectionEffect`. A frame without a noise cannot be kept, whoever
 * says so.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parseDecisions } from "faintlight";
 * import { selectFrames } from "faintlight/parts";
 *
 * const diagnosis = { file: "a.fits", verdict: "reject" as const, causes: ["cloud" as const], cause: "cloud",
 *   evidence: "", remedy: "", transparency: 0.5, confidence: 1 };
 * const { frames } = selectFrames([{ diagnosis, stack: "Ha", noise: 3, fwhm: 2.5 }], parseDecisions("keep a.fits"));
 * assert.equal(frames[0].kept && frames[0].overridden, true);
 * ```
 */
export function selectFrames(
  frames: readonly SelectionInput[],
  decisions: readonly Decision[] = [],
  options: Partial<WeightFramesOptions> = {},
): Selection {
  const decided = new Map(decisions.map((each) => [each.file, each]));
  const files = new Set(frames.map((each) => each.diagnosis.file));
  const weights = new Array<number>(frames.length).fill(0);
  const verdicts = frames.map(({ diagnosis }) => decided.get(diagnosis.file)?.verdict ?? diagnosis.verdict);
  const kept = frames.map((frame, i) => verdicts[i] !== "reject" && frame.noise > 0);
  const effects: Record<string, SelectionEffect> = {};
  for (const stack of new Set(frames.map((each) => each.stack))) {
    const members = frames.map((_, i) => i).filter((i) => frames[i].stack === stack);
    const inputs = members.map((i): WeightInput => ({
      transparency: frames[i].fluxRatio ?? frames[i].diagnosis.transparency,
      noise: frames[i].noise,
      fwhm: frames[i].fwhm,
      kept: kept[i],
    }));
    weightFrames(inputs, options).forEach((weight, k) => weights[members[k]] = weight);
    effects[stack] = selectionEffect(inputs, options);
  }
  return {
    frames: frames.map(({ diagnosis, stack }, i) => {
      const own = decided.get(diagnosis.file);
      return {
        file: diagnosis.file,
        stack,
        verdict: verdicts[i],
        kept: kept[i],
        weight: weights[i],
        overridden: own !== undefined,
        reason: own === undefined ? diagnosis.cause : own.reason === "" ? "decided by hand" : own.reason,
      };
    }),
    effects,
    unused: decisions.filter((each) => !files.has(each.file)),
  };
}
