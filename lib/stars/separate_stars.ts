/** Stars and what lies behind them, as two images whose sum is the original. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { pack, type Packed, unpack } from "../kernels/bands.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { detectStars, type StarList } from "./detect_stars.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianNeighbourDifference } from "../stats/neighbour_difference.ts";
import { partialFit } from "../stats/partial_fit.ts";
import { medianInPlace } from "../stats/samples.ts";
import { fillHoles } from "../filters/inpaint.ts";
import { measureProfile, placeOf, profileAt, radiusAt, type StarPlace, type StarProfile } from "./star_profile.ts";

/** Options of {@linkcode separateStars}. */
export interface SeparateStarsOptions {
  /** Least signal-to-noise ratio of a star that is taken out. */
  readonly detectionSigma: number;
  /**
   * Samples at or above this level are saturated, in the unit of the image; NaN when not known (clipped tops are seen
   * all the same).
   */
  readonly saturationLevel: number;
  /**
   * A star's core is filled from its surroundings where its light is more than this many times the noise, or sooner.
   */
  readonly fillAbove: number;
  /** A star's light is taken off outward to this many times the noise. */
  readonly reachBelow: number;
}

/**
 * What {@linkcode separateStars} uses for an option left out: stars of five standard deviations, of which pure noise
 * makes one in thirty million samples; a profile is hardly ever truer than 4 %, so that up to eight times the noise
 * what a subtraction leaves hides in the noise (where the field's stars show it to be less true, less is trusted to
 * it); a twentieth of the noise is not seen.
 */
export const separateStarsDefaults: Readonly<SeparateStarsOptions> = Object.freeze({
  detectionSigma: 5,
  saturationLevel: NaN,
  fillAbove: 8,
  reachBelow: 0.05,
});

/** What {@linkcode separateStars} returns. */
export interface SeparatedStars {
  /** The image without its stars. */
  readonly starless: Image;
  /** The light of the stars, above 0 nearly everywhere, 0 away from stars. */
  readonly stars: Image;
  /** Stars taken out, brightest first; those with a half-flux radius of 0 were seen beside others and not measured. */
  readonly list: readonly Star[];
  /** Full width at half maximum of the typical star, pixels; NaN without stars. */
  readonly fwhmPixels: number;
  /** Noise of a sample of the mean of the planes. */
  readonly noise: number;
}

/** A star on one plane. */
interface PlaneStar {
  readonly place: StarPlace;
  /** Height of its centre; 0 until it is fitted. */
  amplitude: number;
  /** Radius of the saturated top; 0 for none. */
  readonly top: number;
  /** Samples it is fitted on, and its profile there. */
  readonly at: Int32Array;
  readonly light: Float32Array;
  /** Radius within which it is filled. */
  core: number;
}

/** Samples on a circle about a place that have data: as much of `out` as they fill. */
function circleOf(
  data: Float32Array,
  width: number,
  height: number,
  x0: number,
  y0: number,
  r: number,
  out: Float64Array,
): Float64Array {
  let n = 0;
  for (let k = 0; k < 16; k++) {
    const x = Math.round(x0 + r * UNIT_X[k]);
    const y = Math.round(y0 + r * UNIT_Y[k]);
    if (x < 0 || y < 0 || x >= width || y >= height) continue;
    const v = data[y * width + x];
    if (v === v) out[n++] = v;
  }
  return out.subarray(0, n);
}

/**
 * Radius around a star within which samples of this plane are as high as its top; 0 where the plane shows no top. The
 * level behind the star is that of this plane: where the median of circles no longer falls.
 */
function topRadius(data: Float32Array, width: number, height: number, star: Star, level: number, fwhm: number): number {
  const x0 = Math.round(star.x);
  const y0 = Math.round(star.y);
  const circle = new Float64Array(16);
  let top = -Infinity;
  for (let y = Math.max(0, y0 - 2); y <= Math.min(height - 1, y0 + 2); y++) {
    for (let x = Math.max(0, x0 - 2); x <= Math.min(width - 1, x0 + 2); x++) {
      if (data[y * width + x] > top) top = data[y * width + x];
    }
  }
  top = Math.min(top, level);
  // Outward in steps of a FWHM until three circles in turn bring less than a fiftieth of what lies between them and
  // the top.
  let behind = top;
  let still = 0;
  for (let r = 2 * fwhm; r < 40 * fwhm && still < 3; r += fwhm) {
    const around = circleOf(data, width, height, star.x, star.y, r, circle);
    if (around.length < 4) break;
    const here = medianInPlace(around);
    still = here < behind - 0.02 * (top - here) ? 0 : still + 1;
    if (here < behind) behind = here;
  }
  const limit = behind + 0.8 * (top - behind);
  if (!(top > behind)) return 0;
  let radius = fwhm / 2;
  for (let r = 1; r < 40 * fwhm; r++) {
    const around = circleOf(data, width, height, star.x, star.y, r, circle);
    const n = around.length;
    let high = 0;
    for (const v of around) if (v >= limit) high++;
    if (n === 0 || high < 0.3 * n) break;
    radius = r + 0.5;
  }
  return radius;
}
/** FWHM over sigma to four digits: starless images are made with it, and `fwhmPerSigma` would move their last digits. */
const shortFwhmPerSigma = 2.355;

/** Sixteen directions; rational points of the circle, so that they are the same on every machine. */
const UNIT_X = [
  1,
  0.9231,
  0.7071,
  0.3846,
  0,
  -0.3846,
  -0.7071,
  -0.9231,
  -1,
  -0.9231,
  -0.7071,
  -0.3846,
  0,
  0.3846,
  0.7071,
  0.9231,
];
const UNIT_Y = [
  0,
  0.3846,
  0.7071,
  0.9231,
  1,
  0.9231,
  0.7071,
  0.3846,
  0,
  -0.3846,
  -0.7071,
  -0.9231,
  -1,
  -0.9231,
  -0.7071,
  -0.3846,
];

