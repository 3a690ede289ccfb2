/** What the pixels of a dark, flat or bias tell of it. */
import type { FrameFacts } from "../core/frame_record.ts";
import { type Image, requireLinear } from "../core/image.ts";
import type { Raster } from "../core/raster.ts";
import { sigmaClip } from "../stats/sigma_clip.ts";
import { medianInPlace, quantileOf } from "../stats/samples.ts";

/** Measurements of one calibration frame. Plain data; levels in the unit of the image. */
export interface CalibrationQuality {
  /** Median level. */
  readonly level: number;
  /** Noise of a pixel, from differences of neighbours of the same colour. */
  readonly noise: number;
  /** Median of each phase of the 2 × 2 block, in stored order: (0, 0), (1, 0), (0, 1), (1, 1). */
  readonly phaseLevels: readonly [number, number, number, number];
  /** Share of the samples at full scale, or at the highest value if that is not known and many share it. */
  readonly saturatedShare: number;
  /**
   * Where the samples pile up: the highest value, if one in a thousand has it; null otherwise. A sensor's true full
   * scale.
   */
  readonly ceiling: number | null;
  /** Share of the samples at the lowest value, when that is cut off. */
  readonly cutShare: number;
  /** Share of the samples more than ten times the noise above the level: hot pixels. */
  readonly hotShare: number;
  /**
   * Height of the hottest pixels above the level: that which one pixel in 2000 exceeds. It grows with temperature and
   * exposure.
   */
  readonly hotHeight: number;
  /** Columns of the map. */
  readonly columns: number;
  /** Rows of the map. */
  readonly rows: number;
  /** Pixels along a cell's side. */
  readonly cellPixels: number;
  /** Median of each cell, of pixels scaled to the same level by phase; row by row. */
  readonly map: readonly number[];
}

/** Cells along the longer side: fine enough to show the shadow of dust, coarse enough for a thousand samples a cell. */
const cellsAlong = 48;
/** Samples that level and noise are taken from. */
const levelSamples = 250_000;
/** Deviations beyond so many sigma do not count as noise. */
const noiseSigmas = 5;
/** Share of the samples at the highest value from which on it is a ceiling, and at the lowest for a cut. */
const minimumCeilingShare = 0.001;
const minimumCutShare = 0.002;
/** Share of full scale from which on a sample is saturated. */
const saturatedShareOfScale = 0.995;
/** Height of a hot pixel over the noise. */
const hotSigmas = 10;
/** Share of the samples below the height of the hottest pixels. */
const hotQuantile = 0.9995;
/** A colour whose level is so many noises off the mean is scaled to it in the map; darks and bias are level anyway. */
const colourSigmas = 5;

/** Median of each phase of the 2 × 2 block, from a thinned grid of its samples. */
function phaseMedians({ data, width, height }: Raster): [number, number, number, number] {
  const stride = Math.max(1, Math.floor(Math.sqrt(width * height / levelSamples)));
  const medianOf = (phase: number) => {
    const scratch = new Float32Array(Math.ceil(width / 2 / stride + 1) * Math.ceil(height / 2 / stride + 1));
    let n = 0;
    for (let y = phase >> 1; y < height; y += 2 * stride) {
      for (let x = phase & 1; x < width; x += 2 * stride) {
        const v = data[y * width + x];
        if (v === v) scratch[n++] = v;
      }
    }
    return medianInPlace(scratch, n);
  };
  return [medianOf(0), medianOf(1), medianOf(2), medianOf(3)];
}

/** Noise of a pixel from second differences of neighbours of the same colour. */
function differenceNoise(data: Float32Array): number {
  // Odd, so that all columns have their turn.
  const thin = Math.floor(data.length / levelSamples) | 1;
  const bends = Float32Array.from(
    { length: Math.max(0, Math.ceil((data.length - 8) / thin)) },
    (_, k) => 2 * data[4 + k * thin] - data[2 + k * thin] - data[6 + k * thin],
  );
  // Not their median: a sensor counts in whole steps, and the median of few steps may be a third off.
  return sigmaClip(bends, { rejectBelow: noiseSigmas, rejectAbove: noiseSigmas }).sdCorrected / Math.sqrt(6);
}

