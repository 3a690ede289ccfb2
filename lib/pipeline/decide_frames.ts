/** The person's word on single lights, over the report's. */
import { namesInWords } from "../core/names_in_words.ts";
import { type Decision, parseDecisions } from "../night/select_frames.ts";
import { type Night, nightOf, stateOf, withDecisions } from "./night.ts";

/**
 * Decide about lights against the report, or with it. Weights, and the stacks that are made of the night afterwards,
 * are worked out anew; nothing is measured again, and the reference stays.
 *
 * @param night from `openNight`
 * @param decisions a text with one decision a line, the verdict, the file and after a `#` the reason, or the same as
 * values; a part of the file's path is enough when only one light has it
 * @throws {RangeError} if no light has that part in its path, or several have
 * @throws {SyntaxError} if a line of the text is no decision
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { decideFrames, type Night } from "faintlight";
 *
 * const withoutOne = (night: Night) => decideFrames(night, "reject Ha_300s_003 # satellite through the core");
 * assert.equal(withoutOne.length, 1);
 * ```
 */
export function decideFrames(night: Night, decisions: string | readonly Decision[]): Night {
  const state = stateOf("decideFrames", night);
  const given = typeof decisions === "string" ? parseDecisions(decisions) : decisions;
  const files = state.checked.lights.map(({ record }) => record.file);
  const whole = resolveDecisions("decideFrames", given, files);
  for (const { file } of whole) {
    if (files.includes(file)) continue;
    throw new RangeError(
      `decideFrames: a decision must name a light of the night, but got "${file}"; use a part of one of ${
        files.slice(0, 3).join(", ")
      } …`,
    );
  }
  const decided = new Set(whole.map(({ file }) => file));
  const before = state.decisions.filter(({ file }) => !decided.has(file));
  return nightOf(withDecisions(state, [...before, ...whole]));
}

/**
 * Decisions with the whole name of the light each is about. One that fits no light stays as it is.
 *
 * @param files lights of the night
 * @throws {RangeError} if one fits several lights
 */
export function resolveDecisions<T extends { readonly file: string }>(
  step: string,
  decisions: readonly T[],
  files: readonly string[],
): T[] {
  return decisions.map((decision) => {
    if (files.includes(decision.file)) return decision;
    const candidates = files.filter((file) => file.includes(decision.file));
    if (candidates.length > 1) {
      throw new RangeError(
        `${step}: a decision must name one file, but "${decision.file}" fits ${
          namesInWords(candidates, 4)
        }; write more of the name`,
      );
    }
    return candidates.length === 1 ? { ...decision, file: candidates[0] } : decision;
  });
}
