/** A line freed of the starlight that its filter let through as well. */
import { allocatePlane, derive, type Image, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { detectStars, type StarList } from "../stars/detect_stars.ts";
import { measureSky } from "../measure/sky_level.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { median } from "../stats/median.ts";
import { type PartialFit, partialFit } from "../stats/partial_fit.ts";

/** Options of {@linkcode subtractContinuum}. */
export interface SubtractContinuumOptions {
  /**
   * Flux of the continuum in the line's filter over that in the continuum's filter; `"automatic"` to measure it on the
   * stars.
   */
  readonly scale: number | "automatic";
  /**
   * Share of the line's light that the continuum's filter holds as well, over that of the line's filter, times
   * `scale`; 0 when the continuum's filter is free of the line.
   */
  readonly lineShare: number;
  /** Whether the sharper of the two is smoothed to the width of the other first. */
  readonly matchWidths: boolean;
}

/**
 * What {@linkcode subtractContinuum} uses for an option left out: scale from the stars, a continuum free of the line,
 * widths matched.
 */
export const subtractContinuumDefaults: Readonly<SubtractContinuumOptions> = Object.freeze({
  scale: "automatic",
  lineShare: 0,
  matchWidths: true,
});

/**
 * Scatter of the ratio from star to star, for their colours differ (our own estimate for filters some ten nanometres
 * apart).
 */
const colourScatter = 0.1;
/** Brightest stars whose shapes are compared. */
const maximumShapeStars = 60;
/**
 * Squared sigmas that are tried about the one the measured widths suggest: so many to each side, and their distance
 * over the squared radius of the discs.
 */
const widthStepsEachSide = 4;
const widthStepShare = 0.003;
/** Stars of which at least so many must tell the scale. */
const minimumStars = 5;

/** Planes of the line and of the continuum. */
type Pair = readonly [line: Float32Array, continuum: Float32Array];

/** Ratio of a star's flux in both, by a fit over its disc that leaves a nebula's level, slope and curvature out. */
function starRatio([line, continuum]: Pair, width: number, height: number, star: Star, r: number): PartialFit | null {
  const x0 = Math.ceil(star.x - r);
  const x1 = Math.floor(star.x + r);
  const y0 = Math.ceil(star.y - r);
  const y1 = Math.floor(star.y + r);
  if (x0 < 0 || y0 < 0 || x1 >= width || y1 >= height) return null;
  const dx: number[] = [];
  const dy: number[] = [];
  const wide: number[] = [];
  const narrow: number[] = [];
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const c = continuum[y * width + x];
      const n = line[y * width + x];
      if ((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y) > r * r) continue;
      if (c !== c || n !== n) return null;
      dx.push(x - star.x);
      dy.push(y - star.y);
      wide.push(c);
      narrow.push(n);
    }
  }
  const fit = partialFit(dx, dy, wide, narrow);
  return fit.error < Infinity ? fit : null;
}

/**
 * How much wider the first image's stars are, in squared standard deviations of a Gaussian, by the stars that both
 * show.
 */
function widthBetween(first: StarList, second: StarList): number {
  const clear = (list: StarList) => list.stars.filter((s) => !s.saturated && s.snr > 30).slice(0, 300);
  const others = clear(second);
  const apart: number[] = [];
  for (const a of clear(first)) {
    // What only one of them shows may be a knot of the line.
    const b = others.find((b) => (a.x - b.x) * (a.x - b.x) + (a.y - b.y) * (a.y - b.y) < 2);
    if (b !== undefined) apart.push(a.fwhmPixels * a.fwhmPixels - b.fwhmPixels * b.fwhmPixels);
  }
  const squares = apart.length >= minimumStars
    ? median(apart)
    : first.fwhmPixels * first.fwhmPixels - second.fwhmPixels * second.fwhmPixels;
  // Widths of Gaussians add in squares; 5.545 = 8 ln 2.
  return squares / 5.545;
}

/** Median of the stars' ratios, each with the weight that its error and the scatter of colours leave it. */
function typicalRatio(fits: readonly PartialFit[]): number {
  const middle = median(fits.map(({ slope }) => slope));
  const scatter = colourScatter * middle;
  const sorted = fits.map(({ slope, error }) => ({ slope, weight: 1 / (error * error + scatter * scatter) }))
    .sort((a, b) => a.slope - b.slope);
  const half = sorted.reduce((sum, { weight }) => sum + weight, 0) / 2;
  let sum = 0;
  for (const { slope, weight } of sorted) {
    sum += weight;
    if (sum >= half) return slope;
  }
  return middle;
}

/** The stars of a line image and of its continuum. */
class SharedStars {
  readonly #line: StarList;
  readonly #continuum: StarList;
  readonly #width: number;
  readonly #height: number;
  /** Radius of the discs that stars are compared over. */
  readonly #r: number;
  /** Stars of the continuum that are clear of its noise. */
  readonly #clear: readonly Star[];

  constructor(line: Image, continuum: Image) {
    this.#line = detectStars(line);
    this.#continuum = detectStars(continuum);
    this.#width = line.width;
    this.#height = line.height;
    this.#r = 2 * Math.max(...[this.#line, this.#continuum].map((list) => list.fwhmPixels).filter((v) => v === v));
    this.#clear = this.#continuum.stars.filter((s) => !s.saturated && s.snr > 30).slice(0, 300);
  }

