/** Calibration frames judged by their pixels: what a header cannot tell, or tells wrong. */
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import type { CalibrationQuality } from "../measure/measure_calibration.ts";
import { median } from "../stats/median.ts";
import { robustScale } from "../stats/pairwise_scale.ts";

/** A calibration frame with its measurements. */
export interface AuditInput {
  /** The file and its facts. */
  readonly record: FrameRecord;
  /** What its pixels tell. */
  readonly quality: CalibrationQuality;
}

/** What can be wrong. */
export type CalibrationProblem =
  | "over-exposed flat"
  | "under-exposed flat"
  | "wrong filter"
  | "dust moved"
  | "light leak"
  | "warm dark"
  | "wrong exposure"
  | "amplifier glow"
  | "cut off at the low end"
  | "too few frames"
  | "Bayer phase contradicts the header";

/** One finding. */
export interface CalibrationFinding {
  /** The file, or the first of the set for findings on a whole set. */
  readonly file: string;
  /** What is wrong. */
  readonly problem: CalibrationProblem;
  /** Whether the frame should be left out (`refuse`) or a person should know (`warn`). */
  readonly severity: "refuse" | "warn";
  /** The numbers. */
  readonly evidence: string;
  /** What to do. */
  readonly remedy: string;
}

/** Options of {@linkcode auditCalibration}. */
export interface AuditCalibrationOptions {
  /** Lowest level of a flat, share of full scale. */
  readonly minimumFlatLevel: number;
  /**
   * Noise of a flat over its light from which a faint one counts as under-exposed where the sensor's full scale is not
   * known.
   */
  readonly maximumGrain: number;
  /** Highest level of a flat, share of full scale. */
  readonly maximumFlatLevel: number;
  /** Deviation of a flat's map from that of its set that counts, share of the level; noise is considered besides. */
  readonly flatDeviation: number;
  /** Frames of a set from which on its own noise no longer matters. */
  readonly minimumFrames: number;
}

/**
 * What {@linkcode auditCalibration} uses for an option left out. Flats between 5 % and 80 % of full scale stay clear
 * of read noise and of the bend near saturation (common practice, no source). A grain of 4 % is 600 electrons: ten
 * such flats add as much to a light as a sky of 6000 electrons has by itself. Dust of 0.8 % shows in a stretched sky.
 * Ten frames add a tenth of one frame's variance.
 */
export const auditCalibrationDefaults: AuditCalibrationOptions = Object.freeze({
  minimumFlatLevel: 0.05,
  maximumGrain: 0.04,
  maximumFlatLevel: 0.8,
  flatDeviation: 0.008,
  minimumFrames: 10,
});

const percent = (share: number, digits = 0): string => `${(share * 100).toFixed(digits)} %`;
const number = (value: number): string => String(Math.round(value * 10) / 10);

const kindOf = (record: FrameRecord): string => record.kind.replace("master-", "");

