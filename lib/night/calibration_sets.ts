/** Sets of calibration frames that should be alike, and their maps over the field. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { CalibrationQuality } from "../measure/measure_calibration.ts";
import { median } from "../stats/median.ts";
import type { AuditInput } from "./calibration_finding.ts";

/** Kind of a frame or of a ready-made master. */
export const kindOf = (record: FrameRecord): string => record.kind.replace("master-", "");

/** Frames with the same key should be alike. */
function setKey(record: FrameRecord): string {
  const kind = kindOf(record);
  const exposure = kind === "dark" && record.exposureSeconds !== null
    ? Number(record.exposureSeconds.toPrecision(2))
    : null;
  return JSON.stringify([
    kind,
    record.rig,
    record.width,
    record.height,
    record.binning,
    record.gainSetting,
    record.offsetSetting,
    kind === "flat" ? record.filter : null,
    kind === "flat" ? record.session : null,
    exposure,
  ]);
}

/** The sets of a night, in order of first appearance. */
export function calibrationSets(inputs: readonly AuditInput[]): AuditInput[][] {
  const sets = new Map<string, AuditInput[]>();
  for (const input of inputs) {
    const key = setKey(input.record);
    const list = sets.get(key);
    if (list === undefined) sets.set(key, [input]);
    else list.push(input);
  }
  return [...sets.values()];
}

/** Level without light of a rig: the median of its bias frames and flat-darks; 0 where it has none. */
export function offsetOf(rig: string, inputs: readonly AuditInput[]): number {
  const levels = inputs.filter(({ record }) =>
    (kindOf(record) === "bias" || kindOf(record) === "flat-dark") && record.rig === rig
  ).map(({ quality }) => quality.level);
  return levels.length === 0 ? 0 : median(levels);
}

/**
 * Full scale of a rig: the lowest level at which the samples of any of its frames pile up, whatever its file format
 * could hold; null where none does.
 */
export function ceilingOf(rig: string, inputs: readonly AuditInput[]): number | null {
  const ceilings = inputs.filter(({ record }) => record.rig === rig).map(({ quality }) => quality.ceiling)
    .filter((each) => each !== null);
  return ceilings.length === 0 ? null : Math.min(...ceilings);
}

/** Map of a flat, each cell over the flat's level, above the offset. */
export const normalisedMap = (quality: CalibrationQuality, offset: number): number[] =>
  quality.map.map((each) => (each - offset) / (quality.level - offset));

/** Median of several maps, cell by cell. */
export const medianMap = (maps: readonly (readonly number[])[]): number[] =>
  maps[0].map((_, i) => median(maps.map((map) => map[i])));

/** Frames of a set whose maps have as many cells as the first one's. */
export const sameGrid = (set: readonly AuditInput[]): AuditInput[] =>
  set.filter((each) => each.quality.map.length === set[0].quality.map.length);

/**
 * Largest deviation between two maps: 99th percentile of |a/b − 1| about its median, so that a common factor is
 * ignored.
 */
export function mapDeviation(a: readonly number[], b: readonly number[]): number {
  const ratios = a.map((each, i) => each / b[i] - 1);
  const usual = median(ratios);
  const sorted = ratios.map((each) => Math.abs(each - usual)).sort((x, y) => x - y);
  return sorted[Math.min(sorted.length - 1, Math.floor(0.99 * sorted.length))];
}