/** Add `factor` times the star's profile to a plane, out to a radius. */
function addStar(
  data: Float32Array,
  width: number,
  height: number,
  place: StarPlace,
  profile: StarProfile,
  factor: number,
  radius: number,
): void {
  const x0 = Math.max(0, Math.ceil(place.x - radius));
  const x1 = Math.min(width - 1, Math.floor(place.x + radius));
  const y0 = Math.max(0, Math.ceil(place.y - radius));
  const y1 = Math.min(height - 1, Math.floor(place.y + radius));
  const { table, perPixel, tabulatedTo } = profile;
  const last = table.length - 2;
  for (let y = y0; y <= y1; y++) {
    const dy = y - place.y;
    for (let x = x0; x <= x1; x++) {
      const dx = x - place.x;
      if (dx * dx + dy * dy > radius * radius) continue;
      const r = Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy);
      let value: number;
      if (r >= tabulatedTo) value = profileAt(profile, r);
      else {
        const at = r * perPixel;
        const k = Math.min(last, Math.floor(at));
        const f = at - k;
        value = table[k] * (1 - f) + table[k + 1] * f;
      }
      data[y * width + x] += factor * value;
    }
  }
}

/** Samples between two radii of a star with data, and its profile at each. */
function footprint(
  data: Float32Array,
  width: number,
  height: number,
  place: StarPlace,
  profile: StarProfile,
  inner: number,
  outer: number,
): { readonly at: Int32Array; readonly light: Float32Array } {
  const x0 = Math.max(0, Math.ceil(place.x - outer));
  const x1 = Math.min(width - 1, Math.floor(place.x + outer));
  const y0 = Math.max(0, Math.ceil(place.y - outer));
  const y1 = Math.min(height - 1, Math.floor(place.y + outer));
  const most = Math.max(0, x1 - x0 + 1) * Math.max(0, y1 - y0 + 1);
  const at = new Int32Array(most);
  const light = new Float32Array(most);
  let n = 0;
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const dx = x - place.x;
      const dy = y - place.y;
      const i = y * width + x;
      const r = Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy);
      if (!(r <= outer) || r < inner || data[i] !== data[i]) continue;
      at[n] = i;
      light[n++] = profileAt(profile, r);
    }
  }
  return { at: at.slice(0, n), light: light.slice(0, n) };
}

/**
 * Height of a star above a level background by least squares, in a plane it was taken off with `amplitude`. Slopes are
 * orthogonal to the profile by symmetry and can be left out.
 */
function fitStar(
  rest: Float32Array,
  star: PlaneStar,
): { readonly amplitude: number; readonly level: number } {
  const { at, light, amplitude } = star;
  const n = at.length;
  let sp = 0;
  let spp = 0;
  let sv = 0;
  let spv = 0;
  for (let k = 0; k < n; k++) {
    const p = light[k];
    const v = rest[at[k]] + amplitude * p;
    sp += p;
    spp += p * p;
    sv += v;
    spv += p * v;
  }
  const pp = n * spp - sp * sp;
  const pv = n * spv - sp * sv;
  if (!(pp > 1e-9 * n * spp && pv > 0)) return { amplitude: 0, level: n > 0 ? sv / n : NaN };
  return { amplitude: pv / pp, level: (sv - pv / pp * sp) / n };
}

/**
 * How far the samples about a star follow its profile: their correlation once level, slope and curvature of the
 * surroundings are taken from both. What a crest of a nebula has in common with a star is mostly curvature.
 */
function likeness(rest: Float32Array, width: number, star: PlaneStar): number {
  const { at, light, amplitude, place } = star;
  const n = at.length;
  const dx = new Float64Array(n);
  const dy = new Float64Array(n);
  const samples = new Float64Array(n);
  for (let k = 0; k < n; k++) {
    const x = at[k] % width;
    dx[k] = x - place.x;
    dy[k] = (at[k] - x) / width - place.y;
    samples[k] = rest[at[k]] + amplitude * light[k];
  }
  return partialFit(dx, dy, light, samples).correlation;
}

/**
 * Fit each star of a plane with the light of the others taken off, some rounds over, and take its light off `rest`.
 * After the first round heights hardly change, and so do few samples.
 */
function fitStars(
  rest: Float32Array,
  width: number,
  height: number,
  stars: readonly PlaneStar[],
  profile: StarProfile,
  reachBelow: number,
  rounds: number,
): void {
  const most = Math.hypot(width, height);
  for (let round = 0; round < rounds; round++) {
    for (const star of stars) {
      const { amplitude } = fitStar(rest, star);
      const change = amplitude - star.amplitude;
      // What is next to nothing at its centre is not worth a pass.
      if (Math.abs(change) < 0.2 * reachBelow) continue;
      star.amplitude = amplitude;
      const reach = Math.min(most, radiusAt(profile, reachBelow / Math.abs(change), most) * 1.3);
      addStar(rest, width, height, star.place, profile, -change, reach);
    }
  }
}

/** Noise of a sample from its difference to the smoothed surroundings, objects left out by the median. */
function fineNoise(data: Float32Array, smooth: Float32Array): number {
  const stride = Math.max(1, Math.floor(data.length / 200_000) | 1);
  const kept = new Float64Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) {
    const v = Math.abs(data[i] - smooth[i]);
    if (v === v) kept[n++] = v;
  }
  return n === 0 ? NaN : madSigmaFactor * medianInPlace(kept, n);
}

/** Width of the smoothing that parts grain from structure, pixels. */
const GRAIN = 2;

/** What a subtraction may leave, in standard deviations of the noise, without being seen. */
const HIDDEN = 0.35;

/**
 * How untrue the profile is: typical size of what subtraction left over the light taken off, on the bright stars where
 * that was 20 to 200 times the noise, less the part of the noise itself and of what else lies about the star.
 */
