/** Green that no star or dust can show, taken down to what a black body would. */
import { allocatePlane, derive, type Image, planeOf, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import { expPortable, logPortable } from "../kernels/elementary.ts";
import { measureSky } from "../measure/sky_level.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { planckPhotons } from "../sky/black_body.ts";

/** Options of {@linkcode limitGreen}. */
export interface LimitGreenOptions {
  /** How much of the excess is taken away, 0 … 1. */
  readonly strength: number;
  /**
   * An excess of this many standard deviations is a real green object and is kept; it is taken away in full below half
   * of that.
   */
  readonly keepAbove: number;
  /** Temperature that is white in the image, kelvin. */
  readonly whiteKelvin: number;
  /** Effective wavelengths of R, G, B, nanometres. */
  readonly wavelengths: readonly [number, number, number];
}

/**
 * What {@linkcode limitGreen} uses for an option left out: all of the excess, unless it is four standard deviations or
 * more (one sample in thirty thousand of pure noise); white and wavelengths as in {@linkcode balanceStars}.
 */
export const limitGreenDefaults: Readonly<LimitGreenOptions> = Object.freeze({
  strength: 1,
  keepAbove: 4,
  whiteKelvin: 5772,
  wavelengths: Object.freeze([620, 530, 460] as const),
});

/** Points of the black-body line: ln(R / B) and ln(G / √(R B)), the first rising. */
type BodyLine = readonly (readonly [number, number])[];

/** The line from 40 000 K to 1500 K, with white as 0. */
function bodyLine(wavelengths: readonly number[], whiteKelvin: number): BodyLine {
  const white = wavelengths.map((w) => planckPhotons(w, whiteKelvin));
  return Array.from({ length: 65 }, (_, k) => {
    const kelvin = expPortable(logPortable(40000) + (logPortable(1500) - logPortable(40000)) * k / 64);
    const [r, g, b] = wavelengths.map((w, c) => logPortable(planckPhotons(w, kelvin) / white[c]));
    return [r - b, g - (r + b) / 2] as const;
  });
}

/** Green of a black body of a redness, by straight lines between the points. */
function greenOf(line: BodyLine, redness: number): number {
  let low = 0;
  let high = line.length - 1;
  if (redness <= line[0][0]) return line[0][1];
  if (redness >= line[high][0]) return line[high][1];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (line[middle][0] <= redness) low = middle;
    else high = middle;
  }
  const u = (redness - line[low][0]) / (line[high][0] - line[low][0]);
  return line[low][1] + u * (line[high][1] - line[low][1]);
}

/** What rows are measured by. */
interface GreenSettings {
  readonly width: number;
  readonly strength: number;
  /** Excess that is kept whole. */
  readonly kept: number;
  readonly line: BodyLine;
  /** Level of the sky in R, G, B. */
  readonly levels: readonly number[];
  /** Its noise. */
  readonly noises: readonly number[];
}

/** Takes down the green of rows. */
export function limitGreenRows(band: Band<GreenSettings>): void {
  const { width, strength, kept, line, levels: [sr, sg, sb], noises: [nr, , nb] } = band.parameters;
  const { read, write: [outRed, outGreen, outBlue] } = openBand(band);
  const [red, green, blue] = read as Float32Array[];
  for (let i = band.from * width; i < band.to * width; i++) {
    const r = red[i] - sr;
    const g = green[i] - sg;
    const b = blue[i] - sb;
    // Where red or blue drown in the noise the geometric mean has no meaning; the plain mean is its limit for grey.
    const bright = r > 3 * nr && b > 3 * nb;
    const body = bright ? Math.sqrt(r * b) * expPortable(greenOf(line, logPortable(r / b))) : (r + b) / 2;
    const excess = g - body;
    let take = 0;
    if (excess > 0) {
      const u = Math.max(0, Math.min(1, 2 * excess / kept - 1));
      take = strength * excess * (1 - u * u * (3 - 2 * u));
    }
    // A third of what green loses goes to each channel: their mean stays.
    const share = take / 3;
    outRed[i] = red[i] + share;
    outGreen[i] = green[i] === green[i] && red[i] === red[i] && blue[i] === blue[i] ? green[i] - take + share : NaN;
    outBlue[i] = blue[i] + share;
  }
}

const greenTask: PoolTask<Band<GreenSettings>, void> = {
  module: import.meta.url,
  name: "limitGreenRows",
  run: limitGreenRows,
};

/**
 * Take down green that lies above what a black body of the pixel's red-to-blue ratio would show: stars and dust have
 * no other green, noise has. What is significant is kept, so that oxygen shines on. Brightness is kept by scaling the
 * pixel.
 *
 * In:  linear, R, G, B with a neutral sky and balanced stars. Out: same shape and unit. NaN in a channel gives NaN.
 * Cost: one pass with a table of the black-body line.
 *
 * @throws {TypeError} if the image is a stretched picture or lacks R, G or B
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { limitGreen } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(1);
 * const planes = ["R", "G", "B"].map((channel) => ({
 *   channel,
 *   data: Float32Array.from({ length: 10000 }, () => 100 + 10 * random.gaussian()),
 * }));
 * const image = createImage({ width: 100, height: 100, unit: "adu", planes });
 * const greens = (it: typeof image) =>
 *   it.planes[1].data.filter((g, i) => g > it.planes[0].data[i] && g > it.planes[2].data[i]);
 * assert.ok(greens(limitGreen(image)).length < greens(image).length / 2);
 * ```
 */
export function limitGreen(image: Image, options: Partial<LimitGreenOptions> = {}): Image {
  const used = settle("limitGreen", limitGreenDefaults, options);
  requireLinear("limitGreen", image);
  const { strength, keepAbove, whiteKelvin, wavelengths } = used;
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`limitGreen: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(keepAbove > 0)) throw new RangeError(`limitGreen: keepAbove must be > 0, but got ${keepAbove}`);
  if (!(whiteKelvin >= 1000)) throw new RangeError(`limitGreen: whiteKelvin must be ≥ 1000, but got ${whiteKelvin}`);
  const names = ["R", "G", "B"];
  const sources = names.map((name) => planeOf(image, name).data);
  const sky = measureSky({ ...image, planes: names.map((channel, c) => ({ channel, data: sources[c] })) });
  const levels = sky.map(({ level }) => level);
  const noises = sky.map(({ noise }) => noise);
  const [nr, ng, nb] = noises;
  // Noise of G − (R + B) / 2, near enough the noise of the excess.
  const noise = Math.sqrt(ng * ng + (nr * nr + nb * nb) / 4);
  const { width, height } = image;
  const out = names.map((channel) => ({ channel, data: allocatePlane(width, height) }));
  const settings = { width, strength, kept: keepAbove * noise, line: bodyLine(wavelengths, whiteKelvin) };
  overBands(greenTask, height, 3 * width, sources, out.map(({ data }) => data), { ...settings, levels, noises });
  const planes = image.planes.map((plane) => out.find((each) => each.channel === plane.channel) ?? plane);
  return derive(image, { planes, variance: null }, { step: "limitGreen", options: used });
}
