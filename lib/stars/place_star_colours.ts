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
import { type Raster, rastersOf } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { asinhPortable, expPortable, logPortable } from "../kernels/elementary.ts";
import { biweightLocation } from "../stats/biweight.ts";
import { quantile } from "../stats/median.ts";
import { separateStars } from "./separate_stars.ts";

/** Options of {@linkcode placeStarColours}. */
export interface PlaceStarColoursOptions {
  /** How bright the stars are drawn: a factor on the drawn brightness, 0 … 1. */
  readonly strength: number;
  /** Factor on the difference of each channel from grey. */
  readonly saturation: number;
  /** Whether the typical star is made white first; `false` where the broadband image is balanced already. */
  readonly balance: boolean;
  /** Height of a star's centre that is drawn white, mean of the channels above the sky. */
  readonly white: number | "automatic";
  /** How strongly bright stars are squeezed, as in `stretchAsinh`. */
  readonly bend: number | "automatic";
}

/**
 * What {@linkcode placeStarColours} uses for an option left out. White is the centre of the star that one in a hundred
 * outshines; brightness is drawn in proportion up to ten times the noise and by its logarithm above, so that stars of
 * five standard deviations just show (our own judgement).
 */
export const placeStarColoursDefaults: Readonly<PlaceStarColoursOptions> = Object.freeze({
  strength: 1,
  saturation: 1.2,
  balance: true,
  white: "automatic",
  bend: "automatic",
});

/** Signal-to-noise ratio from which a star has a part in the colour balance, and how many stars have. */
const minimumBalanceSnr = 40;
const maximumBalanceStars = 400;
const minimumBalanceStars = 5;
/** Radius of the disc that holds a star's flux, in FWHM. */
const discInFwhm = 1.5;
/** Share of the stars whose centre is no brighter than white. */
const whiteQuantile = 0.99;
/** Brightness over the noise up to which stars are drawn in proportion. */
const proportionalSigma = 10;

/** Flux of each channel within a disc about a star; null at the border or where a channel has none. */
function discFlux(planes: readonly Raster[], star: Star, r: number): number[] | null {
  const { width, height } = planes[0];
  const x0 = Math.floor(star.x - r);
  const x1 = Math.ceil(star.x + r);
  const y0 = Math.floor(star.y - r);
  const y1 = Math.ceil(star.y + r);
  if (x0 < 0 || y0 < 0 || x1 >= width || y1 >= height) return null;
  const flux = planes.map(({ data }) => {
    let sum = 0;
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        if ((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y) <= r * r) sum += data[y * width + x];
      }
    }
    return sum;
  });
  return flux.every((v) => v > 0) ? flux : null;
}

/** Factors on R, G and B that make the typical star white; null where too few stars tell them. */
function balanceGains(layer: readonly Raster[], list: readonly Star[], fwhm: number) {
  const good = list.filter((s) => !s.saturated && s.snr >= minimumBalanceSnr).slice(0, maximumBalanceStars);
  const fluxes = good.map((star) => discFlux(layer, star, discInFwhm * fwhm)).filter((flux) => flux !== null);
  if (fluxes.length < minimumBalanceStars) return null;
  const gain = (c: number) => expPortable(biweightLocation(fluxes.map((flux) => logPortable(flux[1] / flux[c]))));
  return { gains: [gain(0), 1, gain(2)], stars: fluxes.length };
}

/** How the layer of stars is drawn. */
interface DrawSettings {
  readonly gains: readonly number[];
  readonly white: number;
  readonly bend: number;
  readonly strength: number;
  readonly saturation: number;
}