function mismatch(
  rest: Float32Array,
  width: number,
  height: number,
  stars: readonly PlaneStar[],
  profile: StarProfile,
  noise: number,
  fwhm: number,
): number {
  const shares: number[] = [];
  const reach = Math.ceil(3 * fwhm);
  for (const { place, amplitude, top } of stars.filter((s) => s.top === 0 && s.amplitude > 60 * noise).slice(0, 80)) {
    const around: number[] = [];
    const inside: (readonly [number, number])[] = [];
    for (let y = Math.max(0, Math.ceil(place.y - reach)); y <= Math.min(height - 1, place.y + reach); y++) {
      for (let x = Math.max(0, Math.ceil(place.x - reach)); x <= Math.min(width - 1, place.x + reach); x++) {
        const dx = x - place.x;
        const dy = y - place.y;
        const r = Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy);
        const v = rest[y * width + x];
        if (v !== v) continue;
        const light = amplitude * profileAt(profile, r);
        if (r > 2.2 * fwhm) around.push(v);
        else if (r > top && light > 20 * noise && light < 200 * noise) inside.push([v, light]);
      }
    }
    if (around.length < 8) continue;
    const level = medianInPlace(Float64Array.from(around));
    const own = Math.max(
      noise,
      madSigmaFactor * medianInPlace(Float64Array.from(around, (v) => Math.abs(v - level))),
    );
    for (const [v, light] of inside) {
      shares.push(Math.max(0, (v - level) * (v - level) - own * own) / (light * light));
    }
  }
  if (shares.length < 20) return 0.04;
  // The mean of the lower nine tenths: a neighbour under one star must not speak for all.
  const sorted = Float64Array.from(shares).sort();
  const count = Math.ceil(0.9 * sorted.length);
  let sum = 0;
  for (let k = 0; k < count; k++) sum += sorted[k];
  return Math.max(0.01, Math.sqrt(sum / count));
}

/**
 * What hides a residual beside a star: the noise, or the structure of a nebula where that is coarser than the noise.
 * Filling destroys structure, subtraction does not.
 */
function unrest(
  rest: Float32Array,
  width: number,
  height: number,
  { place, top }: PlaneStar,
  noise: number,
  fwhm: number,
): { readonly level: number; readonly spread: number } {
  const inner = Math.max(1.5 * fwhm, top + fwhm);
  const outer = inner + 1.5 * fwhm;
  const ring: number[] = [];
  for (let y = Math.max(0, Math.ceil(place.y - outer)); y <= Math.min(height - 1, place.y + outer); y++) {
    for (let x = Math.max(0, Math.ceil(place.x - outer)); x <= Math.min(width - 1, place.x + outer); x++) {
      const d2 = (x - place.x) * (x - place.x) + (y - place.y) * (y - place.y);
      const v = rest[y * width + x];
      if (d2 >= inner * inner && d2 <= outer * outer && v === v) ring.push(v);
    }
  }
  if (ring.length < 12) return { level: NaN, spread: noise };
  const samples = Float64Array.from(ring);
  const level = medianInPlace(samples);
  for (let k = 0; k < samples.length; k++) samples[k] = Math.abs(samples[k] - level);
  return { level, spread: Math.max(noise, UNREST * madSigmaFactor * medianInPlace(samples)) };
}

/** Light over what hides a residual from which a core is always filled: no profile is truer than a hundredth. */
const SURELY = 35;
/** Share of the scatter about a star that hides a residual: the rest of it is slope. */
const UNREST = 0.4;
/** Distance from the level beside a cut star, over what hides a residual, from which a sample is a trail or a spike. */
const STRAY = 8;

/** Height over the noise from which a star shows its own profile. */
const OUTSHINES = 25;

/**
 * Take off what the field's profile left of a bright star on circles about it, or give back what it took too much: the
 * median on each circle less the level beyond, at most half of the light that was taken off there, so that a nebula
 * stays.
 */
function evenRings(
  rest: Float32Array,
  width: number,
  height: number,
  { place, amplitude, top }: PlaneStar,
  profile: StarProfile,
  noise: number,
  fwhm: number,
): void {
  const reach = Math.ceil(Math.min(40 * fwhm, radiusAt(profile, noise / amplitude, 40 * fwhm)));
  const beyond = 2 * Math.ceil(fwhm);
  const x0 = Math.max(0, Math.ceil(place.x - reach - beyond));
  const x1 = Math.min(width - 1, place.x + reach + beyond);
  const y0 = Math.max(0, Math.ceil(place.y - reach - beyond));
  const y1 = Math.min(height - 1, place.y + reach + beyond);
  const circles: number[][] = Array.from({ length: reach + 1 }, () => []);
  const around: number[] = [];
  const radius = (x: number, y: number) => {
    const dx = x - place.x;
    const dy = y - place.y;
    return Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy);
  };
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const r = radius(x, y);
      const v = rest[y * width + x];
      if (v !== v || r > reach + beyond) continue;
      if (r > reach) around.push(v);
      else if (r > top) circles[Math.round(r)].push(v);
    }
  }
  if (around.length < 12) return;
  const level = medianInPlace(Float64Array.from(around));
  const change = circles.map((list, r) => {
    if (list.length < 8) return 0;
    const most = 0.5 * amplitude * profileAt(profile, r);
    const middle = medianInPlace(Float64Array.from(list));
    return Math.max(-most, Math.min(most, middle - level));
  });
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const r = radius(x, y);
      if (r >= reach) continue;
      const k = Math.floor(r);
      const f = r - k;
      rest[y * width + x] -= change[k] * (1 - f) + change[k + 1] * f;
    }
  }
}

/** Scatter on a circle about a star over that further out, up to which what the star left hides in it. */
const AS_OUTSIDE = 1.4;

/**
 * Radius within which a star's light left more on the circles about it than lies on the circles beyond, where evened
 * rings leave scatter alone: between two given radii.
 */
