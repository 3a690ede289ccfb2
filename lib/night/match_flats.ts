/** Flats for a group of lights, and what to take off the flats. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { CalibrationSet } from "./calibration_plan.ts";
import {
  chooseSet,
  isCloseExposure,
  refuseOtherSensor,
  refuseOtherSettings,
  statedText,
  takeChoice,
} from "./calibration_rules.ts";
import { isOfKind } from "./calibration_uses.ts";
import { type LightGroup, numberText, upperMedian } from "./group_lights.ts";
import type { CalibrationSearch } from "./match_darks.ts";

/** Dark current of seconds is small against a flat: a flat-dark half as long or twice will do. */
const flatDarkExposureTolerance = 0.5;

/** A dark in the place of a flat-dark agrees more closely. */
const darkExposureTolerance = 0.1;

/** Flats of the lights' sensor and filter. */
function flatCandidates({ group, candidates, uses }: CalibrationSearch): FrameRecord[] {
  return candidates.filter((record) => {
    if (!isOfKind(record, "flat")) return false;
    const other = refuseOtherSensor(record, group);
    if (other === null && record.filter === group.filter) return true;
    const reason = `filter ${record.filter || "not stated"}, lights ${group.filter || "without filter"}`;
    uses.refuse(record.file, other ?? { rule: "filter", reason });
    return false;
  });
}

/** Nights between a session and that of the lights; very many where a date is not known. */
function nightsFrom(session: string, group: LightGroup): number {
  const a = Date.parse(`${session}T12:00:00Z`);
  const b = Date.parse(`${group.session}T12:00:00Z`);
  if (Number.isFinite(a) && Number.isFinite(b)) return Math.abs(a - b) / 86400000;
  return session === group.session ? 0 : 1e6;
}

/** Flats that fit: of the same night, else of the nearest. */
export function matchFlats(search: CalibrationSearch): CalibrationSet | null {
  const { group, options, uses, notes } = search;
  const fitting = flatCandidates(search);
  const nearest = Math.min(...fitting.map((record) => nightsFrom(record.session, group)), Infinity);
  const night = fitting.filter((record) => nightsFrom(record.session, group) === nearest);
  const flat = takeChoice(chooseSet("flat", night, options.minimumFrames), uses);
  for (const record of fitting) {
    if (night.includes(record)) continue;
    const reason = `of the night ${record.session || "unknown"}; flats of a nearer night exist`;
    uses.refuse(record.file, { rule: "night", reason });
  }
  if (flat === null) {
    const lights = group.filter || "these lights";
    notes.push(`no flat for ${lights}: vignetting and dust stay; take flats with the same focus and rotation`);
  } else if (nearest > 0) {
    const session = night[0].session || "unknown";
    notes.push(
      `flats are of another night (${session}): dust may have moved and the camera may have been turned`,
    );
  }
  return flat;
}

/** Flat-darks of the flats' settings and about their exposure. */
function flatDarkCandidates({ candidates, uses }: CalibrationSearch, flats: LightGroup): FrameRecord[] {
  return candidates.filter((record) => {
    if (!isOfKind(record, "flat-dark")) return false;
    const other = refuseOtherSettings(record, flats);
    if (other !== null) {
      uses.refuse(record.file, { ...other, reason: other.reason.replace("lights", "flats") });
      return false;
    }
    if (isCloseExposure(record.exposureSeconds, flats.exposureSeconds, flatDarkExposureTolerance)) return true;
    uses.refuse(record.file, {
      rule: "exposure",
      reason: `exposure ${statedText(record.exposureSeconds)} s, flats ${numberText(flats.exposureSeconds ?? 0)} s`,
    });
    return false;
  });
}

/** What to take off loose flats: flat-darks, else darks of their exposure, else bias. A master has had it taken off. */
export function matchFlatDarks(search: CalibrationSearch, flat: CalibrationSet | null): CalibrationSet | null {
  if (flat === null || flat.master) return null;
  const { group, candidates, options: { minimumFrames }, uses, notes } = search;
  const [{ gainSetting, offsetSetting }] = flat.frames;
  const exposureSeconds = upperMedian(flat.frames.map((each) => each.exposureSeconds ?? 0)) ?? 0;
  const flats: LightGroup = { ...group, gainSetting, offsetSetting, exposureSeconds };
  const own = takeChoice(chooseSet("flat-dark", flatDarkCandidates(search, flats), 1), uses);
  const ofTheirSettings = (kind: CalibrationSet["kind"]) =>
    candidates.filter((record) => isOfKind(record, kind) && refuseOtherSettings(record, flats) === null);
  const darks = ofTheirSettings("dark").filter((record) =>
    isCloseExposure(record.exposureSeconds, exposureSeconds, darkExposureTolerance)
  );
  const found = own ?? chooseSet("dark", darks, minimumFrames).set ??
    chooseSet("bias", ofTheirSettings("bias"), minimumFrames).set;
  if (found === null) {
    notes.push(
      "nothing to take off the flats: their offset counts as light and vignetting is undercorrected; " +
        "take flat-darks or bias",
    );
  }
  return found;
}
