/** What the pixels of a dark, flat or bias tell of it. */
import type { FrameFacts } from "../core/frame_record.ts";
import { type Image, requireLinear } from "../core/image.ts";
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
const CELLS = 48;

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
  const stride = Math.max(1, Math.floor(Math.sqrt(width * height / 250000)));
  const phases = [0, 1, 2, 3].map((phase) => {
    const scratch = new Float32Array(Math.ceil(width / 2 / stride + 1) * Math.ceil(height / 2 / stride + 1));
    let n = 0;
    for (let y = phase >> 1; y < height; y += 2 * stride) {
      for (let x = phase & 1; x < width; x += 2 * stride) {
        const v = data[y * width + x];
        if (v === v) scratch[n++] = v;
      }
    }
    return medianInPlace(scratch, n);
  });
  const known = phases.filter((each) => each === each);
  const level = known.reduce((sum, each) => sum + each, 0) / Math.max(1, known.length);
  // Odd, so that all columns have their turn.
  const thin = Math.floor(data.length / 250000) | 1;
  const bends = Float32Array.from(
    { length: Math.max(0, Math.ceil((data.length - 8) / thin)) },
    (_, k) => 2 * data[4 + k * thin] - data[2 + k * thin] - data[6 + k * thin],
  );
  // Not their median: a sensor counts in whole steps, and the median of few steps may be a third off.
  const noise = sigmaClip(bends, { rejectBelow: 5, rejectAbove: 5 }).sdCorrected / Math.sqrt(6);
  let highest = -Infinity;
  let lowest = Infinity;
  for (let i = 0; i < data.length; i++) {
    if (data[i] > highest) highest = data[i];
    if (data[i] < lowest) lowest = data[i];
  }
  let atTop = 0;
  for (let i = 0; i < data.length; i++) if (data[i] === highest) atTop++;
  // a sensor of 12 bits reaches its end far below what 16 bits could hold, and few headers say so
  const ceiling = atTop > 0.001 * data.length && highest > lowest ? highest : null;
  const full = ceiling ?? facts.fullScaleAdu ?? highest;
  let saturated = 0;
  let cut = 0;
  let hot = 0;
  let total = 0;
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      const v = data[i];
      if (v !== v) continue;
      total++;
      if (v >= 0.995 * full) saturated++;
      if (v === lowest) cut++;
      if (v - phases[(y & 1) * 2 + (x & 1)] > 10 * noise) hot++;
    }
  }
  const cellPixels = Math.max(2, 2 * Math.round(Math.max(width, height) / CELLS / 2));
  const columns = Math.max(1, Math.floor(width / cellPixels));
  const rows = Math.max(1, Math.floor(height / cellPixels));
  // Colours to one level by ratio where there is light; darks and bias are level anyway.
  const scale = phases.map((each) => each > 0 && Math.abs(each - level) > 5 * noise ? level / each : 1);
  const map: number[] = [];
  const scratch = new Float32Array(cellPixels * cellPixels);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      let m = 0;
      for (let y = r * cellPixels; y < (r + 1) * cellPixels && y < height; y++) {
        for (let x = c * cellPixels; x < (c + 1) * cellPixels && x < width; x++) {
          const v = data[y * width + x];
          if (v === v) scratch[m++] = v * scale[(y & 1) * 2 + (x & 1)];
        }
      }
      map.push(medianInPlace(scratch, m));
    }
  }
  return {
    level,
    noise,
    phaseLevels: [phases[0], phases[1], phases[2], phases[3]],
    saturatedShare: facts.fullScaleAdu != null || ceiling !== null ? saturated / Math.max(1, total) : 0,
    ceiling,
    // Noise leaves one sample in thousands at the lowest value; more are a cut.
    cutShare: cut > 0.002 * total && highest > lowest ? cut / total : 0,
    hotShare: noise > 0 ? hot / Math.max(1, total) : 0,
    hotHeight: quantileOf(data, 0.9995) - level,
    columns,
    rows,
    cellPixels,
    map,
  };
}