function unevenWithin(
  rest: Float32Array,
  width: number,
  height: number,
  { place }: PlaneStar,
  least: number,
  most: number,
  noise: number,
): number {
  const reach = Math.ceil(1.6 * most) + 1;
  const circles: number[][] = Array.from({ length: reach + 1 }, () => []);
  const x0 = Math.max(0, Math.ceil(place.x - reach));
  const x1 = Math.min(width - 1, place.x + reach);
  const y0 = Math.max(0, Math.ceil(place.y - reach));
  const y1 = Math.min(height - 1, place.y + reach);
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const dx = x - place.x;
      const dy = y - place.y;
      const v = rest[y * width + x];
      const r = Math.round(Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy));
      if (r <= reach && v === v) circles[r].push(v);
    }
  }
  const scatter = circles.map((list) => {
    if (list.length < 8) return Infinity;
    const level = medianInPlace(Float64Array.from(list));
    const away = Float64Array.from(list, (v) => Math.abs(v - level)).sort();
    // Nine tenths lie within 1.645 standard deviations: a few samples that stick out count as well.
    return away[Math.floor(0.9 * (away.length - 1))] / 1.645;
  });
  const first = Math.ceil(most);
  const beyond = scatter.slice(first).filter((v) => v < Infinity);
  if (beyond.length === 0) return most;
  const limit = AS_OUTSIDE * Math.max(noise, medianInPlace(Float64Array.from(beyond)));
  let radius = most;
  for (let r = Math.floor(most); r >= least && scatter[r] <= limit; r--) radius = r - 0.5;
  return Math.max(least, radius);
}

/** A plane with the light of its stars taken off. */
interface Fitted {
  /** A borrowed plane. */
  readonly rest: Float32Array;
  readonly stars: PlaneStar[];
  readonly profile: StarProfile | null;
  readonly noise: number;
  readonly typical: readonly [number, number];
}

/** A star made ready for fitting. */
function placeStar(
  source: Float32Array,
  width: number,
  height: number,
  star: Star,
  profile: StarProfile,
  fwhm: number,
  typical: readonly [number, number],
  level: number,
): PlaneStar {
  const place = placeOf(star, fwhm, typical);
  const top = star.saturated && star.halfFluxRadiusPixels > 0 ? topRadius(source, width, height, star, level, fwhm) : 0;
  const inner = top > 0 ? top + 1 : 0;
  const outer = top > 0 ? top + 3 * fwhm : 1.8 * fwhm;
  const { at, light } = footprint(source, width, height, place, profile, inner, outer);
  if (top === 0) return { place, amplitude: 0, top, core: 0, at, light };
  // Charge that ran along a row or column is as high as the top and tells nothing of the profile, nor does the gap
  // behind it.
  const samples = Float64Array.from(at, (i) => source[i]).sort();
  const low = samples[samples.length >> 1];
  const high = source[Math.round(star.y) * width + Math.round(star.x)];
  const kept = Array.from(at.keys()).filter((k) => !(source[at[k]] > low + 0.7 * (high - low)));
  return {
    place,
    amplitude: 0,
    top,
    core: 0,
    at: Int32Array.from(kept, (k) => at[k]),
    light: Float32Array.from(kept, (k) => light[k]),
  };
}

/** Take the light of a list of stars off a plane. */
function fitPlane(
  source: Float32Array,
  width: number,
  height: number,
  list: readonly Star[],
  fwhm: number,
  beta: number,
  used: Readonly<SeparateStarsOptions>,
): Fitted {
  const bright = list.filter((s) => !s.saturated).slice(0, 200);
  const typical: readonly [number, number] = bright.length === 0 ? [0, 0] : [
    medianInPlace(Float64Array.from(bright, (s) => s.shape[0])),
    medianInPlace(Float64Array.from(bright, (s) => s.shape[1])),
  ];
  const first = gaussianSmooth(source, width, height, GRAIN);
  const noise = Math.max(fineNoise(source, first), Number.MIN_VALUE);
  const level = Number.isNaN(used.saturationLevel) ? Infinity : used.saturationLevel;
  returnPlane(first);
  const rest = borrowPlane(source.length);
  rest.set(source);
  let profile = measureProfile(source, width, height, list, fwhm, beta, typical, noise);
  let stars: PlaneStar[] = [];
  // The second profile is measured with the light of neighbours taken off (Stetson 1987).
  for (let pass = 0; pass < 2 && profile !== null; pass++) {
    const own = profile;
    stars = list.map((star) => placeStar(source, width, height, star, own, fwhm, typical, level));
    fitStars(rest, width, height, stars, own, used.reachBelow * noise, pass === 0 ? 2 : 3);
    if (pass > 0) break;
    const heights = new Map(list.map((star, k) => [star, stars[k].amplitude]));
    const better = measureProfile(
      rest,
      width,
      height,
      list,
      fwhm,
      beta,
      typical,
      noise,
      (star, r) => (heights.get(star) as number) * profileAt(own, r),
    );
    if (better === null) break;
    profile = better;
    rest.set(source);
  }
  return { rest, stars, profile, noise, typical };
}

