/** The mean star of a frame, as a profile over elliptical radius. */
import { fitMoffatProfile, moffatFlux, moffatFwhm, type MoffatProfile } from "./moffat.ts";
import { type Ellipse, leastVariance } from "./moments.ts";
import { fwhmPerSigma } from "../core/constants.ts";
import type { Sampling } from "../core/sampling.ts";
import type { Candidate } from "./search_stars.ts";

/** Width of a bin in units of the star's Gaussian sigma. */
const BIN = 0.25;
const BINS = 26;
/** Radius of the core, in sigma: half maximum lies at 1.1 … 1.2. */
const CORE = 2.3;
/** The wings are fitted to here, in sigma: beyond, an error of the sky outweighs them. */
const WINGS = 4;
/**
 * Light counts to here, in FWHM: 0.95 of a star's in real air. Further out it rests on the fit to the wings; to 3 FWHM
 * the light of all stars of a frame changed more from frame to frame (2.0 % against 1.6 % on simulated frames full of
 * nebula).
 */
const APERTURE = 2;
/** At most this many of the brightest clean stars: their pixels outnumber what three parameters need a hundredfold. */
const MOST_STARS = 40;
/**
 * A star counts by the square of its signal-to-noise ratio, up to this: beyond it its own peculiarities weigh more
 * than its noise.
 */
const FULL_WEIGHT = 100;

/**
 * What is known of beta where the stars do not tell: real telescopes have 2.5 to 4, still air 4.8 (Trujillo et al.
 * 2001, MNRAS 328, 977). Without it the wings of faint stars, fitted to noise, change the light of all stars of a
 * frame by two per cent.
 */
const USUAL = { beta: 3.3, spread: 0.2 };

/** Error of the sky under the stars that all of them may share, in units of the noise of a pixel. */
const SKY_ERROR = 0.1;

/**
 * Profile of a frame's stars, radius in units of the sigma of each star's matched Gaussian, height in units of its
 * height.
 */
export interface FrameProfile {
  /** Mean radius of the pixels in each bin. */
  readonly radius: Float64Array;
  /** Mean sample in each bin; NaN where there was none. */
  readonly value: Float64Array;
  /** Moffat profile through it. */
  readonly moffat: MoffatProfile;
  /** FWHM over the matched sigma. */
  readonly fwhmPerSigma: number;
  /** Light within 2 FWHM over that of the matched Gaussian, 2π · height · sigma². */
  readonly lightPerGaussian: number;
  /** Number of stars used. */
  readonly stars: number;
}

/** Profile of a Gaussian: what is assumed when no star is bright enough to tell. */
const gaussianProfile: FrameProfile = Object.freeze({
  radius: new Float64Array(0),
  value: new Float64Array(0),
  moffat: Object.freeze({ height: 1, alpha: Math.sqrt(40), beta: 20 }),
  fwhmPerSigma,
  lightPerGaussian: 1,
  stars: 0,
});

/** Pile up the brightest clean stars and fit the profile. */
export function frameProfile(
  sampling: Sampling,
  stars: readonly Candidate[],
  frame: Ellipse | null,
  noise: number,
): FrameProfile {
  const { data, width, height, parity } = sampling;
  const sum = new Float64Array(BINS);
  const radii = new Float64Array(BINS);
  const count = new Float64Array(BINS);
  const spread = new Float64Array(BINS);
  const sky = new Float64Array(BINS);
  const chosen: Candidate[] = [];
  for (const star of stars) {
    if (!star.shaped || star.saturated || star.snr < 12) continue;
    chosen.push(star);
    if (chosen.length === MOST_STARS) break;
  }
  if (chosen.length === 0) return gaussianProfile;
  const step = parity === -1 ? 1 : 2;
  const reach = BIN * BINS;
  // Where pixels are coarse the size of a single star depends on where it fell on them: let all share the frame's.
  const shared = frame !== null && Math.sqrt(frame.xx * frame.yy - frame.xy ** 2) < 2 * leastVariance(sampling)
    ? frame
    : null;
  for (const star of chosen) {
    const { xx, xy, yy } = shared ?? star;
    const det = xx * yy - xy * xy;
    const ixx = yy / det;
    const ixy = -xy / det;
    const iyy = xx / det;
    const rx = reach * Math.sqrt(xx);
    const ry = reach * Math.sqrt(yy);
    const height1 = star.height * Math.sqrt((star.xx * star.yy - star.xy * star.xy) / det);
    const weight = Math.min(1, (star.snr / FULL_WEIGHT) ** 2);
    const variance = (weight * noise / height1) ** 2;
    const unsure = SKY_ERROR * weight * noise / height1;
    const left = Math.max(0, Math.ceil(star.x - rx));
    const right = Math.min(width - 1, Math.floor(star.x + rx));
    for (let y = Math.max(0, Math.ceil(star.y - ry)); y <= Math.min(height - 1, Math.floor(star.y + ry)); y++) {
      const dy = y - star.y;
      for (let x = left + (parity !== -1 && ((left + y) & 1) !== parity ? 1 : 0); x <= right; x += step) {
        const dx = x - star.x;
        const u = Math.sqrt(Math.max(0, ixx * dx * dx + 2 * ixy * dx * dy + iyy * dy * dy));
        const bin = Math.floor(u / BIN);
        const v = (data[y * width + x] - star.background) / height1;
        // Far out a neighbour would show: leave out what no wing reaches.
        if (bin >= BINS || v !== v || (u > 3 && v > 0.25)) continue;
        sum[bin] += weight * v;
        radii[bin] += weight * u;
        count[bin] += weight;
        spread[bin] += variance;
        sky[bin] += unsure;
      }
    }
  }
  const radius = radii.map((each, i) => each / count[i]);
  const value = sum.map((each, i) => each / count[i]);
  const known = [...count.keys()].filter((i) => count[i] > 0);
  // Inverse variances, with what no number of pixels removes: the profile is no Moffat to the last per cent, and the
  // sky not known.
  const trust = value.map((each, i) =>
    1 / ((spread[i] + sky[i] ** 2) / count[i] ** 2 + (0.005 * each) ** 2 + 0.0015 ** 2)
  );
  const fit = (bins: readonly number[]) =>
    fitMoffatProfile(bins.map((i) => radius[i]), bins.map((i) => value[i]), bins.map((i) => trust[i]), USUAL);
  const moffat = fit(known.filter((i) => radius[i] < WINGS));
  if (moffat === null) return gaussianProfile;
  // No telescope's wings are those of its core: the width is read off a fit to the core alone.
  const core = fit(known.filter((i) => radius[i] < CORE)) ?? moffat;
  const fwhmPerSigma = core.alpha * moffatFwhm(core.beta);
  const light = moffat.height * moffat.alpha ** 2 * moffatFlux(moffat.beta, APERTURE * moffatFwhm(moffat.beta));
  return { radius, value, moffat, fwhmPerSigma, lightPerGaussian: light / (2 * Math.PI), stars: chosen.length };
}

