/** Rules that a calibration frame obeys, and the choice between loose frames and a ready-made master. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { CalibrationSet } from "./calibration_plan.ts";
import { type CalibrationUses, countText, type Refusal } from "./calibration_uses.ts";
import { type LightGroup, numberText } from "./group_lights.ts";

/** A number, or that the header does not state it. */
export const statedText = (value: number | null): string => value === null ? "not stated" : numberText(value);

/** Whether a frame is of another rig or another size than the lights; null when it is of theirs. */
export function refuseOtherSensor(record: FrameRecord, group: LightGroup): Refusal | null {
  if (record.rig !== group.rig) {
    const reason = `taken with ${record.rig || "an unnamed rig"}, not ${group.rig || "the lights' rig"}`;
    return { rule: "rig", reason };
  }
  if (record.width === group.width && record.height === group.height && record.binning === group.binning) return null;
  const sizeOf = ({ width, height, binning }: Pick<FrameRecord, "width" | "height" | "binning">) =>
    `${width} × ${height} (binning ${binning})`;
  return { rule: "size", reason: `size ${sizeOf(record)}, lights ${sizeOf(group)}` };
}

/**
 * Whether a frame is of another rig, size, gain or offset than the lights; null when nothing differs. A setting that
 * either header does not state is not held against it.
 */
export function refuseOtherSettings(record: FrameRecord, group: LightGroup): Refusal | null {
  const other = refuseOtherSensor(record, group);
  if (other !== null) return other;
  const differ = (a: number | null, b: number | null) => a !== null && b !== null && a !== b;
  const words = (name: string, own: number | null, lights: number | null) =>
    `${name} ${statedText(own)}, lights ${statedText(lights)}`;
  if (differ(record.gainSetting, group.gainSetting)) {
    return { rule: "gain", reason: words("gain", record.gainSetting, group.gainSetting) };
  }
  if (differ(record.offsetSetting, group.offsetSetting)) {
    return { rule: "offset", reason: words("offset", record.offsetSetting, group.offsetSetting) };
  }
  return null;
}

/** Whether two exposures agree within a share of the longer, or 2 ms. */
export const isCloseExposure = (a: number | null, b: number | null, tolerance: number): boolean =>
  a !== null && b !== null && Math.abs(a - b) <= Math.max(0.002, tolerance * Math.max(a, b));

/** A set, and the files that were passed over for it. */
export interface CalibrationChoice {
  /** The set; null when there was nothing to choose from. */
  readonly set: CalibrationSet | null;
  /** File and reason. */
  readonly passedOver: ReadonlyMap<string, string>;
}

/** Choose between loose frames and ready-made masters: loose frames where there are enough, or no master. */
export function chooseSet(
  kind: CalibrationSet["kind"],
  candidates: readonly FrameRecord[],
  minimumFrames: number,
  scale = 1,
): CalibrationChoice {
  const passedOver = new Map<string, string>();
  const masters = candidates.filter((record) => record.kind.startsWith("master-"));
  const loose = candidates.filter((record) => !record.kind.startsWith("master-"));
  if (loose.length >= minimumFrames || (loose.length > 0 && masters.length === 0)) {
    for (const { file } of masters) {
      passedOver.set(file, `${countText(loose.length, "single frame")} of the same kind used instead`);
    }
    return { set: { kind, frames: loose, master: false, scale }, passedOver };
  }
  if (masters.length === 0) return { set: null, passedOver };
  const newest = [...masters].sort((a, b) => (b.dateUtc ?? "").localeCompare(a.dateUtc ?? ""))[0];
  for (const each of masters) {
    if (each !== newest) passedOver.set(each.file, "a newer master of the same kind used instead");
  }
  for (const { file } of loose) {
    passedOver.set(file, `only ${countText(loose.length, "frame")}; the ready-made master used instead`);
  }
  return { set: { kind, frames: [newest], master: true, scale }, passedOver };
}

/** The set of a choice; the files passed over are noted. */
export function takeChoice(choice: CalibrationChoice, uses: CalibrationUses): CalibrationSet | null {
  for (const [file, reason] of choice.passedOver) uses.refuse(file, { rule: "choice", reason });
  return choice.set;
}