/** One plane without its stars; borrowed. */
function starlessPlane(
  source: Float32Array,
  width: number,
  height: number,
  list: readonly Star[],
  fwhm: number,
  beta: number,
  used: Readonly<SeparateStarsOptions>,
): Float32Array {
  const { rest, stars, profile, noise } = fitPlane(source, width, height, list, fwhm, beta, used);
  if (profile === null) return rest;
  const most = Math.hypot(width, height);
  for (const star of stars) {
    if (star.top > 0 || star.amplitude > OUTSHINES * noise) evenRings(rest, width, height, star, profile, noise, fwhm);
  }
  // Cores, where the profile is not true enough, are filled: what a subtraction leaves shall hide in the noise.
  const untrue = mismatch(rest, width, height, stars, profile, noise, fwhm);
  const fillAbove = Math.min(used.fillAbove, Math.max(1, HIDDEN / untrue));
  const hole = new Uint8Array(rest.length);
  const owner = new Int32Array(rest.length).fill(-1);
  stars.forEach((s, index) => {
    if (!(s.amplitude > 0)) return;
    const { level, spread } = unrest(rest, width, height, s, noise, fwhm);
    const limit = (s.top > 0 ? 0.5 : 1) * fillAbove * spread / s.amplitude;
    const least = s.top > 0 ? s.top + 1.5 : 0;
    const widest = Math.max(radiusAt(profile, limit, most), least);
    if (widest <= 0) return;
    // Circles that were evened tell themselves how far in the profile is true.
    const core = s.top > 0 || s.amplitude > OUTSHINES * noise
      ? unevenWithin(
        rest,
        width,
        height,
        s,
        Math.max(least, radiusAt(profile, SURELY / s.amplitude * spread, most)),
        widest,
        noise,
      )
      : widest;
    // Beside a cut star trails of charge and spikes are filled as well, as far as they stand out.
    const wide = s.top > 0 ? Math.max(core, s.top + 4 * fwhm) : core;
    s.core = wide;
    const x0 = Math.max(0, Math.ceil(s.place.x - 1.3 * wide));
    const x1 = Math.min(width - 1, Math.floor(s.place.x + 1.3 * wide));
    const y0 = Math.max(0, Math.ceil(s.place.y - 1.3 * wide));
    const y1 = Math.min(height - 1, Math.floor(s.place.y + 1.3 * wide));
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        const dx = x - s.place.x;
        const dy = y - s.place.y;
        const r2 = s.place.a * dx * dx + 2 * s.place.b * dx * dy + s.place.c * dy * dy;
        const i = y * width + x;
        const inside = r2 <= core * core || dx * dx + dy * dy <= s.top * s.top;
        if (!inside && !(s.top > 0 && r2 <= wide * wide && Math.abs(rest[i] - level) > STRAY * spread)) continue;
        hole[i] = 1;
        if (owner[i] < 0) owner[i] = index;
      }
    }
  });
  const filled = fillHoles(rest, hole, width, height, { pull: 1 / 64, sweeps: 10 });
  // Grain for the fillings: what the surroundings have above their smoothed selves, moved here from a place beside the
  // star.
  const smooth = gaussianSmooth(filled, width, height, GRAIN);
  stars.forEach((s, index) => {
    if (!(s.core > 0)) return;
    const r = Math.ceil(1.3 * s.core);
    const x0 = Math.max(0, Math.round(s.place.x) - r);
    const x1 = Math.min(width - 1, Math.round(s.place.x) + r);
    const y0 = Math.max(0, Math.round(s.place.y) - r);
    const y1 = Math.min(height - 1, Math.round(s.place.y) + r);
    let bestX = 0;
    let bestY = 0;
    let least = Infinity;
    search: for (const far of [1, 1.5, 2.2, 3]) {
      for (let k = 0; k < 16; k++) {
        const direction = (k * 7 + index) % 16;
        const mx = Math.round(far * (2 * r + 3) * UNIT_X[direction]);
        const my = Math.round(far * (2 * r + 3) * UNIT_Y[direction]);
        let bad = 0;
        for (let y = y0; y <= y1 && bad < least; y += 1) {
          for (let x = x0; x <= x1; x++) {
            if (owner[y * width + x] !== index) continue;
            const sx = x + mx;
            const sy = y + my;
            if (sx < 0 || sy < 0 || sx >= width || sy >= height || hole[sy * width + sx]) bad++;
          }
        }
        if (bad < least) {
          least = bad;
          bestX = mx;
          bestY = my;
          if (bad === 0) break search;
        }
      }
    }
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        const i = y * width + x;
        if (owner[i] !== index) continue;
        const sx = x + bestX;
        const sy = y + bestY;
        if (sx < 0 || sy < 0 || sx >= width || sy >= height) continue;
        const from = sy * width + sx;
        const grain = rest[from] - smooth[from];
        // A sharp object beside the star is no grain.
        if (!hole[from] && Math.abs(grain) < 4 * noise) filled[i] += grain;
      }
    }
  });
  for (let i = 0; i < filled.length; i++) if (source[i] !== source[i]) filled[i] = NaN;
  returnPlane(rest);
  returnPlane(smooth);
  return filled;
}

/** One plane to part. */
interface SeparateJob {
  readonly data: Packed;
  readonly behind: Packed;
  readonly front: Packed;
  readonly width: number;
  readonly height: number;
  readonly list: readonly Star[];
  readonly fwhm: number;
  readonly beta: number;
  readonly used: Readonly<SeparateStarsOptions>;
}

/** Takes the stars out of one plane. */
export function separatePlane(job: SeparateJob): void {
  const { width, height, list, fwhm, beta, used } = job;
  const [data, behind, front] = [job.data, job.behind, job.front].map(unpack<Float32Array>);
  if (list.length === 0) behind.set(data);
  else {
    const starless = starlessPlane(data, width, height, list, fwhm, beta, used);
    behind.set(starless);
    returnPlane(starless);
  }
  partExactly(data, behind, front);
}

const separateTask: PoolTask<SeparateJob, void> = {
  module: import.meta.url,
  name: "separatePlane",
  run: separatePlane,
};

const single = new Float32Array(1);
const singleBits = new Int32Array(single.buffer);

/** Distance to the next float32 above |x|. */
function spacing(x: number): number {
  single[0] = Math.abs(x);
  const here = single[0];
  singleBits[0] += 1;
  return single[0] - here;
}

/**
 * Part a plane in two that add up to it: `behind` is moved, by less than the rounding of the largest of the three, so
 * that behind + front gives the original's own bits (float32 addition). Where the original is much smaller than both
 * parts their sum cannot hold its last bits; there it is true to the rounding of the larger part.
 */
export function partExactly(whole: Float32Array, behind: Float32Array, front: Float32Array): void {
  for (let i = 0; i < whole.length; i++) {
    const v = whole[i];
    const b = behind[i];
    if (v === b || v !== v || b !== b) {
      front[i] = v === v && b === b ? 0 : NaN;
      if (v !== v) behind[i] = NaN;
      continue;
    }
    const step = Math.max(spacing(v), spacing(b) / 2, spacing(v - b) / 2);
    const held = Math.fround(Math.round(b / step) * step);
    const rest = Math.fround(v - held);
    behind[i] = Math.fround(held + rest) === v ? held : Math.fround(v - rest);
    front[i] = rest;
  }
}

