/** White balance from the stars of the field. */
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { expPortable, logPortable } from "../kernels/elementary.ts";
import { planckPhotons } from "../sky/black_body.ts";
import { detectStars } from "../stars/detect_stars.ts";
import { measureSky } from "../measure/sky_level.ts";
import { biweightLocation } from "../stats/biweight.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import { applyGains } from "./equalise_channels.ts";

/** Options of {@linkcode measureStarBalance} and {@linkcode balanceStars}. */
export interface StarBalanceOptions {
  /**
   * `mean`: the typical star is white. `locus`: the stars lie on the line of black bodies, their typical temperature is
   * `starKelvin`, and `whiteKelvin` is white; needs R, G, B.
   */
  readonly method: "mean" | "locus";
  /** Temperature of the typical star of the field, kelvin. */
  readonly starKelvin: number;
  /** Temperature that is drawn white, kelvin. */
  readonly whiteKelvin: number;
  /** Effective wavelengths of R, G, B, nanometres. */
  readonly wavelengths: readonly [number, number, number];
  /** Least signal-to-noise ratio of a star that counts. */
  readonly minimumSnr: number;
  /** Stars that count, at most, the brightest that are not saturated. */
  readonly maximumStars: number;
}

/**
 * What balanceStars uses for an option left out. The typical field star has B − V near 0.65 and so about 5770 K
 * (Ballesteros 2012, EPL 97, 34008), the temperature of the sun (IAU 2015 nominal 5772 K), which is drawn white; the
 * wavelengths are those of common colour sensors (common practice, no source); a ratio of 40 gives a colour to 4 %.
 */
export const starBalanceDefaults: Readonly<StarBalanceOptions> = Object.freeze({
  method: "mean",
  starKelvin: 5772,
  whiteKelvin: 5772,
  wavelengths: Object.freeze([620, 530, 460] as const),
  minimumSnr: 40,
  maximumStars: 400,
});

/** Options of {@linkcode balanceStars}. */
export interface BalanceStarsOptions extends StarBalanceOptions {
  /**
   * What the stars say; "automatic" asks {@linkcode measureStarBalance}. A part is balanced as the whole by the
   * whole's.
   */
  readonly balance: StarBalance | "automatic";
}

/** What {@linkcode balanceStars} uses for an option left out. */
export const balanceStarsDefaults: Readonly<BalanceStarsOptions> = Object.freeze({
  ...starBalanceDefaults,
  balance: "automatic",
});

/** Stars that a balance needs. */
const minimumStars = 5;

/** What the stars say about the balance. */
export interface StarBalance {
  /** Channels. */
  readonly channels: readonly string[];
  /** Gain of each channel; green, or the first without a green, has 1. */
  readonly gains: readonly number[];
  /** Level of the sky in each channel. */
  readonly sky: readonly number[];
  /** Stars used. */
  readonly stars: number;
  /** Scatter of the stars' ln(channel / reference) about the typical star, for each channel. */
  readonly scatter: readonly number[];
  /** Facts a reader should know. */
  readonly notes: readonly string[];
}

/**
 * Flux within 1.2 FWHM less the median of a ring, for each channel; null near the border or where data are missing.
 */
function starFlux(image: Image, star: Star, fwhm: number): number[] | null {
  const { width, height } = image;
  const r = 1.2 * fwhm;
  const inner = 2.5 * fwhm;
  const outer = 4 * fwhm;
  const x0 = Math.floor(star.x - outer);
  const x1 = Math.ceil(star.x + outer);
  const y0 = Math.floor(star.y - outer);
  const y1 = Math.ceil(star.y + outer);
  if (x0 < 0 || y0 < 0 || x1 >= width || y1 >= height) return null;
  const ring = new Float64Array((x1 - x0 + 1) * (y1 - y0 + 1));
  const flux: number[] = [];
  for (const { data } of image.planes) {
    let n = 0;
    let sum = 0;
    let area = 0;
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        const d = Math.sqrt((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y));
        const v = data[y * width + x];
        if (d <= r + 0.5) {
          // A pixel at the rim counts by the share of it that lies inside, near enough a straight edge.
          const share = Math.min(1, r + 0.5 - d);
          sum += share * v;
          area += share;
        } else if (d >= inner && d <= outer && v === v) ring[n++] = v;
      }
    }
    if (n < 10 || sum !== sum) return null;
    flux.push(sum - area * medianInPlace(ring, n));
  }
  return flux;
}