  /** Ratio of each clear star's flux in both, or of the first of them. */
  fits(pair: Pair, count = Infinity): PartialFit[] {
    return this.#clear.slice(0, count)
      .map((star) => starRatio(pair, this.#width, this.#height, star, this.#r)).filter((fit) => fit !== null);
  }

  /** Both, one smoothed by a squared sigma: the continuum where it is above 0, else the line. */
  #smoothed(pair: Pair, square: number): Pair {
    const [n, c] = pair;
    const sigma = Math.sqrt(Math.abs(square));
    if (!(sigma > 0.2)) return pair;
    return square < 0
      ? [gaussianSmooth(n, this.#width, this.#height, sigma), c]
      : [n, gaussianSmooth(c, this.#width, this.#height, sigma)];
  }

  /** How far the stars of both differ in shape: the typical error of their ratio over the ratio. */
  #unlike(pair: Pair): number {
    const fits = this.fits(pair, maximumShapeStars);
    return fits.length < minimumStars ? Infinity : median(fits.map(({ slope, error }) => error / Math.abs(slope)));
  }

  /** Smooth the sharper one until the stars look most alike; both as they are where stars are missing. */
  matchWidths(pair: Pair): { readonly pair: Pair; readonly square: number } {
    if (Math.min(this.#line.stars.length, this.#continuum.stars.length) < minimumStars) return { pair, square: 0 };
    // The widths as measured are the start; a nebula in the line widens what stands in it.
    const start = widthBetween(this.#line, this.#continuum);
    const step = widthStepShare * this.#r * this.#r;
    const tried = Array.from({ length: 2 * widthStepsEachSide + 1 }, (_, k) => start + (k - widthStepsEachSide) * step);
    const found = tried.map((square) => this.#unlike(this.#smoothed(pair, square)));
    const k = found.indexOf(Math.min(...found));
    const bend = (found[k - 1] ?? NaN) + (found[k + 1] ?? NaN) - 2 * found[k];
    const square = tried[k] + (bend > 0 ? 0.5 * step * (found[k - 1] - found[k + 1]) / bend : 0);
    return { pair: this.#smoothed(pair, square), square };
  }
}

/**
 * Subtract the continuum from a line image: L = (N − µ (C − sky)) / (1 − lineShare). µ is the typical ratio of the
 * stars' flux in both (their light is continuum), or given. It is fitted over each star's disc beside a curved
 * surface, so that the line's glow about a star does not count. Star colours differ, so single stars leave ± 10 % of
 * their light.
 *
 * In:  two linear images of one size and one plane each. Out: like the first. NaN in either gives NaN.
 * Cost: two star detections, ten smoothings, one pass.
 * Exact form for a continuum filter that holds the line from its definition; the scale from stars is common practice.
 *
 * @throws {TypeError} if an image is a stretched picture or has several planes
 * @throws {RangeError} if sizes differ, an option is out of range, or the scale shall be measured and no stars are
 * found
 *
 * @example A filter 20 times wider holds 20 times the continuum, and the line as well
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, subtractContinuum } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const line = constantImage(4, 4, 100), data = new Float32Array(16).fill(1050);
 * data[0] = data[1] = data[2] = 0; // some free sky
 * const wide = createImage({ width: 4, height: 4, unit: "adu", planes: [{ channel: "L", data }] });
 * const free = subtractContinuum(line, wide, { scale: 0.05, lineShare: 0.05, matchWidths: false });
 * assert.ok(free.planes[0].data[0] > free.planes[0].data[15]);
 * ```
 */
export function subtractContinuum(
  line: Image,
  continuum: Image,
  options: Partial<SubtractContinuumOptions> = {},
): Image {
  const used = settle("subtractContinuum", subtractContinuumDefaults, options);
  requireLinear("subtractContinuum", line);
  requireLinear("subtractContinuum", continuum);
  requireSameSize("subtractContinuum", line, continuum);
  for (const image of [line, continuum]) {
    if (image.planes.length !== 1) {
      throw new TypeError(`subtractContinuum: images must have one plane, but got ${image.planes.length}`);
    }
  }
  const { lineShare, matchWidths } = used;
  if (!(lineShare >= 0 && lineShare < 1)) {
    throw new RangeError(`subtractContinuum: lineShare must lie within 0 … 1, but got ${lineShare}`);
  }
  const notes: string[] = [];
  const measured = used.scale === "automatic";
  const given: Pair = [line.planes[0].data, continuum.planes[0].data];
  const shared = measured || matchWidths ? new SharedStars(line, continuum) : null;
  const { pair: alike, square } = shared?.matchWidths(given) ?? { pair: given, square: 0 };
  if (matchWidths && alike !== given) {
    const sigma = Math.sqrt(Math.abs(square)).toFixed(2);
    notes.push(`the ${square < 0 ? "line" : "continuum"} was smoothed by sigma ${sigma} to match widths`);
  }
  // The scale is measured where both are equally wide, whether or not they are subtracted so.
  const fits = measured ? shared?.fits(alike) ?? [] : [];
  if (measured && fits.length < minimumStars) {
    throw new RangeError(
      `subtractContinuum: at least ${minimumStars} stars must show in the continuum, but got ${fits.length}; ` +
        "give the scale",
    );
  }
  const scale = used.scale === "automatic" ? typicalRatio(fits) : used.scale;
  if (measured) notes.push(`scale ${scale.toPrecision(4)} from ${fits.length} stars`);
  if (!Number.isFinite(scale)) throw new RangeError(`subtractContinuum: scale must be a number, but got ${scale}`);
  const [n, c] = matchWidths ? alike : given;
  const [sky] = measureSky({ ...continuum, planes: [{ channel: "continuum", data: c }] });
  const { width, height } = line;
  const out = allocatePlane(width, height);
  const factor = 1 / (1 - lineShare);
  for (let i = 0; i < out.length; i++) out[i] = factor * (n[i] - scale * (c[i] - sky.level));
  return derive([line, continuum], { planes: [{ ...line.planes[0], data: out }], variance: null }, {
    step: "subtractContinuum",
    options: { ...used, scale },
    notes,
  });
}
