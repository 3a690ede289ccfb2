/** Defective pixels of a sensor: hot, cold, noisy. */
import { cardNumber } from "../core/header.ts";
import type { Image } from "../core/image.ts";
import { requireSameSize } from "../core/image.ts";
import { createMask, type Mask, maskBit } from "../core/mask.ts";
import { settle } from "../core/options.ts";
import type { Raster } from "../core/raster.ts";
import { type FrameSource, openPixels } from "../io/pixel_source.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { normalQuantile } from "../stats/special_functions.ts";
import { medianPlane } from "../kernels/median_filter.ts";

/** Where to look for defects; at least one. */
export interface DefectSources {
  /** Master dark: tells hot and, when it carries a variance, noisy pixels. */
  readonly dark?: Image | null;
  /** Master flat: tells pixels without, or with too much, sensitivity. */
  readonly flat?: Image | null;
  /** Lights (or their calibrated images), best dithered or drifting, for a night without darks. */
  readonly lights?: readonly FrameSource[];
}

/** Options of {@linkcode findDefects}. */
export interface FindDefectsOptions {
  /** Number of good pixels of the whole sensor that may be taken for defects by chance, > 0. */
  readonly falseAlarms: number;
  /** A flat pixel below this share of its neighbourhood's median is cold, above 2 minus it too bright; 0 … 1. */
  readonly minimumResponse: number;
  /**
   * In a single light a bright pixel is a defect when its neighbours hold less than this share of its excess, 0 … 1.
   */
  readonly starShare: number;
  /** Most lights to read. */
  readonly maximumLights: number;
}

/**
 * What {@linkcode findDefects} uses for an option left out. `falseAlarms` 1: one pixel of the whole sensor, whatever
 * its size. `minimumResponse` 0.5: half the light, twice the noise. `starShare` 0.2: the pixels beside a star of 1.3
 * pixels FWHM hold 0.2 of its centre, of a wider star more; both own choice. `maximumLights` 9: a star has to stand on
 * a pixel in seven of them to be taken for a defect.
 */
export const findDefectsDefaults: FindDefectsOptions = Object.freeze({
  falseAlarms: 1,
  minimumResponse: 0.5,
  starShare: 0.2,
  maximumLights: 9,
});

/** What {@linkcode findDefects} found. */
export interface DefectReport {
  /** Mask of the sensor: `defect` on every pixel found. */
  readonly mask: Mask;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Pixels with too much dark current. */
  readonly hot: number;
  /** Pixels with too little or too much sensitivity. */
  readonly cold: number;
  /** Pixels whose value jumps from frame to frame. */
  readonly noisy: number;
  /** Facts for the reader. */
  readonly notes: readonly string[];
}

/**
 * Find pixels that calibration cannot mend.
 *
 * Hot: the master dark exceeds the median of the 24 neighbours of the same colour by more than k times the noise of
 * one dark, because a pixel that hot adds noise of its own that no subtraction removes. Noisy (random telegraph
 * signal): the scatter in the dark series exceeds the χ² limit. Cold: the flat falls below `minimumResponse` of the
 * median of its neighbours. k and the χ² limit follow from `falseAlarms`. From lights: a pixel that stands out from
 * its neighbours in three quarters of several dithered frames; in a single frame one that stands out alone, while a
 * star's light spreads to the pixels beside it.
 *
 * In: masters and lights of one size. Cost: about a second for each 10 million pixels and source.
 *
 * @throws {TypeError} if nothing is given to look at
 * @throws {RangeError} if sizes differ or an option is out of range
 * @throws {FrameError} if a light cannot be read
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, findDefects } from "faintlight";
 * import { derive } from "faintlight/extend";
 *
 * const clean = constantImage(16, 16, 100);
 * const data = clean.planes[0].data.slice();
 * data[40] = 5000;
 * const dark = derive(clean, { planes: [{ channel: "L", data }] }, { step: "spoil", options: {} });
 * assert.equal(findDefects({ dark }).hot, 1);
 * ```
 */