/** ln(channel / reference) of each good star, one list a channel. */
function starColours(image: Image, reference: number, used: StarBalanceOptions): number[][] {
  const list = detectStars(image, { channel: image.planes[reference].channel });
  const good = list.stars.filter((s) => !s.saturated && s.snr >= used.minimumSnr).slice(0, used.maximumStars);
  const colours: number[][] = image.planes.map(() => []);
  for (const star of good) {
    const flux = starFlux(image, star, list.fwhmPixels);
    if (flux === null || flux.some((v) => !(v > 0))) continue;
    flux.forEach((v, c) => colours[c].push(logPortable(v / flux[reference])));
  }
  return colours;
}

/** A colour: ln(R/G) and ln(B/G). */
type LogColour = readonly [redness: number, blueness: number];

/** Colour of a black body. */
function locusAt(kelvin: number, wavelengths: StarBalanceOptions["wavelengths"]): LogColour {
  const [r, g, b] = wavelengths.map((w) => planckPhotons(w, kelvin));
  return [logPortable(r / g), logPortable(b / g)];
}

/** The point of the line of black bodies that lies nearest to a colour, by golden section in ln temperature. */
function nearestOnLocus([x, y]: LogColour, wavelengths: StarBalanceOptions["wavelengths"]): LogColour {
  let low = logPortable(1500);
  let high = logPortable(40000);
  const squaredDistance = (t: number) => {
    const [qx, qy] = locusAt(expPortable(t), wavelengths);
    return (qx - x) * (qx - x) + (qy - y) * (qy - y);
  };
  for (let iteration = 0; iteration < 40; iteration++) {
    const a = low + (high - low) * 0.382;
    const b = low + (high - low) * 0.618;
    if (squaredDistance(a) < squaredDistance(b)) high = b;
    else low = a;
  }
  return locusAt(expPortable((low + high) / 2), wavelengths);
}

/**
 * What moves the cloud of colours onto the line of black bodies, the typical star to its temperature, and white to 0.
 * Along the line the typical colour decides, across it the median distance of the stars from the curved line.
 */
function shiftToLocus(
  colours: readonly LogColour[],
  typical: LogColour,
  { starKelvin, whiteKelvin, wavelengths }: StarBalanceOptions,
): LogColour {
  const [starX, starY] = locusAt(starKelvin, wavelengths);
  const [hotX, hotY] = locusAt(starKelvin * 1.05, wavelengths);
  const [whiteX, whiteY] = locusAt(whiteKelvin, wavelengths);
  // Across the line: the unit vector normal to it at the typical star.
  const length = Math.sqrt((hotX - starX) * (hotX - starX) + (hotY - starY) * (hotY - starY));
  const nx = -(hotY - starY) / length;
  const ny = (hotX - starX) / length;
  const shiftX = starX - typical[0];
  const shiftY = starY - typical[1];
  const across = colours.map(([x, y]) => {
    const px = x + shiftX;
    const py = y + shiftY;
    const [qx, qy] = nearestOnLocus([px, py], wavelengths);
    return (px - qx) * nx + (py - qy) * ny;
  });
  const move = biweightLocation(across);
  return [shiftX - move * nx - whiteX, shiftY - move * ny - whiteY];
}

/**
 * Measure from the stars which gains make the typical star white. The channels' skies are measured on the way.
 *
 * In:  linear, gradient removed, at least two planes. Cost: a star detection and some thousand small apertures.
 * Method: `mean` takes the biweight location of ln(channel / reference) over the stars; `locus` moves the cloud of
 * colours across the line of black bodies first, and only the place along it rests on `starKelvin`.
 *
 * @throws {TypeError} if the image is a stretched picture, has one plane, or lacks R, G, B for `locus`
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage } from "faintlight/extend";
 * import { measureStarBalance } from "faintlight/parts";
 * import { randomStream } from "faintlight/stats";
 *
 * const gains = [2, 1, 4], size = 160, random = randomStream(1);
 * const planes = ["R", "G", "B"].map((channel, c) => ({
 *   channel,
 *   data: Float32Array.from({ length: size * size }, (_, i) => {
 *     const x = i % size % 32 - 15.2, y = Math.floor(i / size) % 32 - 15.2;
 *     return 100 + 2 * random.gaussian() + 4000 / gains[c] * Math.exp(-(x * x + y * y) / 4);
 *   }),
 * }));
 * const found = measureStarBalance(createImage({ width: size, height: size, unit: "adu", planes }));
 * assert.ok(found.stars >= 9 && found.gains.every((gain, c) => Math.abs(gain / gains[c] - 1) < 0.02));
 * ```
 */