/** Sets of frames that should be alike. */
function setsOf(inputs: readonly AuditInput[]): AuditInput[][] {
  const sets = new Map<string, AuditInput[]>();
  for (const input of inputs) {
    const { record } = input;
    const kind = kindOf(record);
    const exposure = kind === "dark" && record.exposureSeconds !== null
      ? Number(record.exposureSeconds.toPrecision(2))
      : null;
    const key = JSON.stringify([
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
    const list = sets.get(key);
    if (list === undefined) sets.set(key, [input]);
    else list.push(input);
  }
  return [...sets.values()];
}

/** Map of a flat, each cell over the flat's level, above the offset. */
const normalised = (quality: CalibrationQuality, offset: number): number[] =>
  quality.map.map((each) => (each - offset) / (quality.level - offset));

const cellMedian = (maps: readonly (readonly number[])[]): number[] =>
  maps[0].map((_, i) => median(maps.map((map) => map[i])));

/**
 * Largest deviations between two maps, after a common slope is ignored: 98th percentile of |a − b| about its median.
 */
function difference(a: readonly number[], b: readonly number[]): number {
  const d = a.map((each, i) => each / b[i] - 1);
  const middle = median(d);
  const off = d.map((each) => Math.abs(each - middle)).sort((x, y) => x - y);
  return off[Math.min(off.length - 1, Math.floor(0.99 * off.length))];
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
  const found: CalibrationFinding[] = [];
  const add = (
    input: AuditInput,
    problem: CalibrationProblem,
    severity: CalibrationFinding["severity"],
    evidence: string,
    remedy: string,
  ) => {
    found.push({ file: input.record.file, problem, severity, evidence, remedy });
  };
  const sets = setsOf(inputs);
  const offsetFor = (record: FrameRecord): number => {
    const levels = inputs.filter((each) =>
      (kindOf(each.record) === "bias" || kindOf(each.record) === "flat-dark") && each.record.rig === record.rig
    ).map((each) => each.quality.level);
    return levels.length === 0 ? 0 : median(levels);
  };
  // where any frame of the rig piles up is its full scale, whatever its file format could hold
  const ceilingFor = (record: FrameRecord): number | null => {
    const found = inputs.filter((each) => each.record.rig === record.rig && each.quality.ceiling !== null);
    return found.length === 0 ? null : Math.min(...found.map((each) => each.quality.ceiling as number));
  };
  const flatMaps = new Map<AuditInput[], number[]>();
  for (const set of sets) {
    if (kindOf(set[0].record) !== "flat") continue;
    const sizes = set.filter((each) => each.quality.map.length === set[0].quality.map.length);
    flatMaps.set(set, cellMedian(sizes.map((each) => normalised(each.quality, offsetFor(each.record)))));
  }
  for (const set of sets) {
    const kind = kindOf(set[0].record);
    const master = set.some((each) => each.record.kind.startsWith("master-"));
    if (!master && set.length < used.minimumFrames) {
      add(
        set[0],
        "too few frames",
        "warn",
        `${set.length} frame${set.length === 1 ? "" : "s"} of this kind: their mean adds ${
          percent(1 / set.length)
        } of one frame's variance to every light`,
        `take at least ${used.minimumFrames}`,
      );
    }
    for (const each of set) {
      const { quality, record } = each;
      if (quality.cutShare > 0.01 && kind !== "flat") {
        add(
          each,
          "cut off at the low end",
          "warn",
          `${percent(quality.cutShare, 1)} of the samples have the lowest value`,
          "raise the camera's offset so that no sample is cut off",
        );
      }
      if (kind === "flat" && record.bayer !== null) {
        const [a, b, c, d] = quality.phaseLevels;
        const offset = offsetFor(record);
        // Green stands on a diagonal: its two phases agree, the other two need not.
        const first = Math.abs(a - d) / (a + d - 2 * offset);
        const second = Math.abs(b - c) / (b + c - 2 * offset);
        const stated = record.bayer[0] === "G" ? "first" : "second";
        const shown = first < second ? "first" : "second";
        if (
          stated !== shown && Math.max(first, second) > 0.02 && Math.min(first, second) < 0.3 * Math.max(first, second)
        ) {
          add(
            each,
            "Bayer phase contradicts the header",
            "warn",
            `header says ${record.bayer}, but the ${
              shown === "first" ? "(0, 0) and (1, 1)" : "(1, 0) and (0, 1)"
            } pixels agree (levels ${quality.phaseLevels.map(number).join(", ")})`,
            "check the row order and offsets of the pattern; state the pattern when calibrating",
          );
        }
      }
    }
    if (kind === "flat") {
      auditFlats(set, sets, flatMaps, offsetFor(set[0].record), ceilingFor(set[0].record), used, add);
    }
    if (kind === "dark") auditDarks(set, offsetFor(set[0].record), add);
  }
  return found;
}

type Add = (
  input: AuditInput,
  problem: CalibrationProblem,
  severity: CalibrationFinding["severity"],
  evidence: string,
  remedy: string,
) => void;

function auditFlats(
  set: readonly AuditInput[],
  sets: readonly AuditInput[][],
  maps: ReadonlyMap<AuditInput[], number[]>,
  offset: number,
  ceiling: number | null,
  options: AuditCalibrationOptions,
  add: Add,
): void {
  const own = maps.get(set as AuditInput[]);
  for (const each of set) {
    const { quality, record } = each;
    const full = ceiling ?? record.fullScaleAdu;
    const share = full === null ? NaN : quality.level / full;
    if (quality.saturatedShare > 0.001 || share > options.maximumFlatLevel) {
      add(
        each,
        "over-exposed flat",
        "refuse",
        `level ${number(quality.level)} ADU${full === null ? "" : ` is ${percent(share)} of full scale`}, ${
          percent(quality.saturatedShare, 1)
        } of the samples saturated`,
        "shorten the exposure to half of full scale",
      );
      continue;
    }
    const light = full === null ? NaN : (quality.level - offset) / full;
    // a file's format is no more than an upper bound of full scale: then the grain of the light decides
    const grain = quality.noise / (quality.level - offset);
    if (light < options.minimumFlatLevel && (ceiling !== null || !(grain < options.maximumGrain))) {
      add(
        each,
        "under-exposed flat",
        "refuse",
        `light of ${number(quality.level - offset)} ADU is ${percent(light, 1)} of full scale`,
        "expose flats to half of full scale",
      );
      continue;
    }
    if (own === undefined || set.length < 3) continue;
    const mine = normalised(quality, offset);
    // A cell's median is known to 1.25 noise / √samples.
    const noise = 1.2533 * quality.noise / (quality.cellPixels * (quality.level - offset));
    const off = difference(mine, own);
    if (off < Math.max(options.flatDeviation, 6 * noise)) continue;
    let best = off;
    let filter = "";
    for (const other of sets) {
      const map = maps.get(other);
      if (other === set || map === undefined || map.length !== mine.length || other[0].record.rig !== record.rig) {
        continue;
      }
      const there = difference(mine, map);
      if (there < 0.6 * best) {
        best = there;
        filter = other[0].record.filter;
      }
    }
    if (filter !== "") {
      add(
        each,
        "wrong filter",
        "refuse",
        `differs by ${percent(off, 1)} from the other ${record.filter} flats and by ${
          percent(best, 1)
        } from those of ${filter}`,
        `it was taken through ${filter}: correct its header or leave it out`,
      );
    } else {
      add(
        each,
        "dust moved",
        "refuse",
        `differs by ${percent(off, 1)} from the other flats of its set (noise ${percent(noise, 2)})`,
        "take flats without touching the camera, after the lights and before taking it down",
      );
    }
  }
}

function auditDarks(set: readonly AuditInput[], offset: number, add: Add): void {
  const levels = set.map((each) => each.quality.level);
  const middle = median(levels);
  const scatter = Math.max(set.length >= 3 ? robustScale(levels) : 0, 0.05);
  const hot = median(set.map((each) => each.quality.hotHeight));
  const unevenness = (quality: CalibrationQuality): number => {
    const cells = [...quality.map].sort((a, b) => a - b);
    const n = cells.length;
    return cells[Math.floor(0.95 * (n - 1))] - cells[Math.floor(0.05 * (n - 1))];
  };
  const ranges = set.map((each) => unevenness(each.quality));
  const range = median(ranges);
  for (const [i, each] of set.entries()) {
    const { quality, record } = each;
    const cell = 1.2533 * quality.noise / quality.cellPixels;
    if (set.length >= 3 && ranges[i] > range + Math.max(8 * cell, 2 * range)) {
      add(
        each,
        "light leak",
        "refuse",
        `level changes by ${number(ranges[i])} ADU over the frame, the others of its set by ${number(range)}`,
        "cap the telescope, cover the camera, take darks at night",
      );
      continue;
    }
    const apart = record.sensorTemperatureC !== null && record.setTemperatureC !== null
      ? record.sensorTemperatureC - record.setTemperatureC
      : 0;
    // Hot pixels tell the temperature better than a level that is known to whole ADU: they are the same ones in every
    // dark, and 2.5 K make them a quarter higher (Janesick 2001).
    const more = quality.hotHeight > 1.25 * hot && quality.hotHeight - hot > 5 * quality.noise;
    if (apart > 2 || (set.length >= 3 && more)) {
      add(
        each,
        "warm dark",
        "refuse",
        `${apart > 2 ? `sensor at ${record.sensorTemperatureC} °C, set to ${record.setTemperatureC} °C; ` : ""}level ${
          number(quality.level)
        } ADU (set ${number(middle)}), hottest pixels ${number(quality.hotHeight)} ADU above it (set ${number(hot)})`,
        "wait until the cooler has settled",
      );
    } else if (set.length >= 3 && quality.hotHeight < hot / 1.25 && hot - quality.hotHeight > 5 * quality.noise) {
      add(
        each,
        "wrong exposure",
        "refuse",
        `hottest pixels ${number(quality.hotHeight)} ADU above the level, those of its set ${
          number(hot)
        }: it was exposed for a shorter time than its header says, or colder`,
        "check exposure and temperature; leave it out",
      );
    } else if (set.length >= 3 && Math.abs(quality.level - middle) > 8 * scatter && !more) {
      add(
        each,
        "wrong exposure",
        "warn",
        `level ${number(quality.level)} ADU, the others of its set ${number(middle)} ± ${number(scatter)}`,
        "check exposure, gain and offset",
      );
    }
  }
  // Glow: the brightest corner of the median map against the middle, where bias is level.
  const maps = set.filter((each) => each.quality.map.length === set[0].quality.map.length).map((each) =>
    each.quality.map
  );
  const map = cellMedian(maps);
  const { columns, rows, noise, cellPixels } = set[0].quality;
  const corner = (c: number, r: number) => median([0, 1, 2, 3].map((k) => map[(r + (k >> 1)) * columns + c + (k & 1)]));
  if (columns >= 8 && rows >= 8) {
    const corners = [corner(0, 0), corner(columns - 2, 0), corner(0, rows - 2), corner(columns - 2, rows - 2)];
    const glow = Math.max(...corners) - corner(columns >> 1, rows >> 1);
    const error = 1.2533 * noise / cellPixels / Math.sqrt(4 * maps.length);
    if (glow > Math.max(8 * error, 0.5)) {
      add(
        set[0],
        "amplifier glow",
        "warn",
        `a corner is ${number(glow)} ADU brighter than the middle (level above offset ${number(middle - offset)})`,
        "use darks of exactly the lights' exposure: glow does not scale with time",
      );
    }
  }
}
