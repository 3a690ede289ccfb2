/** Calibration frames judged by their pixels: what a header cannot tell, or tells wrong. */
import { settle } from "../core/options.ts";
import { auditCalibrationDefaults, type AuditCalibrationOptions } from "./audit_calibration_options.ts";
import { auditDarks } from "./audit_darks.ts";
import { auditFlats, type FlatSet } from "./audit_flats.ts";
import { type AuditInput, type CalibrationFinding, findingOn, percent, tenth } from "./calibration_finding.ts";
import {
  calibrationSets,
  ceilingOf,
  kindOf,
  medianMap,
  normalisedMap,
  offsetOf,
  sameGrid,
} from "./calibration_sets.ts";

/** Share of samples at the lowest value from which on the offset is too low (own choice). */
const maximumCutShare = 0.01;

/** Difference of the phases of a mosaic that counts, and how much more alike the green ones are (own choice). */
const minimumPhaseDifference = 0.02;
const greenPhaseShare = 0.3;

/** Few frames: their noise goes into every light. */
function tooFewFrames(set: readonly AuditInput[], minimumFrames: number): CalibrationFinding | null {
  const master = set.some((each) => each.record.kind.startsWith("master-"));
  if (master || set.length >= minimumFrames) return null;
  return findingOn(set[0], {
    problem: "too few frames",
    severity: "warn",
    evidence: `${set.length} frame${set.length === 1 ? "" : "s"} of this kind: their mean adds ${
      percent(1 / set.length)
    } of one frame's variance to every light`,
    remedy: `take at least ${minimumFrames}`,
  });
}

/** Samples cut off at the lowest value, where the noise should reach below. */
function cutOff(input: AuditInput): CalibrationFinding | null {
  const { cutShare } = input.quality;
  if (!(cutShare > maximumCutShare) || kindOf(input.record) === "flat") return null;
  return findingOn(input, {
    problem: "cut off at the low end",
    severity: "warn",
    evidence: `${percent(cutShare, 1)} of the samples have the lowest value`,
    remedy: "raise the camera's offset so that no sample is cut off",
  });
}

/** Green stands on a diagonal of the pattern: its two phases agree in a flat, the other two need not. */
function wrongPhase(input: AuditInput, offset: number): CalibrationFinding | null {
  const { quality: { phaseLevels }, record: { bayer } } = input;
  if (kindOf(input.record) !== "flat" || bayer === null) return null;
  const [a, b, c, d] = phaseLevels;
  const first = Math.abs(a - d) / (a + d - 2 * offset);
  const second = Math.abs(b - c) / (b + c - 2 * offset);
  const larger = Math.max(first, second);
  const clear = larger > minimumPhaseDifference && Math.min(first, second) < greenPhaseShare * larger;
  const stated = bayer[0] === "G" ? "first" : "second";
  const shown = first < second ? "first" : "second";
  if (stated === shown || !clear) return null;
  const diagonal = shown === "first" ? "(0, 0) and (1, 1)" : "(1, 0) and (0, 1)";
  return findingOn(input, {
    problem: "Bayer phase contradicts the header",
    severity: "warn",
    evidence: `header says ${bayer}, but the ${diagonal} pixels agree (levels ${phaseLevels.map(tenth).join(", ")})`,
    remedy: "check the row order and offsets of the pattern; state the pattern when calibrating",
  });
}

/** A set of flats with its offset, its ceiling and its median map. */
function describeFlats(set: readonly AuditInput[], inputs: readonly AuditInput[]): FlatSet {
  const { rig } = set[0].record;
  const offset = offsetOf(rig, inputs);
  const map = medianMap(sameGrid(set).map(({ quality }) => normalisedMap(quality, offset)));
  return { set, offset, ceiling: ceilingOf(rig, inputs), map };
}

/**
 * Look for calibration frames that are wrong whatever their header says: flats too bright, too faint, through another
 * filter or with other dust than the rest of their set; darks with light leaking in, warmer or of another exposure
 * than stated; frames cut off at zero; glow of the amplifier; a colour mosaic that contradicts the header; sets of too
 * few frames.
 *
 * A frame is compared with the other frames of its set, a flat's map also with the sets of the other filters, so that
 * it can be said which filter was really in place. Two thirds of a set must be good.
 *
 * @param inputs all calibration frames of a night with their measurements
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { auditCalibration } from "faintlight";
 *
 * assert.deepEqual(auditCalibration([]), []);
 * ```
 */
export function auditCalibration(
  inputs: readonly AuditInput[],
  options: Partial<AuditCalibrationOptions> = {},
): CalibrationFinding[] {
  const used = settle("auditCalibration", auditCalibrationDefaults, options);
  for (const [name, value] of Object.entries(used)) {
    if (!(value > 0)) throw new RangeError(`auditCalibration: ${name} must be > 0, but got ${value}`);
  }
  const sets = calibrationSets(inputs);
  const flats = sets.filter(([first]) => kindOf(first.record) === "flat").map((set) => describeFlats(set, inputs));
  return sets.flatMap((set): CalibrationFinding[] => {
    const { record } = set[0];
    const offset = offsetOf(record.rig, inputs);
    const few = tooFewFrames(set, used.minimumFrames);
    const own = flats.find((each) => each.set === set);
    const others = flats.filter((each) => each !== own);
    return [
      ...(few === null ? [] : [few]),
      ...set.flatMap((input) => [cutOff(input), wrongPhase(input, offset)]).filter((each) => each !== null),
      ...(own === undefined ? [] : auditFlats(own, others, used)),
      ...(kindOf(record) === "dark" ? auditDarks(set, offset) : []),
    ];
  });
}
