/** Every master that calibrates the lights of one match. */
import { settle } from "../core/options.ts";
import type { CalibrationMatch } from "../night/calibration_plan.ts";
import { masterMaker, masterMemory } from "./master_maker.ts";
import type { MatchMasters } from "./night.ts";
import type { CombineMasterOptions } from "../calibrate/combine_master.ts";
import { combineMasterDefaults } from "../calibrate/combine_master.ts";

/** Options of {@linkcode makeMasters}. */
export type MakeMastersOptions = Pick<CombineMasterOptions, "falseRejectionShare" | "progress">;

/** What {@linkcode makeMasters} uses for an option left out: what the single masters use. */
export const makeMastersDefaults: MakeMastersOptions = Object.freeze({
  falseRejectionShare: combineMasterDefaults.falseRejectionShare,
  progress: combineMasterDefaults.progress,
});

/**
 * Make every master that calibrates the lights of one match: bias, dark and flat combined from their frames, flat-dark
 * or bias taken off the flat as the match says, ready-made masters read, defects found in dark and flat.
 *
 * Cost: each frame is read twice. The masters of a night that was opened are kept: `night.matches[0].masters`.
 *
 * @param match from `matchCalibration`
 * @returns masters, null for what there is none of; notes of the match
 * @throws {RangeError} if no frame of a set can be used
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { listFrames, makeMasters, matchCalibration } from "faintlight";
 *
 * const { matches } = matchCalibration(listFrames("demo-data/pocket").records);
 * const { dark, defects } = makeMasters(matches[0]);
 * assert.equal(dark?.planes.length, 1);
 * assert.equal(defects?.length, matches[0].group.width * matches[0].group.height);
 * ```
 */
export function makeMasters(match: CalibrationMatch, options: Partial<MakeMastersOptions> = {}): MatchMasters {
  const used = settle("makeMasters", makeMastersDefaults, options);
  const maker = masterMaker(masterMemory(({ path }) => path, used));
  return Object.freeze({ ...maker.calibratorFor(match).masters(), notes: match.notes });
}