/** Width of a ring of {@linkcode halfFluxRadius}, pixels; pixels within the second number of the centre are split. */
const RING = 0.5;
const SPLIT_WITHIN = 3;

/**
 * Radius that holds half of the light found within `most` pixels: mean level of rings half a pixel wide times their
 * area, summed outwards and interpolated. Pixels near the centre are split 5 × 5, because a ring there is smaller than
 * a pixel; further out each is spread over its width along the radius.
 */
export function halfFluxRadius(sampling: Sampling, x0: number, y0: number, background: number, most: number): number {
  const { data, width, height, parity } = sampling;
  const rings = Math.max(4, Math.ceil(most / RING));
  const sum = new Float64Array(rings + 3);
  const count = new Float64Array(rings + 3);
  const step = parity === -1 ? 1 : 2;
  const far = most + 0.5;
  const far2 = far * far;
  const left = Math.max(0, Math.floor(x0 - most));
  const right = Math.min(width - 1, Math.ceil(x0 + most));
  for (let y = Math.max(0, Math.floor(y0 - most)); y <= Math.min(height - 1, Math.ceil(y0 + most)); y++) {
    const dy = y - y0;
    for (let x = left + (parity !== -1 && ((left + y) & 1) !== parity ? 1 : 0); x <= right; x += step) {
      const v = data[y * width + x] - background;
      const dx = x - x0;
      const r2 = dx * dx + dy * dy;
      if (v !== v || r2 > far2) continue;
      if (r2 < SPLIT_WITHIN * SPLIT_WITHIN) {
        const part = v * 0.04;
        for (let j = -2; j <= 2; j++) {
          const ey = dy + j * 0.2;
          const ey2 = ey * ey;
          for (let i = -2; i <= 2; i++) {
            const ex = dx + i * 0.2 * step;
            const bin = (Math.sqrt(ex * ex + ey2) / RING) | 0;
            sum[bin] += part;
            count[bin] += 0.04;
          }
        }
      } else {
        // Two rings wide: half in the one it lies in, the rest in those next to it by its place between them.
        const at = Math.sqrt(r2) / RING;
        const bin = at | 0;
        const share = (at - bin) / 2;
        sum[bin - 1] += v * (0.5 - share);
        count[bin - 1] += 0.5 - share;
        sum[bin] += v * 0.5;
        count[bin] += 0.5;
        sum[bin + 1] += v * share;
        count[bin + 1] += share;
      }
    }
  }
  const light = new Float64Array(rings + 1);
  for (let k = 0; k < rings; k++) {
    const level = count[k] > 0 ? sum[k] / count[k] : 0;
    light[k + 1] = light[k] + level * Math.PI * RING * RING * (2 * k + 1);
  }
  const half = light[rings] / 2;
  if (!(half > 0)) return NaN;
  let k = 0;
  while (k < rings && light[k + 1] < half) k++;
  // Within a ring of even light the flux grows with the area: interpolate in r².
  const part = (half - light[k]) / (light[k + 1] - light[k]);
  const inner = (k * RING) ** 2;
  const outer = ((k + 1) * RING) ** 2;
  return Math.sqrt(inner + part * (outer - inner));
}