export function findDefects(sources: DefectSources, options: Partial<FindDefectsOptions> = {}): DefectReport {
  const used = settle("findDefects", findDefectsDefaults, options);
  const { falseAlarms, minimumResponse, starShare, maximumLights } = used;
  if (!(falseAlarms > 0)) throw new RangeError(`findDefects: falseAlarms must be > 0, but got ${falseAlarms}`);
  if (!(minimumResponse > 0 && minimumResponse < 1)) {
    throw new RangeError(`findDefects: minimumResponse must lie between 0 and 1, but got ${minimumResponse}`);
  }
  if (!(starShare > 0 && starShare < 1)) {
    throw new RangeError(`findDefects: starShare must lie between 0 and 1, but got ${starShare}`);
  }
  if (!(Number.isInteger(maximumLights) && maximumLights >= 1)) {
    throw new RangeError(`findDefects: maximumLights must be a whole number of at least 1, but got ${maximumLights}`);
  }
  const dark = sources.dark ?? null;
  const flat = sources.flat ?? null;
  const lights = sources.lights ?? [];
  const masters = [dark, flat].filter((each) => each !== null);
  if (masters.length === 0 && lights.length === 0) {
    throw new TypeError("findDefects: sources must have a dark, a flat or lights, but have none; add one");
  }
  requireSameSize("findDefects", ...masters);
  const size = masters.length > 0 ? masters[0] : sizeOf(lights[0]);
  const { width, height } = size;
  const mask = createMask(width, height);
  const z = normalQuantile(1 - Math.min(0.01, falseAlarms / (width * height)));
  const notes: string[] = [];
  let hot = 0;
  let cold = 0;
  let noisy = 0;
  const mark = (p: number): boolean => {
    const isNew = mask[p] === 0;
    mask[p] = maskBit.defect;
    return isNew;
  };
  if (dark !== null) {
    const step = dark.geometry.bayer === null ? 1 : 2;
    const { data } = dark.planes[0];
    const around = medianPlane(data, width, height, 2, step, false);
    const single = singleNoise(dark, around);
    const limit = z * single;
    for (let p = 0; p < data.length; p++) if (!(data[p] - around[p] <= limit) && mark(p)) hot++;
    notes.push(`${hot} hot pixels: more than ${limit.toPrecision(4)} ADU above their neighbours`);
    const count = cardNumber(dark.header, "NCOMBINE") ?? 0;
    const spread = dark.variance?.[0] ?? null;
    if (spread !== null && count >= 5) {
      const most = median(spread) * chiSquareRatio(count - 1, z);
      for (let p = 0; p < data.length; p++) if (spread[p] > most && mark(p)) noisy++;
      notes.push(`${noisy} noisy pixels: scatter above ${Math.sqrt(most * count).toPrecision(4)} ADU`);
    }
  }
  if (flat !== null) {
    const step = flat.geometry.bayer === null ? 1 : 2;
    const { data } = flat.planes[0];
    const around = medianPlane(data, width, height, 2, step, false);
    for (let p = 0; p < data.length; p++) {
      const response = data[p] / around[p];
      if (!(response >= minimumResponse && response <= 2 - minimumResponse) && mark(p)) cold++;
    }
    notes.push(
      `${cold} pixels with less than ${minimumResponse} or more than ${
        2 - minimumResponse
      } of their neighbours' response`,
    );
  }
  if (lights.length > 0) {
    const found = inLights(lights.slice(0, maximumLights), width, height, z, starShare);
    for (const p of found.hot) if (mark(p)) hot++;
    for (const p of found.cold) if (mark(p)) cold++;
    notes.push(`${found.hot.length} bright and ${found.cold.length} dark pixels found in ${found.frames} lights`);
  }
  return { mask, width, height, hot, cold, noisy, notes };
}

function sizeOf(source: FrameSource): { readonly width: number; readonly height: number } {
  const open = openPixels(source);
  open.close();
  return open;
}

/** Noise of one dark frame: from the master's variance, else from its residuals and the number of frames in it. */
function singleNoise(dark: Image, around: Float32Array): number {
  const count = cardNumber(dark.header, "NCOMBINE");
  const floor = 1 / Math.sqrt(12);
  if (dark.variance !== null && count !== null) return Math.max(floor, Math.sqrt(median(dark.variance[0]) * count));
  const residuals = dark.planes[0].data.map((value, p) => value - around[p]);
  // A master that does not tell its frames is taken for one of 16, as large as masters commonly are (common practice).
  return Math.max(floor, madSigma(residuals) * Math.sqrt(count ?? 16));
}

/** χ² limit over its median for ν degrees of freedom at normal quantile z (Wilson & Hilferty 1931, PNAS 17, 684). */
function chiSquareRatio(degrees: number, z: number): number {
  const a = 2 / (9 * degrees);
  return ((1 - a + z * Math.sqrt(a)) / (1 - a)) ** 3;
}

