/** Stars in their own colours over a picture of lines. */
import {
  allocatePlane,
  derive,
  type Image,
  planeOf,
  requireDisplay,
  requireLinear,
  requireSameSize,
} from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { asinhPortable, expPortable, logPortable } from "../kernels/elementary.ts";
import { biweightLocation } from "../stats/biweight.ts";
import { quantile } from "../stats/median.ts";
import { separateStars } from "./separate_stars.ts";

/** Options of {@linkcode placeStarColours}. */
export interface PlaceStarColoursOptions {
  /** How bright the stars are drawn: a factor on the drawn light, 0 … 1. */
  readonly strength: number;
  /** Factor on the difference of each channel from grey. */
  readonly saturation: number;
  /** Whether the typical star is made white first; `false` where the broadband image is balanced already. */
  readonly balance: boolean;
  /** Light of a star's centre that is drawn white, mean of the channels above the sky; NaN to find it. */
  readonly white: number;
  /** How strongly bright stars are squeezed, as in `stretchAsinh`; NaN to find it. */
  readonly bend: number;
}

/**
 * What {@linkcode placeStarColours} uses for an option left out. White is the centre of the star that one in a hundred
 * outshines; light is drawn in proportion up to ten times the noise and by its logarithm above, so that stars of five
 * standard deviations just show (our own judgement).
 */
export const placeStarColoursDefaults: Readonly<PlaceStarColoursOptions> = Object.freeze({
  strength: 1,
  saturation: 1.2,
  balance: true,
  white: NaN,
  bend: NaN,
});

/** Light of each channel within a disc; null at the border or where a channel has none. */
function discLight(
  planes: readonly Float32Array[],
  width: number,
  height: number,
  star: Star,
  r: number,
): number[] | null {
  const x0 = Math.floor(star.x - r);
  const x1 = Math.ceil(star.x + r);
  const y0 = Math.floor(star.y - r);
  const y1 = Math.ceil(star.y + r);
  if (x0 < 0 || y0 < 0 || x1 >= width || y1 >= height) return null;
  const light = planes.map((data) => {
    let sum = 0;
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        if ((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y) <= r * r) sum += data[y * width + x];
      }
    }
    return sum;
  });
  return light.every((v) => v > 0) ? light : null;
}

/**
 * Put the stars of a broadband colour image over a picture made of lines, whose own stars have the colours of the
 * palette and no others: the stars are parted from the broadband image ({@linkcode separateStars}), the typical star
 * is made white, their light is drawn by an asinh curve with its colour kept, and screened over the picture, 1 − (1 −
 * a)(1 − b).
 *
 * In:  a finished picture of three planes, best without stars, and a linear image with planes R, G, B of the same size
 * on the same grid. Out: like the picture, 0 … 1; NaN in either gives NaN. Cost: that of parting the stars, and one
 * pass.
 *
 * @throws {TypeError} if the picture is linear or has not three planes, or the broadband image is stretched or lacks a
 * channel
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example A blue star over a red nebula
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, placeStarColours } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2), size = { width: 96, height: 96 };
 * const planes = ["R", "G", "B"].map((channel, c) => ({
 *   channel,
 *   data: Float32Array.from({ length: 96 * 96 }, (_, i) => {
 *     const x = i % 96 - 40.2, y = Math.floor(i / 96) - 50.4;
 *     return 500 + 5 * random.gaussian() + [500, 800, 1400][c] * Math.exp(-(x * x + y * y) / 4);
 *   }),
 * }));
 * const broadband = createImage({ ...size, unit: "adu", planes });
 * const red = createImage({ ...size, unit: "display", planes: [0.4, 0.1, 0.1].map((v, c) => ({
 *   channel: "RGB"[c],
 *   data: new Float32Array(96 * 96).fill(v),
 * })) });
 * const made = placeStarColours(red, broadband, { balance: false, white: 3000 }).planes.map(({ data }) => data[50 * 96 + 40]);
 * assert.ok(made[2] > made[0] && made[0] > 0.5);
 * ```
 */