/** Lowest and highest sample, and the value where samples pile up at the top; null if they do not. */
function extremesOf(data: Float32Array): { lowest: number; highest: number; ceiling: number | null } {
  let highest = -Infinity;
  let next = -Infinity;
  let lowest = Infinity;
  for (let i = 0; i < data.length; i++) {
    const v = data[i];
    if (v > highest) {
      next = highest;
      highest = v;
    } else if (v > next && v < highest) next = v;
    if (v < lowest) lowest = v;
  }
  let atTop = 0;
  let atNext = 0;
  for (let i = 0; i < data.length; i++) {
    if (data[i] === highest) atTop++;
    else if (data[i] === next) atNext++;
  }
  // A sensor of 12 bits reaches its end far below what 16 bits could hold, and few headers say so. Samples pile up
  // there: the value below has fewer, unlike that of a dark in a few coarse steps.
  const ceiling = atTop > minimumCeilingShare * data.length && atTop > atNext && highest > lowest ? highest : null;
  return { lowest, highest, ceiling };
}

/** Limits that samples are counted against. */
interface CountLimits {
  /** At or above it a sample is saturated. */
  readonly saturated: number;
  /** The lowest value, where cut samples lie. */
  readonly lowest: number;
  /** Height over its phase's level above which a sample is hot. */
  readonly hot: number;
  /** Level of each phase. */
  readonly phases: readonly number[];
}

/** Numbers of known, saturated, cut and hot samples. */
function countSamples({ data, width, height }: Raster, { saturated: full, lowest, hot: limit, phases }: CountLimits) {
  let known = 0;
  let saturated = 0;
  let cut = 0;
  let hot = 0;
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      const v = data[i];
      if (v !== v) continue;
      known++;
      if (v >= full) saturated++;
      if (v === lowest) cut++;
      if (v - phases[(y & 1) * 2 + (x & 1)] > limit) hot++;
    }
  }
  return { known, saturated, cut, hot };
}

/** Median of each cell of pixels multiplied by a factor for their phase. */
function cellMap(
  { data, width, height }: Raster,
  factors: readonly number[],
): Pick<CalibrationQuality, "columns" | "rows" | "cellPixels" | "map"> {
  const cellPixels = Math.max(2, 2 * Math.round(Math.max(width, height) / cellsAlong / 2));
  const columns = Math.max(1, Math.floor(width / cellPixels));
  const rows = Math.max(1, Math.floor(height / cellPixels));
  const map: number[] = [];
  const scratch = new Float32Array(cellPixels * cellPixels);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      let n = 0;
      for (let y = r * cellPixels; y < (r + 1) * cellPixels && y < height; y++) {
        for (let x = c * cellPixels; x < (c + 1) * cellPixels && x < width; x++) {
          const v = data[y * width + x];
          if (v === v) scratch[n++] = v * factors[(y & 1) * 2 + (x & 1)];
        }
      }
      map.push(medianInPlace(scratch, n));
    }
  }
  return { columns, rows, cellPixels, map };
}

/**
 * Measure a dark, flat, bias or flat-dark, raw in ADU: level, noise, phases, clipped shares, hot pixels and a coarse
 * map. The map shows vignetting and dust of a flat, glow and leaks of a dark.
 *
 * Cost: about 20 ns a pixel.
 *
 * @param image the frame, one plane
 * @param facts what the header says; full scale is used when known
 * @throws {TypeError} if the image is a finished picture
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, measureCalibration } from "faintlight";
 *
 * assert.equal(measureCalibration(constantImage(100, 80, 300)).level, 300);
 * ```
 */
export function measureCalibration(image: Image, facts: Partial<FrameFacts> = {}): CalibrationQuality {
  requireLinear("measureCalibration", image);
  const { width, height } = image;
  const { data } = image.planes[0];
  const plane = { data, width, height };
  const phases = phaseMedians(plane);
  const known = phases.filter((each) => each === each);
  const level = known.reduce((sum, each) => sum + each, 0) / Math.max(1, known.length);
  const noise = differenceNoise(data);
  const { lowest, highest, ceiling } = extremesOf(data);
  const counts = countSamples(plane, {
    saturated: saturatedShareOfScale * (ceiling ?? facts.fullScaleAdu ?? highest),
    lowest,
    hot: hotSigmas * noise,
    phases,
  });
  const total = Math.max(1, counts.known);
  const isCut = counts.cut > minimumCutShare * counts.known && highest > lowest;
  const factors = phases.map((each) => each > 0 && Math.abs(each - level) > colourSigmas * noise ? level / each : 1);
  return {
    level,
    noise,
    phaseLevels: phases,
    saturatedShare: facts.fullScaleAdu != null || ceiling !== null ? counts.saturated / total : 0,
    ceiling,
    cutShare: isCut ? counts.cut / counts.known : 0,
    hotShare: noise > 0 ? counts.hot / total : 0,
    hotHeight: quantileOf(data, hotQuantile) - level,
    ...cellMap(plane, factors),
  };
}
