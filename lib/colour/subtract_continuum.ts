/** A line freed of the starlight that its filter let through as well. */
import { allocatePlane, derive, type Image, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { detectStars } from "../measure/detect_stars.ts";
import { measureSky } from "../measure/sky_level.ts";
import { smoothPlane } from "../measure/smooth_plane.ts";
import { biweightLocation } from "../stats/biweight.ts";

/** Options of {@linkcode subtractContinuum}. */
export interface SubtractContinuumOptions {
  /** Light of the continuum in the line's filter over that in the continuum's filter; NaN to measure it on the stars. */
  readonly scale: number;
  /** Share of the line's light that the continuum's filter holds as well, over that of the line's filter, times `scale`; 0 when the continuum's filter is free of the line. */
  readonly lineShare: number;
  /** Whether the sharper of the two is smoothed to the width of the other first. */
  readonly matchWidths: boolean;
}

/** What {@linkcode subtractContinuum} uses for an option left out: scale from the stars, a continuum free of the line, widths matched. */
export const subtractContinuumDefaults: Readonly<SubtractContinuumOptions> = Object.freeze({
  scale: NaN,
  lineShare: 0,
  matchWidths: true,
});

/** Signal in a disc above a ring's mean, for a star that both images show. */
function discLight(data: Float32Array, width: number, height: number, x: number, y: number, r: number): number {
  const x0 = Math.floor(x - 3 * r), x1 = Math.ceil(x + 3 * r), y0 = Math.floor(y - 3 * r), y1 = Math.ceil(y + 3 * r);
  if (x0 < 0 || y0 < 0 || x1 >= width || y1 >= height) return NaN;
  let sum = 0, area = 0, ring = 0, n = 0;
  for (let j = y0; j <= y1; j++) {
    for (let i = x0; i <= x1; i++) {
      const d = Math.sqrt((i - x) * (i - x) + (j - y) * (j - y)), v = data[j * width + i];
      if (d <= r) {
        sum += v;
        area++;
      } else if (d > 2 * r && d <= 3 * r) {
        ring += v;
        n++;
      }
    }
  }
  return n > 0 ? sum - area * ring / n : NaN;
}

/**
 * Subtract the continuum from a line image: L = (N − µ (C − sky)) / (1 − lineShare). µ is the typical ratio of the stars'
 * light in both (their light is continuum), or given. Star colours differ, so single stars leave ± 10 % of their light.
 *
 * In:  two linear images of one size and one plane each. Out: like the first. NaN in either gives NaN.
 * Cost: two star detections, at most one smoothing, one pass.
 * Exact form for a continuum filter that holds the line from its definition; the scale from stars is common practice.
 *
 * @throws {TypeError} if an image is a stretched picture or has several planes
 * @throws {RangeError} if sizes differ, an option is out of range, or the scale shall be measured and no stars are found
 *
 * @example A filter 20 times wider holds 20 times the continuum, and the line as well
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, createImage, subtractContinuum } from "faintlight";
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
  let n = line.planes[0].data, c = continuum.planes[0].data;
  const notes: string[] = [];
  const measured = Number.isNaN(used.scale);
  const stars = measured || matchWidths ? [detectStars(line), detectStars(continuum)] : [];
  if (matchWidths && stars.every((list) => list.stars.length >= 5)) {
    const [a, b] = stars.map((list) => list.fwhmPixels);
    // Widths of Gaussians add in squares; 5.545 = 8 ln 2.
    const sigma = Math.sqrt(Math.abs(a * a - b * b) / 5.545);
    if (sigma > 0.3) {
      if (a < b) n = smoothPlane(n, width, height, sigma);
      else c = smoothPlane(c, width, height, sigma);
      notes.push(`the ${a < b ? "line" : "continuum"} was smoothed by sigma ${sigma.toFixed(2)} to match widths`);
    }
  }
  let scale = used.scale;
  if (measured) {
    const [, wide] = stars, r = 1.5 * wide.fwhmPixels, ratios: number[] = [];
    for (const star of wide.stars.filter((s) => !s.saturated && s.snr > 30).slice(0, 300)) {
      const top = discLight(n, width, height, star.x, star.y, r),
        bottom = discLight(c, width, height, star.x, star.y, r);
      if (top === top && bottom > 0) ratios.push(top / bottom);
    }
    if (ratios.length < 5) {
      throw new RangeError(
        `subtractContinuum: at least 5 stars must show in the continuum, but got ${ratios.length}; give the scale`,
      );
    }
    scale = biweightLocation(ratios);
    notes.push(`scale ${scale.toPrecision(4)} from ${ratios.length} stars`);
  }
  if (!Number.isFinite(scale)) throw new RangeError(`subtractContinuum: scale must be a number, but got ${scale}`);
  const [sky] = measureSky({ ...continuum, planes: [{ channel: "continuum", data: c }] });
  const out = allocatePlane(width, height), factor = 1 / (1 - lineShare);
  for (let i = 0; i < out.length; i++) out[i] = factor * (n[i] - scale * (c[i] - sky.level));
  return derive([line, continuum], { planes: [{ ...line.planes[0], data: out }], variance: null }, {
    step: "subtractContinuum",
    options: { ...used, scale },
    notes,
  });
}