/**
 * Take the stars out of an image: `starless` + `stars` is the original again, to the bit wherever the original is at
 * least half as large as its parts (as it is while the sky is left in), and to one rounding of the larger part
 * elsewhere.
 *
 * Each star found is fitted with the field's own profile (measured on its bright stars, elongation and width followed)
 * and taken off; cores, where no profile is true enough, are filled with the surface of least bending through their
 * surroundings, and with grain from beside the star, so that no smooth spot shows.
 *
 * In:  linear, any planes; stars are found on the mean of the planes, each weighted by its noise, and fitted on each.
 * Out: two images of the same shape and unit; NaN stays NaN in both. Variance and mask go with `starless`. Cost: about
 * a second of processor time a plane for 2 megapixels and a thousand stars; planes run side by side. Method: after
 * Stetson 1987, PASP 99, 191 (fit and subtract); filling after Damelin & Hoang 2018.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { separateStars } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2), data = new Float32Array(128 * 128);
 * for (let i = 0; i < data.length; i++) {
 *   const x = i % 128, y = Math.floor(i / 128);
 *   data[i] = 500 + 5 * random.gaussian() + 2000 * Math.exp(-((x - 60.2) ** 2 + (y - 70.4) ** 2) / 4);
 * }
 * const image = createImage({ width: 128, height: 128, unit: "adu", planes: [{ channel: "L", data }] });
 * const { starless, stars } = separateStars(image);
 * const [a, b] = [starless.planes[0].data, stars.planes[0].data];
 * assert.ok(data.every((v, i) => Math.fround(a[i] + b[i]) === v));
 * assert.ok(Math.abs(a[70 * 128 + 60] - 500) < 30);
 * ```
 */
export function separateStars(image: Image, options: Partial<SeparateStarsOptions> = {}): SeparatedStars {
  const used = settle("separateStars", separateStarsDefaults, options);
  requireLinear("separateStars", image);
  const { detectionSigma, saturationLevel, fillAbove, reachBelow } = used;
  if (!(detectionSigma >= 3)) {
    throw new RangeError(`separateStars: detectionSigma must be ≥ 3, but got ${detectionSigma}; below it is noise`);
  }
  if (!(fillAbove > 0)) throw new RangeError(`separateStars: fillAbove must be > 0, but got ${fillAbove}`);
  if (!(reachBelow > 0)) throw new RangeError(`separateStars: reachBelow must be > 0, but got ${reachBelow}`);
  const { width, height, planes } = image;
  const find = (data: Float32Array) =>
    detectStars(
      { ...image, planes: [{ channel: "L", data }], geometry: { ...image.geometry, bayer: null } },
      {
        detectionSigma,
        saturationLevel: Number.isNaN(saturationLevel) ? null : saturationLevel,
        maximumStars: 50_000,
      },
    );
  const level = Number.isNaN(saturationLevel) ? Infinity : saturationLevel;
  const light = detectionPlane(image);
  const found = find(light);
  const { fwhmPixels } = found;
  const beta = found.moffatBeta >= 1.5 && found.moffatBeta <= 10 ? found.moffatBeta : 3;
  // Stars cut so broad that no profile fits them are not in the list of measured stars.
  const cut = cutTops(light, width, height, fwhmPixels, level);
  const measured = found.stars.filter((s) => {
    const on = cut.find((t) => apart(s, t) < t.halfFluxRadiusPixels + fwhmPixels);
    return on === undefined || s.saturated;
  });
  const missed = cut.filter((t) =>
    !measured.some((s) => s.saturated && apart(s, t) < t.halfFluxRadiusPixels + fwhmPixels)
  );
  // Cut tops are the highest: a flat one that others outshine by far is a knot of the nebula.
  const highest = measured.reduce((best, s) => s.saturated ? best : Math.max(best, s.peak), 0);
  const isCut = (s: Star) => {
    const r = s.halfFluxRadiusPixels + 2 * fwhmPixels;
    const top = s.background + s.peak;
    return s.peak >= 0.5 * highest && fallsOff(light, width, height, s.x, s.y, r, found.background, top);
  };
  let list = [...missed, ...measured].map((s) => s.saturated && !isCut(s) ? { ...s, halfFluxRadiusPixels: 0 } : s);
  if (list.length > 0) list = withCompanions(light, width, height, list, fwhmPixels, beta, used, find);
  if (planes.length > 1) returnPlane(light);
  const behind = planes.map(() => allocatePlane(width, height));
  const front = planes.map(() => allocatePlane(width, height));
  const shared = { width, height, list, fwhm: fwhmPixels, beta, used };
  const jobs = planes.map(({ data }, c): SeparateJob => ({
    ...shared,
    data: pack(data),
    behind: pack(behind[c]),
    front: pack(front[c]),
  }));
  parallelMap(separateTask, jobs, { label: "parting stars" });
  const notes = [`${list.length} stars, FWHM ${fwhmPixels.toFixed(2)} px`];
  const entry = { step: "separateStars", options: used, notes };
  const named = (parts: readonly Float32Array[]) => planes.map(({ channel }, c) => ({ channel, data: parts[c] }));
  return {
    starless: derive(image, { planes: named(behind) }, { ...entry, output: "starless" }),
    stars: derive(image, { planes: named(front), variance: null, mask: null }, { ...entry, output: "stars" }),
    list,
    fwhmPixels,
    noise: found.noise,
  };
}

/** Distance of two stars. */
const apart = (a: Star, b: Star): number => Math.sqrt((a.x - b.x) * (a.x - b.x) + (a.y - b.y) * (a.y - b.y));

/**
 * Height left two widths off a cut top over that of the top, at most: a Moffat star cut at ten widths has 0.33 left.
 */
const FALLEN = 0.6;

/**
 * Whether a top is that of a star: two widths off it a star has fallen far on nearly all sides, spikes and trails left
 * out, a crest of bright gas has not.
 */
function fallsOff(
  data: Float32Array,
  width: number,
  height: number,
  x: number,
  y: number,
  r: number,
  sky: number,
  top: number,
): boolean {
  const sides = circleOf(data, width, height, x, y, r, new Float64Array(16)).sort();
  return sides.length > 0 && sides[Math.floor(0.7 * (sides.length - 1))] < sky + FALLEN * (top - sky);
}

/**
 * Plateaus at the top of a plane, as saturated stars: groups of neighbours that reach the given level, or 97 % of the
 * highest sample, when they are larger than the top of an uncut star can be.
 */