/** Screen the layer of stars over the planes of a picture. */
function drawStars(
  picture: readonly Float32Array[],
  layer: readonly Float32Array[],
  out: readonly Float32Array[],
  { gains, white, bend, strength, saturation }: DrawSettings,
): void {
  const top = asinhPortable(bend);
  const scale = 1 / white;
  const drawn = new Float64Array(3);
  for (let i = 0; i < out[0].length; i++) {
    const r = gains[0] * layer[0][i];
    const g = gains[1] * layer[1][i];
    const b = gains[2] * layer[2][i];
    const mean = (r + g + b) / 3 * scale;
    if (!(mean > 0)) {
      // What lies below the sky in a star's place is noise.
      for (let c = 0; c < 3; c++) out[c][i] = mean === mean ? picture[c][i] : NaN;
      continue;
    }
    const y = mean >= 1 ? 1 : asinhPortable(bend * mean) / top;
    const gain = saturation * y / mean * scale;
    const dr = gain * r - saturation * y;
    const dg = gain * g - saturation * y;
    const db = gain * b - saturation * y;
    const high = Math.max(dr, dg, db);
    const low = Math.min(dr, dg, db);
    // Colours that do not fit into 0 … 1 are drawn nearer to grey, their brightness kept.
    let keep = y + high > 1 ? (1 - y) / high : 1;
    if (y + keep * low < 0) keep = -y / low;
    drawn[0] = y + keep * dr;
    drawn[1] = y + keep * dg;
    drawn[2] = y + keep * db;
    for (let c = 0; c < 3; c++) out[c][i] = 1 - (1 - picture[c][i]) * (1 - strength * drawn[c]);
  }
}

function settleOptions(options: Partial<PlaceStarColoursOptions>): Readonly<PlaceStarColoursOptions> {
  const used = settle("placeStarColours", placeStarColoursDefaults, options);
  const { strength, saturation } = used;
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`placeStarColours: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(saturation >= 0)) throw new RangeError(`placeStarColours: saturation must be ≥ 0, but got ${saturation}`);
  for (const name of ["white", "bend"] as const) {
    const value = used[name];
    if (value === "automatic" || value > 0) continue;
    throw new RangeError(`placeStarColours: ${name} must be > 0 or "automatic", but got ${value}`);
  }
  return used;
}

/**
 * Put the stars of a broadband colour image over a picture made of lines, whose own stars have the colours of the
 * palette and no others: the stars are separated from the broadband image ({@linkcode separateStars}), the typical star
 * is made white, they are drawn by an asinh curve with its colour kept, and screened over the picture, 1 − (1 −
 * a)(1 − b).
 *
 * In:  a finished picture of three planes, best without stars, and a linear image with planes R, G, B of the same size
 * on the same grid. Out: like the picture, 0 … 1; NaN in either gives NaN. Cost: that of separating the stars, and
 * one pass.
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
 * const picture = placeStarColours(red, broadband, { balance: false, white: 3000 });
 * const made = picture.planes.map(({ data }) => data[50 * 96 + 40]);
 * assert.ok(made[2] > made[0] && made[0] > 0.5);
 * ```
 */
export function placeStarColours(
  picture: Image,
  broadband: Image,
  options: Partial<PlaceStarColoursOptions> = {},
): Image {
  requireDisplay("placeStarColours", picture);
  requireLinear("placeStarColours", broadband);
  requireSameSize("placeStarColours", picture, broadband);
  if (picture.planes.length !== 3) {
    throw new TypeError(`placeStarColours: picture must have three planes, but has ${picture.planes.length}`);
  }
  const used = settleOptions(options);
  const names = ["R", "G", "B"];
  const colour = derive(broadband, { planes: names.map((name) => planeOf(broadband, name)), variance: null }, {
    step: "takeChannels",
    options: { channels: names },
  });
  const { stars, list, fwhmPixels, noise } = separateStars(colour);
  const notes = [`${list.length} stars`];
  const balance = used.balance ? balanceGains(rastersOf(stars), list, fwhmPixels) : null;
  const gains = balance?.gains ?? [1, 1, 1];
  if (balance !== null) {
    notes.push(`gains R ${gains[0].toPrecision(4)}, B ${gains[2].toPrecision(4)} from ${balance.stars} stars`);
  } else if (used.balance) notes.push("too few stars to tell the balance; it was left as it is");
  const found = list.length === 0 ? 1 : quantile(list.map((s) => s.peak), whiteQuantile);
  const white = used.white === "automatic" ? found : used.white;
  const gentle = Math.max(1, white / (proportionalSigma * Math.max(noise, 1e-6 * white)));
  const bend = used.bend === "automatic" ? gentle : used.bend;
  const planes = picture.planes.map(({ channel }) => ({
    channel,
    data: allocatePlane(picture.width, picture.height),
  }));
  const [under, over, out] = [picture.planes, stars.planes, planes].map((each) => each.map(({ data }) => data));
  drawStars(under, over, out, { ...used, gains, white, bend });
  return derive([picture, stars], { planes }, {
    step: "placeStarColours",
    options: { ...used, white, bend },
    notes,
  });
}
