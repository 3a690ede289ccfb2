/** Which darks, flats and bias frames belong to which lights, and why the others do not. */
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import type { CalibrationMatch, CalibrationPlan, CalibrationRow } from "./calibration_plan.ts";
import { type CalibrationUses, calibrationUses, countText, isOfKind } from "./calibration_uses.ts";
import { groupLights, numberText, temperatureOf } from "./group_lights.ts";
import { matchCalibrationDefaults, type MatchCalibrationOptions } from "./match_calibration_options.ts";
import { type CalibrationSearch, matchBias, matchDarks } from "./match_darks.ts";
import { matchFlatDarks, matchFlats } from "./match_flats.ts";

/** Whether a record is a calibration frame. */
const isCalibrationFrame = (record: FrameRecord): boolean =>
  (["dark", "flat", "bias", "flat-dark"] as const).some((kind) => isOfKind(record, kind));

/** Note what the sets of a match are used for. */
function noteUses(uses: CalibrationUses, match: CalibrationMatch, fittingBias: readonly FrameRecord[]): void {
  const { group, dark, flat, bias, flatDark } = match;
  const lights = `${countText(group.lights.length, "light")} (${group.name})`;
  const scaled = dark !== null && dark.scale !== 1;
  uses.use(dark, `dark for ${lights}${scaled ? `, scaled by ${numberText(dark.scale)}` : ""}`);
  uses.use(flat, `flat for ${lights}`);
  uses.use(flatDark, `taken off the flats of ${group.filter || group.name}`);
  // Bias enters the lights only through scaled darks or in place of missing ones.
  if (dark === null || scaled) uses.use(bias, `bias for ${lights}`);
  else if (flatDark === null || flatDark.kind !== "bias") {
    for (const { file } of fittingBias) {
      uses.refuse(file, { rule: "need", reason: `not needed: the darks of ${group.name} contain the bias` });
    }
  }
}

/** Everything that belongs to one group of lights. */
function matchGroup(search: Omit<CalibrationSearch, "notes">): CalibrationMatch {
  const notes: string[] = [];
  const asked: CalibrationSearch = { ...search, notes };
  const { set: bias, fitting } = matchBias(asked);
  const dark = matchDarks(asked, bias);
  const flat = matchFlats(asked);
  const flatDark = matchFlatDarks(asked, flat);
  const match = { group: search.group, dark, flat, bias, flatDark, notes };
  noteUses(search.uses, match, fitting);
  return match;
}

/**
 * Choose darks, flats, bias and flat-darks for every group of lights, and say of each calibration file what it is used
 * for or why it was refused.
 *
 * Lights go together by rig, night, filter, exposure, gain, offset, set temperature, binning and size. A dark must
 * agree in rig, size, gain, offset, exposure and temperature (nearest exposure scaled when there is bias and
 * `scaleDarks`); a flat in rig, size and filter, of the same night, else of the nearest; bias in rig, size, gain,
 * offset. A setting that either header does not state is not held against a file. Ready-made masters are taken where
 * loose frames are too few.
 *
 * @param records all files of a night, as read from their headers
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { type FrameRecord, matchCalibration } from "faintlight";
 *
 * const light: FrameRecord = {
 *   kind: "light",
 *   filter: "Ha",
 *   exposureSeconds: 300,
 *   gainSetting: 56,
 *   electronsPerAdu: null,
 *   offsetSetting: 30,
 *   sensorTemperatureC: -10,
 *   setTemperatureC: -10,
 *   binning: 1,
 *   width: 960,
 *   height: 720,
 *   planes: 1,
 *   bayer: null,
 *   rig: "Long",
 *   dateUtc: "2026-10-03T22:00:00",
 *   object: "Lantern Nebula",
 *   pixelSizeMicrometres: 5.4,
 *   focalLengthMillimetres: 810,
 *   arcsecPerPixel: 1.375,
 *   fullScaleAdu: 16383,
 *   path: "light-01.fits",
 *   file: "light-01.fits",
 *   bytes: 1,
 *   session: "2026-10-03",
 * };
 * const dark: FrameRecord = { ...light, kind: "dark", filter: "", exposureSeconds: 120, file: "dark-01.fits" };
 * const plan = matchCalibration([light, dark]);
 * assert.equal(plan.matches[0].dark, null);
 * assert.match(plan.rows[0].reason, /exposure 120 s, lights 300 s/);
 * ```
 */
export function matchCalibration(
  records: readonly FrameRecord[],
  options: Partial<MatchCalibrationOptions> = {},
): CalibrationPlan {
  const used = settle("matchCalibration", matchCalibrationDefaults, options);
  for (
    const each of [used.temperatureToleranceC, used.temperatureToleranceUncooledC, used.exposureToleranceShare]
  ) {
    if (!(each >= 0)) throw new RangeError(`matchCalibration: tolerances must be ≥ 0, but got ${each}`);
  }
  const groups = groupLights(records);
  const listed = records.filter(isCalibrationFrame);
  const candidates = listed.filter((record) => used.refused[record.file] === undefined);
  const uses = calibrationUses();
  const matches = groups.map((group) => matchGroup({ group, candidates, options: used, uses }));
  const unasked = groups.length === 0 ? "no lights to calibrate" : "no lights of its kind to calibrate";
  const rows = listed.map((record): CalibrationRow => ({
    file: record.file,
    kind: record.kind,
    filter: record.filter,
    exposureSeconds: record.exposureSeconds,
    temperatureC: temperatureOf(record),
    used: uses.isUsed(record.file),
    reason: used.refused[record.file] ?? uses.reasonFor(record.file) ?? unasked,
  }));
  return { matches, rows };
}