export function cutTops(data: Float32Array, width: number, height: number, fwhm: number, saturation: number): Star[] {
  if (!(fwhm > 0)) return [];
  const thin = new Float64Array(Math.ceil(data.length / 37));
  let highest = -Infinity;
  let n = 0;
  for (let i = 0; i < data.length; i++) {
    const v = data[i];
    if (v > highest) highest = v;
    if (i % 37 === 0 && v === v) thin[n++] = v;
  }
  const sky = medianInPlace(thin, n);
  const limit = Math.min(saturation, sky + 0.97 * (highest - sky));
  const least = Math.max(5, 0.3 * fwhm * fwhm);
  const seen = new Uint8Array(data.length);
  const stars: Star[] = [];
  for (let i = 0; i < data.length; i++) {
    if (seen[i] || !(data[i] >= limit)) continue;
    const group = [i];
    seen[i] = 1;
    let sx = 0;
    let sy = 0;
    for (let k = 0; k < group.length; k++) {
      const x = group[k] % width;
      const y = (group[k] - x) / width;
      sx += x;
      sy += y;
      for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
        for (let h = Math.max(0, x - 1); h <= Math.min(width - 1, x + 1); h++) {
          const at = j * width + h;
          if (seen[at] || !(data[at] >= limit)) continue;
          seen[at] = 1;
          group.push(at);
        }
      }
    }
    // A bright nebula or galaxy that is cut is no star: stars are no larger than their halo.
    if (group.length < least || group.length > 400 * fwhm * fwhm) continue;
    const radius = Math.sqrt(group.length / Math.PI);
    const peak = highest - sky;
    const x = sx / group.length;
    const y = sy / group.length;
    if (!fallsOff(data, width, height, x, y, radius + 2 * fwhm, sky, highest)) continue;
    stars.push({
      x,
      y,
      flux: peak * group.length,
      peak,
      snr: 1000,
      fwhmPixels: fwhm,
      eccentricity: 0,
      elongationDegrees: 0,
      shape: [0, 0],
      halfFluxRadiusPixels: radius,
      background: sky,
      saturated: true,
    });
  }
  return stars;
}

/** Rounds of looking for stars beside those that are known. */
const LOOKS = 3;
/**
 * {@linkcode likeness} from which a peak is a star: one that stands clear of what surrounds it, and one that does so
 * by less; and below which a star of the list is none. In an [O III] frame of the demo night, full of filaments, 51 of
 * the 74 peaks that stand out less and are as much alike are stars of its truth, 30 of the 349 others; of the list's
 * own 2 in 50 that are less alike.
 */
const ALIKE = 0.35;
const CLOSELY_ALIKE = 0.6;
const UNLIKE = 0.3;
/** Light over the noise above which what a subtraction leaves may look like stars. */
const UNSURE = 15;
/** Share of the light taken off that may be left where the profile is untrue; more is another star. */
const LEFT = 0.3;

/** The list with the stars that show once those of the list are taken off, brightest first. */
function withCompanions(
  light: Float32Array,
  width: number,
  height: number,
  list: readonly Star[],
  fwhm: number,
  beta: number,
  used: Readonly<SeparateStarsOptions>,
  find: (data: Float32Array) => StarList,
): Star[] {
  const { rest, stars, profile, noise, typical } = fitPlane(light, width, height, list, fwhm, beta, used);
  const all = [...list];
  if (profile === null) {
    returnPlane(rest);
    return all;
  }
  const coreOf = ({ top, amplitude }: PlaneStar) =>
    Math.max(amplitude > 0 ? radiusAt(profile, UNSURE * noise / amplitude, 9 * fwhm) : 0, top > 0 ? top + 1 : 0);
  /** Light that was taken off at a place for a star. */
  const lightAt = ({ place, amplitude }: PlaneStar, dx: number, dy: number) =>
    amplitude * profileAt(profile, Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy));
  let cores = stars.map(coreOf);
  /** Whether a peak lies on a star that is known, or is no more than what its subtraction left. */
  const known = (s: Star) =>
    stars.some((star, k) => {
      const dx = s.x - star.place.x;
      const dy = s.y - star.place.y;
      const d2 = dx * dx + dy * dy;
      const core = cores[k];
      return d2 < 0.36 * fwhm * fwhm || d2 < core * core && s.peak < LEFT * lightAt(star, dx, dy);
    });
  for (let look = 0; look < LOOKS; look++) {
    // Cores are levelled, so that what a subtraction leaves there is not taken for stars.
    const flat = borrowPlane(rest.length);
    flat.set(rest);
    if (look > 0) cores = stars.map(coreOf);
    for (const [k, star] of stars.entries()) {
      const core = cores[k];
      if (!(core > 0)) continue;
      const { x, y } = star.place;
      const { level } = fitStar(rest, star);
      for (let j = Math.max(0, Math.ceil(y - core)); j <= Math.min(height - 1, y + core); j++) {
        for (let i = Math.max(0, Math.ceil(x - core)); i <= Math.min(width - 1, x + core); i++) {
          const dx = i - x;
          const dy = j - y;
          const at = j * width + i;
          if (dx * dx + dy * dy > core * core) continue;
          if (Math.abs(rest[at] - level) < LEFT * lightAt(star, dx, dy)) flat[at] = level;
        }
      }
    }
    // What is levelled looks like a cut top: stars seen now have none.
    const seen = look > 0 ? [] : find(flat).stars
      .filter((s) => s.fwhmPixels > 0.6 * fwhm && s.fwhmPixels < 1.5 * fwhm && !known(s))
      .map((s) => s.saturated ? { ...s, halfFluxRadiusPixels: 0 } : s);
    const fresh = seen.map((s) => placeStar(light, width, height, s, profile, fwhm, typical, Infinity));
    all.push(...seen);
    for (const { peak, standing } of peaksLeft(flat, width, height, fwhm, Math.max(5, used.detectionSigma))) {
      const close = (s: { readonly x: number; readonly y: number }) =>
        (s.x - peak.x) * (s.x - peak.x) + (s.y - peak.y) * (s.y - peak.y) < 0.36 * fwhm * fwhm;
      if (known(peak) || seen.some(close)) continue;
      const star = placeStar(light, width, height, peak, profile, fwhm, typical, Infinity);
      if (!(likeness(rest, width, star) > (standing > STANDING ? ALIKE : CLOSELY_ALIKE))) continue;
      fresh.push(star);
      all.push(peak);
    }
    returnPlane(flat);
    if (fresh.length === 0) break;
    stars.push(...fresh);
    if (look + 1 < LOOKS) fitStars(rest, width, height, stars, profile, used.reachBelow * noise, 2);
  }
  // Now that neighbours are known: what was measured as a star and has no core of one is a crest.
  const real = all.filter((s, k) =>
    s.saturated && s.halfFluxRadiusPixels > 0 || stars[k] === undefined || stars[k].amplitude === 0 ||
    likeness(rest, width, stars[k]) > UNLIKE
  );
  returnPlane(rest);
  return real.sort((a, b) => b.flux - a.flux);
}