export function placeStarColours(
  picture: Image,
  broadband: Image,
  options: Partial<PlaceStarColoursOptions> = {},
): Image {
  const used = settle("placeStarColours", placeStarColoursDefaults, options);
  requireDisplay("placeStarColours", picture);
  requireLinear("placeStarColours", broadband);
  requireSameSize("placeStarColours", picture, broadband);
  const { strength, saturation, balance } = used;
  if (picture.planes.length !== 3) {
    throw new TypeError(`placeStarColours: picture must have three planes, but has ${picture.planes.length}`);
  }
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`placeStarColours: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(saturation >= 0)) throw new RangeError(`placeStarColours: saturation must be ≥ 0, but got ${saturation}`);
  if (!(Number.isNaN(used.white) || used.white > 0)) {
    throw new RangeError(`placeStarColours: white must be > 0, but got ${used.white}`);
  }
  if (!(Number.isNaN(used.bend) || used.bend > 0)) {
    throw new RangeError(`placeStarColours: bend must be > 0, but got ${used.bend}`);
  }
  const { width, height } = picture;
  const names = ["R", "G", "B"];
  const colour = derive(broadband, { planes: names.map((name) => planeOf(broadband, name)), variance: null }, {
    step: "takeChannels",
    options: { channels: names },
  });
  const { stars, list, fwhmPixels, noise } = separateStars(colour);
  const layer = stars.planes.map(({ data }) => data);
  const notes = [`${list.length} stars`];
  const good = list.filter((s) => !s.saturated && s.snr >= 40).slice(0, 400);
  const colours: number[][] = [[], []];
  for (const star of good) {
    const light = discLight(layer, width, height, star, 1.5 * fwhmPixels);
    if (light === null) continue;
    colours[0].push(logPortable(light[1] / light[0]));
    colours[1].push(logPortable(light[1] / light[2]));
  }
  const gains = [1, 1, 1];
  if (balance && colours[0].length >= 5) {
    gains[0] = expPortable(biweightLocation(colours[0]));
    gains[2] = expPortable(biweightLocation(colours[1]));
    notes.push(`gains R ${gains[0].toPrecision(4)}, B ${gains[2].toPrecision(4)} from ${colours[0].length} stars`);
  } else if (balance) notes.push("too few stars to tell the balance; it was left as it is");
  const white = !Number.isNaN(used.white)
    ? used.white
    : list.length === 0
    ? 1
    : quantile(list.map((s) => s.peak), 0.99);
  const bend = Number.isNaN(used.bend) ? Math.max(1, white / (10 * Math.max(noise, 1e-6 * white))) : used.bend;
  const top = asinhPortable(bend);
  const scale = 1 / white;
  const out = picture.planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  const drawn = new Float64Array(3);
  for (let i = 0; i < width * height; i++) {
    const r = gains[0] * layer[0][i];
    const g = gains[1] * layer[1][i];
    const b = gains[2] * layer[2][i];
    const mean = (r + g + b) / 3 * scale;
    if (!(mean > 0)) {
      // What lies below the sky in a star's place is noise.
      for (let c = 0; c < 3; c++) out[c].data[i] = mean === mean ? picture.planes[c].data[i] : NaN;
      continue;
    }
    const y = mean >= 1 ? 1 : asinhPortable(bend * mean) / top;
    const gain = saturation * y / mean * scale;
    const dr = gain * r - saturation * y;
    const dg = gain * g - saturation * y;
    const db = gain * b - saturation * y;
    const high = Math.max(dr, dg, db);
    const low = Math.min(dr, dg, db);
    let keep = y + high > 1 ? (1 - y) / high : 1;
    if (y + keep * low < 0) keep = -y / low;
    drawn[0] = y + keep * dr;
    drawn[1] = y + keep * dg;
    drawn[2] = y + keep * db;
    for (let c = 0; c < 3; c++) out[c].data[i] = 1 - (1 - picture.planes[c].data[i]) * (1 - strength * drawn[c]);
  }
  return derive([picture, stars], { planes: out }, {
    step: "placeStarColours",
    options: { ...used, white, bend },
    notes,
  });
}
