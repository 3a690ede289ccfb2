/** Darks judged by their level, their hot pixels and their evenness. */
import type { CalibrationQuality } from "../measure/measure_calibration.ts";
import { median } from "../stats/median.ts";
import { medianErrorFactor } from "../stats/median_error.ts";
import { robustScale } from "../stats/pairwise_scale.ts";
import { type AuditInput, type CalibrationFinding, findingOn, tenth } from "./calibration_finding.ts";
import { medianMap, sameGrid } from "./calibration_sets.ts";

/** What a set of darks has in common. */
interface DarkSet {
  readonly set: readonly AuditInput[];
  /** Whether there are enough to compare one with the others. */
  readonly comparable: boolean;
  /** Median level, and its scatter, ADU. */
  readonly level: number;
  readonly scatter: number;
  /** Median height of the hottest pixels above the level, ADU. */
  readonly hotHeight: number;
  /** Median range of the cells over the frame, ADU. */
  readonly range: number;
}

/** Sensor above its set temperature, kelvin, from which on the cooler has not settled (own choice). */
const maximumTemperatureExcess = 2;

/**
 * Hot pixels tell the temperature better than a level that is known to whole ADU: they are the same ones in every
 * dark, and 2.5 K make them a quarter higher (Janesick 2001).
 */
const hotPixelGrowth = 1.25;
const hotPixelSigmas = 5;

/** Scatters of the set's levels from which on a level is another exposure's (own choice). */
const levelScatters = 8;

/** Errors of a cell that a leak or a glow must exceed, and the least glow that counts, ADU (own choice). */
const cellErrors = 8;
const minimumGlow = 0.5;

/** Range of the cells of a map from the 5th to the 95th percentile. */
function cellRange({ map }: CalibrationQuality): number {
  const sorted = [...map].sort((a, b) => a - b);
  const last = sorted.length - 1;
  return sorted[Math.floor(0.95 * last)] - sorted[Math.floor(0.05 * last)];
}

function describeDarks(set: readonly AuditInput[]): DarkSet {
  const levels = set.map(({ quality }) => quality.level);
  return {
    set,
    comparable: set.length >= 3,
    level: median(levels),
    scatter: Math.max(set.length >= 3 ? robustScale(levels) : 0, 0.05),
    hotHeight: median(set.map(({ quality }) => quality.hotHeight)),
    range: median(set.map(({ quality }) => cellRange(quality))),
  };
}

/** Light leaks in: the level changes over the frame. */
function lightLeak(input: AuditInput, { comparable, range }: DarkSet): CalibrationFinding | null {
  const { quality } = input;
  const own = cellRange(quality);
  const error = medianErrorFactor * quality.noise / quality.cellPixels;
  if (!comparable || !(own > range + Math.max(cellErrors * error, 2 * range))) return null;
  return findingOn(input, {
    problem: "light leak",
    severity: "refuse",
    evidence: `level changes by ${tenth(own)} ADU over the frame, the others of its set by ${tenth(range)}`,
    remedy: "cap the telescope, cover the camera, take darks at night",
  });
}

const isHotter = ({ quality }: AuditInput, { hotHeight }: DarkSet): boolean =>
  quality.hotHeight > hotPixelGrowth * hotHeight && quality.hotHeight - hotHeight > hotPixelSigmas * quality.noise;

const isColder = ({ quality }: AuditInput, { hotHeight }: DarkSet): boolean =>
  quality.hotHeight < hotHeight / hotPixelGrowth && hotHeight - quality.hotHeight > hotPixelSigmas * quality.noise;

/** The sensor was warmer than its set temperature, or than the others of the set. */
function warmDark(input: AuditInput, darks: DarkSet): CalibrationFinding | null {
  const { quality, record: { sensorTemperatureC, setTemperatureC } } = input;
  const excess = sensorTemperatureC !== null && setTemperatureC !== null ? sensorTemperatureC - setTemperatureC : 0;
  const stated = excess > maximumTemperatureExcess;
  if (!stated && !(darks.comparable && isHotter(input, darks))) return null;
  const temperature = stated ? `sensor at ${sensorTemperatureC} °C, set to ${setTemperatureC} °C; ` : "";
  const level = `level ${tenth(quality.level)} ADU (set ${tenth(darks.level)})`;
  const hottest = `hottest pixels ${tenth(quality.hotHeight)} ADU above it (set ${tenth(darks.hotHeight)})`;
  return findingOn(input, {
    problem: "warm dark",
    severity: "refuse",
    evidence: `${temperature}${level}, ${hottest}`,
    remedy: "wait until the cooler has settled",
  });
}

/** Exposed for another time than the header says, or colder. */
function wrongExposure(input: AuditInput, darks: DarkSet): CalibrationFinding | null {
  const { quality } = input;
  if (!darks.comparable) return null;
  if (isColder(input, darks)) {
    return findingOn(input, {
      problem: "wrong exposure",
      severity: "refuse",
      evidence: `hottest pixels ${tenth(quality.hotHeight)} ADU above the level, those of its set ${
        tenth(darks.hotHeight)
      }: it was exposed for a shorter time than its header says, or colder`,
      remedy: "check exposure and temperature; leave it out",
    });
  }
  if (!(Math.abs(quality.level - darks.level) > levelScatters * darks.scatter) || isHotter(input, darks)) return null;
  return findingOn(input, {
    problem: "wrong exposure",
    severity: "warn",
    evidence: `level ${tenth(quality.level)} ADU, the others of its set ${tenth(darks.level)} ± ${
      tenth(darks.scatter)
    }`,
    remedy: "check exposure, gain and offset",
  });
}

/** Glow of the amplifier: the brightest corner of the median map against its centre, where bias is level. */
function amplifierGlow({ set, level }: DarkSet, offset: number): CalibrationFinding | null {
  const { columns, rows, noise, cellPixels } = set[0].quality;
  if (columns < 8 || rows < 8) return null;
  const maps = sameGrid(set).map(({ quality }) => quality.map);
  const map = medianMap(maps);
  const cells = (c: number, r: number) => median([0, 1, 2, 3].map((k) => map[(r + (k >> 1)) * columns + c + (k & 1)]));
  const corners = [cells(0, 0), cells(columns - 2, 0), cells(0, rows - 2), cells(columns - 2, rows - 2)];
  const glow = Math.max(...corners) - cells(columns >> 1, rows >> 1);
  const error = medianErrorFactor * noise / cellPixels / Math.sqrt(4 * maps.length);
  if (!(glow > Math.max(cellErrors * error, minimumGlow))) return null;
  return findingOn(set[0], {
    problem: "amplifier glow",
    severity: "warn",
    evidence: `a corner is ${tenth(glow)} ADU brighter than the middle (level above offset ${tenth(level - offset)})`,
    remedy: "use darks of exactly the lights' exposure: glow does not scale with time",
  });
}

/**
 * Judge the darks of a set.
 *
 * @param offset level without light of their rig
 */
export function auditDarks(set: readonly AuditInput[], offset: number): CalibrationFinding[] {
  const darks = describeDarks(set);
  const frames = set.flatMap((input) =>
    lightLeak(input, darks) ?? warmDark(input, darks) ?? wrongExposure(input, darks) ?? []
  );
  const glow = amplifierGlow(darks, offset);
  return glow === null ? frames : [...frames, glow];
}