/**
 * How far a peak stands above the typical height of the details about it, so that a crest of a nebula is no star; and
 * how far one that follows the profile closely.
 */
const STANDING = 6;
const STANDING_ALIKE = 3;

/** Typical height of the details in a ring: median of their absolute values, as a standard deviation. */
function unrestAbout(
  high: Float32Array,
  width: number,
  height: number,
  x: number,
  y: number,
  from: number,
  to: number,
) {
  const list: number[] = [];
  for (let j = Math.max(0, Math.ceil(y - to)); j <= Math.min(height - 1, y + to); j++) {
    for (let i = Math.max(0, Math.ceil(x - to)); i <= Math.min(width - 1, x + to); i++) {
      const d = (i - x) * (i - x) + (j - y) * (j - y);
      if (d >= from * from && d <= to * to) list.push(Math.abs(high[j * width + i]));
    }
  }
  return list.length < 8 ? 0 : madSigmaFactor * medianInPlace(Float64Array.from(list));
}

/**
 * Round peaks that are left where a list of stars has none: at the borders, which measured stars must keep clear of,
 * and hard beside bright stars. They are only taken off, never measured.
 */
function peaksLeft(
  data: Float32Array,
  width: number,
  height: number,
  fwhm: number,
  limit: number,
): { readonly peak: Star; readonly standing: number }[] {
  const sigma = fwhm / shortFwhmPerSigma;
  const fine = gaussianSmooth(data, width, height, sigma);
  const wide = gaussianSmooth(data, width, height, 2.5 * sigma);
  const high = borrowPlane(data.length);
  for (let i = 0; i < high.length; i++) high[i] = fine[i] - wide[i];
  const noise = fineNoise(fine, wide);
  const r = 1.3 * fwhm;
  const peaks: { readonly peak: Star; readonly standing: number }[] = [];
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const v = high[i];
      if (!(v > limit * noise)) continue;
      let top = true;
      for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1) && top; j++) {
        for (let k = Math.max(0, x - 1); k <= Math.min(width - 1, x + 1); k++) {
          const n = j * width + k;
          if (n !== i && (high[n] > v || high[n] === v && n < i)) {
            top = false;
            break;
          }
        }
      }
      if (!top) continue;
      // On all sides a star falls by more than half within 1.3 FWHM; a ridge does not, on two opposite ones. A clear
      // peak may have a neighbour on one side.
      let shallow = 0;
      let sides = 0;
      let ridge = false;
      for (let k = 0; k < 16; k += 2) {
        const sx = Math.round(x + r * UNIT_X[k]);
        const sy = Math.round(y + r * UNIT_Y[k]);
        if (sx < 0 || sy < 0 || sx >= width || sy >= height) continue;
        const side = high[sy * width + sx];
        sides++;
        if (!(side > 0.45 * v)) continue;
        if (shallow & (1 << ((k + 8) % 16))) ridge = true;
        shallow |= 1 << k;
      }
      if (sides < 3 || ridge || shallow !== 0 && !(v > 3 * limit * noise)) continue;
      // Among filaments crests of that height are common: a star stands out of what its surroundings do as well.
      const about = unrestAbout(high, width, height, x, y, 2 * r, 4 * r);
      if (!(v > STANDING_ALIKE * about)) continue;
      const bend = (a: number, b: number) => 2 * v - a - b;
      const left = high[i - (x > 0 ? 1 : 0)];
      const right = high[i + (x + 1 < width ? 1 : 0)];
      const up = high[i - (y > 0 ? width : 0)];
      const down = high[i + (y + 1 < height ? width : 0)];
      const dx = x > 0 && x + 1 < width && bend(left, right) > 0 ? 0.5 * (right - left) / bend(left, right) : 0;
      const dy = y > 0 && y + 1 < height && bend(up, down) > 0 ? 0.5 * (down - up) / bend(up, down) : 0;
      const peak: Star = {
        x: x + dx,
        y: y + dy,
        flux: v * fwhm * fwhm,
        peak: v,
        snr: v / noise,
        fwhmPixels: fwhm,
        eccentricity: 0,
        elongationDegrees: 0,
        shape: [0, 0],
        halfFluxRadiusPixels: 0, // never measured
        background: wide[i],
        saturated: true,
      };
      peaks.push({ peak, standing: v / about });
    }
  }
  for (const plane of [fine, wide, high]) returnPlane(plane);
  // Marked as saturated they take the field's shape and width and no part in measuring it; without a half-flux radius
  // their tops are not taken for cut.
  return peaks;
}

/** Mean of the planes, each over its noise, so that a line ten times fainter than another shows its stars as well. */
function detectionPlane(image: Image): Float32Array {
  const { planes, width, height } = image;
  if (planes.length === 1) return planes[0].data;
  const noises = planes.map(({ data }) => medianNeighbourDifference(data));
  if (noises.some((v) => !(v > 0))) return meanPlane(image);
  const total = noises.reduce((sum, v) => sum + 1 / v, 0);
  const out = allocatePlane(width, height);
  planes.forEach(({ data }, c) => {
    const weight = 1 / noises[c] / total;
    for (let i = 0; i < out.length; i++) out[i] += weight * data[i];
  });
  return out;
}
