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
   * Light of the continuum in the line's filter over that in the continuum's filter; NaN to measure it on the stars.
   */
  readonly scale: number;
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
  scale: NaN,
  lineShare: 0,
  matchWidths: true,
});

/**
 * Scatter of the ratio from star to star, for their colours differ (our own estimate for filters some ten nanometres
 * apart).
 */
const COLOUR_SCATTER = 0.1;
/** Brightest stars whose shapes are compared. */
const SHAPE_STARS = 60;
/**
 * Squared sigmas that are tried about the one the measured widths suggest: so many to each side, and their distance
 * over the squared radius of the discs.
 */
const WIDTH_STEPS = 4;
const WIDTH_STEP = 0.003;
/** Stars of which at least so many must tell the scale. */
const LEAST_STARS = 5;

/** Ratio of a star's light in both, by a fit over its disc that leaves a nebula's level, slope and curvature out. */
function starRatio(
  line: Float32Array,
  continuum: Float32Array,
  width: number,
  height: number,
  star: Star,
  r: number,
): PartialFit | null {
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
  const squares = apart.length >= LEAST_STARS
    ? median(apart)
    : first.fwhmPixels * first.fwhmPixels - second.fwhmPixels * second.fwhmPixels;
  // Widths of Gaussians add in squares; 5.545 = 8 ln 2.
  return squares / 5.545;
}

/** Median of the stars' ratios, each with the weight that its error and the scatter of colours leave it. */
function typicalRatio(fits: readonly PartialFit[]): number {
  const middle = median(fits.map(({ slope }) => slope));
  const scatter = COLOUR_SCATTER * middle;
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

/**
 * Subtract the continuum from a line image: L = (N − µ (C − sky)) / (1 − lineShare). µ is the typical ratio of the
 * stars' light in both (their light is continuum), or given. It is fitted over each star's disc beside a curved
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
  const { width, height } = line;
  let n = line.planes[0].data;
  let c = continuum.planes[0].data;
  const notes: string[] = [];
  const measured = Number.isNaN(used.scale);
  const stars = measured || matchWidths ? [detectStars(line), detectStars(continuum)] : [];
  let alike: readonly [Float32Array, Float32Array] = [n, c];
  const enough = stars.length > 0 && stars.every((list) => list.stars.length >= LEAST_STARS);
  const r = 2 * Math.max(...stars.map((list) => list.fwhmPixels).filter((v) => v === v));
  const clear = (stars[1]?.stars ?? []).filter((s) => !s.saturated && s.snr > 30).slice(0, 300);
  const fitsOf = ([a, b]: readonly [Float32Array, Float32Array], list: readonly Star[]) =>
    list.map((star) => starRatio(a, b, width, height, star, r)).filter((fit) => fit !== null);
  if (enough) {
    /** Both, one smoothed by a squared sigma: the continuum where it is above 0, else the line. */
    const smoothed = (square: number): readonly [Float32Array, Float32Array] => {
      const sigma = Math.sqrt(Math.abs(square));
      if (!(sigma > 0.2)) return [n, c];
      return square < 0 ? [gaussianSmooth(n, width, height, sigma), c] : [n, gaussianSmooth(c, width, height, sigma)];
    };
    /** How far the stars of both differ in shape: the typical error of their ratio over the ratio. */
    const unlike = (square: number) => {
      const fits = fitsOf(smoothed(square), clear.slice(0, SHAPE_STARS));
      return fits.length < LEAST_STARS ? Infinity : median(fits.map(({ slope, error }) => error / Math.abs(slope)));
    };
    // The widths as measured are the start; a nebula in the line widens what stands in it.
    const start = widthBetween(stars[0], stars[1]);
    const step = WIDTH_STEP * r * r;
    const tried = Array.from({ length: 2 * WIDTH_STEPS + 1 }, (_, k) => start + (k - WIDTH_STEPS) * step);
    const found = tried.map(unlike);
    const k = found.indexOf(Math.min(...found));
    const bend = (found[k - 1] ?? NaN) + (found[k + 1] ?? NaN) - 2 * found[k];
    const square = tried[k] + (bend > 0 ? 0.5 * step * (found[k - 1] - found[k + 1]) / bend : 0);
    alike = smoothed(square);
    if (matchWidths && (alike[0] !== n || alike[1] !== c)) {
      notes.push(
        `the ${square < 0 ? "line" : "continuum"} was smoothed by sigma ${
          Math.sqrt(Math.abs(square)).toFixed(2)
        } to match widths`,
      );
    }
  }
  let scale = used.scale;
  if (measured) {
    // The scale is measured where both are equally wide, whether or not they are subtracted so.
    const fits = fitsOf(alike, clear);
    if (fits.length < LEAST_STARS) {
      throw new RangeError(
        `subtractContinuum: at least ${LEAST_STARS} stars must show in the continuum, but got ${fits.length}; give the scale`,
      );
    }
    scale = typicalRatio(fits);
    notes.push(`scale ${scale.toPrecision(4)} from ${fits.length} stars`);
  }
  if (matchWidths) [n, c] = alike;
  if (!Number.isFinite(scale)) throw new RangeError(`subtractContinuum: scale must be a number, but got ${scale}`);
  const [sky] = measureSky({ ...continuum, planes: [{ channel: "continuum", data: c }] });
  const out = allocatePlane(width, height);
  const factor = 1 / (1 - lineShare);
  for (let i = 0; i < out.length; i++) out[i] = factor * (n[i] - scale * (c[i] - sky.level));
  return derive([line, continuum], { planes: [{ ...line.planes[0], data: out }], variance: null }, {
    step: "subtractContinuum",
    options: { ...used, scale },
    notes,
  });
}
