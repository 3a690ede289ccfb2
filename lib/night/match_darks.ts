/** Bias frames and darks for a group of lights. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { CalibrationSet } from "./calibration_plan.ts";
import {
  type CalibrationChoice,
  chooseSet,
  isCloseExposure,
  refuseOtherSettings,
  statedText,
  takeChoice,
} from "./calibration_rules.ts";
import { type CalibrationUses, isOfKind, type Refusal } from "./calibration_uses.ts";
import { type LightGroup, numberText, temperatureOf } from "./group_lights.ts";
import type { MatchCalibrationOptions } from "./match_calibration_options.ts";

/** What a search for calibration frames needs to know. */
export interface CalibrationSearch {
  /** The lights. */
  readonly group: LightGroup;
  /** The calibration frames of the night that may be used. */
  readonly candidates: readonly FrameRecord[];
  /** Tolerances. */
  readonly options: MatchCalibrationOptions;
  /** Where decisions are noted. */
  readonly uses: CalibrationUses;
  /** Where remarks for a person go. */
  readonly notes: string[];
}

/** Bias frames that fit. */
export function matchBias({ group, candidates, options, uses }: CalibrationSearch): {
  readonly set: CalibrationSet | null;
  readonly fitting: readonly FrameRecord[];
} {
  const fitting = candidates.filter((record) => {
    if (!isOfKind(record, "bias")) return false;
    const refusal = refuseOtherSettings(record, group);
    if (refusal !== null) uses.refuse(record.file, refusal);
    return refusal === null;
  });
  return { set: takeChoice(chooseSet("bias", fitting, options.minimumFrames), uses), fitting };
}

/** Whether a dark was taken at another temperature; where either is not stated it is not held against it. */
function refuseOtherTemperature(record: FrameRecord, { group, options }: CalibrationSearch): Refusal | null {
  const tolerance = group.cooled ? options.temperatureToleranceC : options.temperatureToleranceUncooledC;
  const own = temperatureOf(record);
  const wanted = group.temperatureC;
  if (own === null || wanted === null || !(Math.abs(own - wanted) > tolerance)) return null;
  const effect = own > wanted ? "warmer, so it would take off too much" : "colder, so it would leave dark current";
  return {
    rule: "temperature",
    reason: `sensor at ${numberText(own)} °C, lights at ${numberText(wanted)} °C: ${effect}`,
  };
}

/** Darks of the right camera, settings and temperature, by whether their exposure is that of the lights. */
function darkCandidates(search: CalibrationSearch): { fitting: FrameRecord[]; otherExposure: FrameRecord[] } {
  const { group, candidates, options, uses } = search;
  const fitting: FrameRecord[] = [];
  const otherExposure: FrameRecord[] = [];
  for (const record of candidates) {
    if (!isOfKind(record, "dark")) continue;
    const refusal = refuseOtherSettings(record, group) ?? refuseOtherTemperature(record, search);
    if (refusal !== null) uses.refuse(record.file, refusal);
    else if (
      group.exposureSeconds === null ||
      isCloseExposure(record.exposureSeconds, group.exposureSeconds, options.exposureToleranceShare)
    ) fitting.push(record);
    else otherExposure.push(record);
  }
  return { fitting, otherExposure };
}

/** Darks of the longest other exposure, scaled: it has the best-measured dark current. Null where they may not be. */
function scaledDarks(search: CalibrationSearch, otherExposure: readonly FrameRecord[]): CalibrationChoice | null {
  const { group: { rig, exposureSeconds }, options, notes } = search;
  if (!options.scaleDarks || options.glowingRigs.includes(rig) || exposureSeconds === null) return null;
  const longest = Math.max(...otherExposure.map((record) => record.exposureSeconds ?? 0));
  if (!(longest > 1)) return null;
  const chosen = otherExposure.filter((record) =>
    isCloseExposure(record.exposureSeconds, longest, options.exposureToleranceShare)
  );
  const scale = exposureSeconds / longest;
  notes.push(
    `darks of ${numberText(longest)} s are scaled by ${numberText(scale)} after bias: ` +
      `valid only without amplifier glow; take darks of ${numberText(exposureSeconds)} s`,
  );
  return chooseSet("dark", chosen, options.minimumFrames, scale);
}

/** Darks that fit; scaled ones where there are none but a bias to take off first. */
export function matchDarks(search: CalibrationSearch, bias: CalibrationSet | null): CalibrationSet | null {
  const { group, options, uses, notes } = search;
  const { fitting, otherExposure } = darkCandidates(search);
  const own = chooseSet("dark", fitting, options.minimumFrames);
  const scaled = own.set === null && bias !== null ? scaledDarks(search, otherExposure) : null;
  const dark = takeChoice(scaled ?? own, uses);
  for (const record of otherExposure) {
    if (dark?.frames.includes(record)) continue;
    uses.refuse(record.file, {
      rule: "exposure",
      reason: `exposure ${statedText(record.exposureSeconds)} s, lights ${statedText(group.exposureSeconds)} s`,
    });
  }
  if (dark !== null) return dark;
  notes.push(
    bias === null
      ? "no dark and no bias fits: glow stays, and hot pixels must be found in the lights; " +
        "take darks with the lights' exposure, gain, offset and temperature"
      : "no dark fits: bias alone is taken off, hot pixels must be found in the lights",
  );
  return null;
}