export function measureStarBalance(image: Image, options: Partial<StarBalanceOptions> = {}): StarBalance {
  const used = settle("measureStarBalance", starBalanceDefaults, options);
  requireLinear("measureStarBalance", image);
  const { method, starKelvin, whiteKelvin, minimumSnr } = used;
  const channels = image.planes.map((plane) => plane.channel);
  if (channels.length < 2) throw new TypeError("measureStarBalance: image must have at least two planes, but has one");
  if (method !== "mean" && method !== "locus") {
    throw new RangeError(`measureStarBalance: method must be "mean" or "locus", but got ${JSON.stringify(method)}`);
  }
  if (!(starKelvin >= 1000 && whiteKelvin >= 1000)) {
    throw new RangeError(`measureStarBalance: temperatures must be ≥ 1000 K, but got ${starKelvin} and ${whiteKelvin}`);
  }
  if (!(minimumSnr > 0)) throw new RangeError(`measureStarBalance: minimumSnr must be > 0, but got ${minimumSnr}`);
  const rgb = ["R", "G", "B"].map((name) => channels.indexOf(name));
  if (method === "locus" && rgb.some((index) => index < 0)) {
    throw new TypeError(`measureStarBalance: method "locus" must have R, G, B, but got ${channels.join(", ")}`);
  }
  const reference = Math.max(0, channels.indexOf("G"));
  const sky = measureSky(image).map((each) => each.level);
  const colours = starColours(image, reference, used);
  const stars = colours[0].length;
  if (stars < minimumStars) {
    const notes = [`only ${stars} stars were good enough to tell the balance; it was left as it is`];
    return { channels, gains: channels.map(() => 1), sky, stars, scatter: channels.map(() => NaN), notes };
  }
  const notes = stars < 20 ? [`the balance rests on ${stars} stars only`] : [];
  const typical = colours.map((values) => biweightLocation(values));
  const scatter = colours.map((values, c) => {
    const away = Float64Array.from(values, (v) => Math.abs(v - typical[c]));
    return madSigmaFactor * medianInPlace(away);
  });
  const logGain = typical.map((v) => -v);
  if (method === "locus") {
    const [ir, ig, ib] = rgb;
    const shift = shiftToLocus(
      colours[ir].map((v, k) => [v - colours[ig][k], colours[ib][k] - colours[ig][k]] as const),
      [typical[ir] - typical[ig], typical[ib] - typical[ig]],
      used,
    );
    logGain[ir] = shift[0];
    logGain[ib] = shift[1];
    logGain[ig] = 0;
  }
  const gains = logGain.map((v) => expPortable(v - logGain[reference]));
  return { channels, gains, sky, stars, scatter, notes };
}

/**
 * Balance the channels so that the stars have their colours: each channel is multiplied about its own sky, and all
 * skies are set to their mean, so that the sky is neutral by subtraction and never by a gain.
 *
 * In:  linear, gradient removed, at least two planes. Out: same shape and unit; NaN stays NaN; variance scaled. The
 * gains stand in the notes. With fewer than five good stars only the sky is made neutral.
 *
 * @throws {TypeError} if the image is a stretched picture, has one plane, or lacks R, G, B for `locus`
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { balanceStars } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const planes = ["R", "G", "B"].map((channel, c) => ({ channel, data: new Float32Array(64 * 64).fill(10 + c) }));
 * const balanced = balanceStars(createImage({ width: 64, height: 64, unit: "adu", planes }));
 * assert.deepEqual(balanced.planes.map((plane) => plane.data[0]), [11, 11, 11]);
 * ```
 */
export function balanceStars(image: Image, options: Partial<BalanceStarsOptions> = {}): Image {
  const used = settle("balanceStars", balanceStarsDefaults, options);
  const { balance, ...measuring } = used;
  const { gains, sky, stars, notes } = balance === "automatic" ? measureStarBalance(image, measuring) : balance;
  requireLinear("balanceStars", image);
  if (gains.length !== image.planes.length) {
    throw new RangeError(
      `balanceStars: balance must have ${image.planes.length} gains like the image planes, but got ${gains.length}`,
    );
  }
  const common = sky.reduce((sum, each) => sum + each, 0) / sky.length;
  const entry = { step: "balanceStars", options: used, notes: [`${stars} stars`, ...notes] };
  return applyGains(image, { gains, sky, common }, entry);
}