/** Pixels that stand out in the lights themselves. */
function inLights(
  lights: readonly FrameSource[],
  width: number,
  height: number,
  z: number,
  starShare: number,
): { readonly hot: number[]; readonly cold: number[]; readonly frames: number } {
  const residuals: Float32Array[] = [];
  for (const light of lights) {
    const open = openPixels(light);
    try {
      requireSameSize("findDefects", open, { width, height });
      const samples = open.readRegion({ x: 0, y: 0, width, height }, 0);
      const around = medianPlane(samples, width, height, 1, open.geometry.bayer === null ? 1 : 2, false);
      const residual = samples.map((value, p) => value - around[p]);
      const noise = madSigma(residual) || 1;
      for (let p = 0; p < residual.length; p++) residual[p] /= noise;
      residuals.push(residual);
    } finally {
      open.close();
    }
  }
  const several = residuals.length >= 3;
  const score = several ? steadyPart(residuals) : residuals[0];
  const typical = several ? meanOf(residuals) : residuals[0];
  const middle = residuals[residuals.length >> 1];
  const moved = several && starsMoved({ data: middle, width, height }, score, z, starShare);
  const hot: number[] = [];
  const cold: number[] = [];
  for (let p = 0; p < score.length; p++) {
    if (!(Math.abs(score[p]) > z)) continue;
    if (score[p] < 0) {
      if (flatAround(score, width, height, p, z)) cold.push(p);
    } else if (moved && score[p] > minimumSteadyShare * typical[p] || aloneAt(typical, width, height, p, starShare)) {
      hot.push(p);
    }
  }
  return { hot, cold, frames: residuals.length };
}

/**
 * What stays of each pixel from light to light: the quarter of its values nearest to nothing is left aside, for in a
 * crowded field a star may well stand on a pixel in half of the frames.
 */
function steadyPart(residuals: readonly Float32Array[]): Float32Array {
  const values = new Float64Array(residuals.length);
  const quarter = values.length >> 2;
  return residuals[0].map((_, p) => {
    residuals.forEach((each, k) => values[k] = each[p]);
    values.sort();
    const low = values[quarter];
    const high = values[values.length - 1 - quarter];
    return low > 0 ? low : high < 0 ? high : 0;
  });
}

/** Mean of each pixel over the lights. */
const meanOf = (residuals: readonly Float32Array[]): Float32Array =>
  residuals[0].map((_, p) => residuals.reduce((sum, each) => sum + each[p], 0) / residuals.length);

/** What stays of a defect where stars move, as a share of its mean: of a star less than half stays (own). */
const minimumSteadyShare = 0.7;

/** Share of a star's core that may be left where it stood, for the star to have gone; of a Gaussian at 1.04 FWHM. */
const maximumCoreShare = 0.05;

/** Least share of the stars that must have gone from where they stood. */
const minimumGoneShare = 0.8;

/**
 * Whether the stars moved over the sensor by more than their width, so that what stays at its place is none: what
 * looks like a star's core in the middle light is dark in most of the others. Stars that creep stay in part.
 */
function starsMoved(
  { data: middle, width, height }: Raster,
  steady: Float32Array,
  z: number,
  share: number,
): boolean {
  let stars = 0;
  let gone = 0;
  for (let p = 0; p < middle.length; p++) {
    if (!(middle[p] > 3 * z) || aloneAt(middle, width, height, p, share)) continue;
    stars++;
    if (steady[p] < Math.max(1, maximumCoreShare * middle[p])) gone++;
  }
  return stars > 0 && gone >= minimumGoneShare * stars;
}

/** Values of the four pixels beside one, as far as they exist. */
function beside(score: Float32Array, width: number, height: number, p: number): number[] {
  const x = p % width;
  const y = (p - x) / width;
  return [[-1, 0], [1, 0], [0, -1], [0, 1]]
    .filter(([i, j]) => x + i >= 0 && x + i < width && y + j >= 0 && y + j < height)
    .map(([i, j]) => score[p + j * width + i]);
}

/**
 * Whether the four pixels beside a bright one hold less than `share` of its excess on average: no star is that sharp.
 */
function aloneAt(score: Float32Array, width: number, height: number, p: number, share: number): boolean {
  const values = beside(score, width, height, p);
  return values.reduce((a, b) => a + b, 0) / values.length < share * score[p];
}

/** Whether nothing beside a dark pixel stands out: beside a bright star pixels look dark against its light. */
const flatAround = (score: Float32Array, width: number, height: number, p: number, z: number): boolean =>
  beside(score, width, height, p).every((value) => Math.abs(value) < z);
