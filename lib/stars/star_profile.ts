/** How the light of a field's stars falls off from their centres. */
import type { Star } from "../core/star.ts";
import { expPortable, logPortable, powPortable } from "../kernels/elementary.ts";
import { medianInPlace } from "../stats/samples.ts";

/** Brightness against distance, 1 at the centre: measured as far as the stars show it, a power law beyond. */
export interface StarProfile {
  /** Samples of the profile, `perPixel` a pixel, from the centre outward. */
  readonly table: Float64Array;
  /** Samples of the table a pixel. */
  readonly perPixel: number;
  /** Distance at which the table ends, pixels. */
  readonly tabulatedTo: number;
  /** Exponent of the power law beyond: light falls with distance^−exponent. */
  readonly exponent: number;
  /** Typical full width at half maximum of the stars, pixels. */
  readonly fwhm: number;
  /** Stars it was measured on. */
  readonly stars: number;
}

/** Where a star's light lies: centre, elongation and width against the typical star. */
export interface StarPlace {
  /** Column. */
  readonly x: number;
  /** Row. */
  readonly y: number;
  /** Elliptical distance: r² = a dx² + 2 b dx dy + c dy². */
  readonly a: number;
  /** See `a`. */
  readonly b: number;
  /** See `a`. */
  readonly c: number;
}

/**
 * Elliptical distance for a star: its own width and elongation where they are well measured, the field's otherwise.
 *
 * @param typical mean spin-2 shape of the field's stars
 */
export function placeOf(star: Star, fwhm: number, typical: readonly [number, number]): StarPlace {
  const own = star.snr > 60 && !star.saturated;
  const shape = own ? star.shape : typical;
  const stretch = own ? Math.max(0.8, Math.min(1.25, star.fwhmPixels / fwhm)) : 1;
  const e = Math.min(0.6, Math.sqrt(shape[0] * shape[0] + shape[1] * shape[1]));
  const k = e > 0 ? e / Math.sqrt(shape[0] * shape[0] + shape[1] * shape[1]) : 0;
  const e1 = shape[0] * k;
  const e2 = shape[1] * k;
  // Inverse of the moment matrix (1 + e1, e2; e2, 1 − e1), with area kept.
  const norm = 1 / Math.sqrt(1 - e * e);
  const scale = norm / (stretch * stretch);
  return { x: star.x, y: star.y, a: (1 - e1) * scale, b: -e2 * scale, c: (1 + e1) * scale };
}

/** The profile at a distance. */
export function profileAt(profile: StarProfile, r: number): number {
  const { table, perPixel, tabulatedTo, exponent } = profile;
  if (r >= tabulatedTo) {
    const end = table[table.length - 1];
    return end * expPortable(-exponent * logPortable(r / tabulatedTo));
  }
  const at = r * perPixel;
  const k = Math.floor(at);
  const f = at - k;
  return k + 1 < table.length ? table[k] * (1 - f) + table[k + 1] * f : table[table.length - 1];
}

/** Distance at which the profile has fallen to a level, found by halving. */
export function radiusAt(profile: StarProfile, level: number, most: number): number {
  if (!(level < 1)) return 0;
  let low = 0;
  let high = most;
  if (profileAt(profile, high) > level) return most;
  for (let k = 0; k < 40; k++) {
    const middle = (low + high) / 2;
    if (profileAt(profile, middle) > level) low = middle;
    else high = middle;
  }
  return high;
}

/** `madSigmaFactor` to five digits: profiles are measured with it, and more digits would move their last one. */
const shortMadSigmaFactor = 1.4826;

const PER_PIXEL = 4;
/** Height of a star over the median deviation of its surroundings, at least. */
const CLEAR = 60;
/**
 * Light falls off at least with this power of the distance far out, as the aureole of a mirror does (King 1971: 2;
 * from memory).
 */
const LEAST_EXPONENT = 2.5;
/** Light of a star over that deviation from which it tells of the profile there. */
const OUTSTANDING = 1;

/**
 * Measure the profile on the brightest stars that are not saturated, each scaled to the light near its centre.
 *
 * @param data the plane, stars of the list still in it; or with their light taken off
 * @param noise standard deviation of a sample
 * @param ownLight with light taken off: what was taken off for a star at a distance; neighbours then disturb little
 * @param clear height of a star over the median deviation of its surroundings, at least
 * @returns null when no star is good enough
 */
export function measureProfile(
  data: Float32Array,
  width: number,
  height: number,
  stars: readonly Star[],
  fwhm: number,
  beta: number,
  typical: readonly [number, number],
  noise: number,
  ownLight: ((star: Star, r: number) => number) | null = null,
  clear = CLEAR,
): StarProfile | null {
  const reach = Math.max(8, Math.ceil(5 * fwhm));
  // Far enough from a brighter or similar neighbour for the wings to be its own.
  const disturbing = ownLight === null ? 0.08 : 0.5;
  const near = ownLight === null ? reach : 0.6 * reach;
  const good: Star[] = [];
  for (let k = 0; k < stars.length && good.length < 60; k++) {
    const s = stars[k];
    if (s.saturated || !(s.x > reach && s.y > reach && s.x < width - reach && s.y < height - reach)) continue;
    let alone = true;
    for (let j = 0; alone && j < Math.min(stars.length, 4 * k + 60); j++) {
      const t = stars[j];
      alone = j === k || !(t.peak > disturbing * s.peak && Math.abs(t.x - s.x) < near && Math.abs(t.y - s.y) < near);
    }
    if (alone) good.push(s);
  }
  const chosen = good.length >= 3 ? good : stars.filter((s) => !s.saturated).slice(0, 20);
  if (chosen.length === 0) return null;
  const alpha = fwhm / (2 * Math.sqrt(powPortable(2, 1 / beta) - 1));
  const moffat = (r: number) => powPortable(1 + r * r / (alpha * alpha), -beta);
  const bins: number[][] = Array.from({ length: reach * 2 + 1 }, () => []);
  let used = 0;
  for (const star of chosen) {
    const place = placeOf(star, fwhm, typical);
    const x0 = Math.floor(star.x - reach);
    const y0 = Math.floor(star.y - reach);
    const ring: number[] = [];
    let top = 0;
    let bottom = 0;
    // Once over the disc: distances and samples; the level is the median of its rim.
    const distances: number[] = [];
    const samples: number[] = [];
    for (let y = Math.max(0, y0); y <= Math.min(height - 1, y0 + 2 * reach + 1); y++) {
      for (let x = Math.max(0, x0); x <= Math.min(width - 1, x0 + 2 * reach + 1); x++) {
        const dx = x - star.x;
        const dy = y - star.y;
        const r = Math.sqrt(Math.max(0, place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy));
        const v = data[y * width + x] + (ownLight === null ? 0 : ownLight(star, r));
        if (!(r <= reach) || v !== v) continue;
        distances.push(r);
        samples.push(v);
        if (r > 0.8 * reach) ring.push(v);
      }
    }
    if (ring.length < 8) continue;
    const ringLevel = medianInPlace(Float64Array.from(ring));
    const level = ringLevel - (ownLight === null ? 0 : ownLight(star, 0.9 * reach));
    for (let k = 0; k < samples.length; k++) {
      if (!(distances[k] < 0.8 * fwhm)) continue;
      const m = moffat(distances[k]);
      top += m * (samples[k] - level);
      bottom += m * m;
    }
    const amplitude = top / bottom;
    // A star must stand out of what surrounds it as well, or its wings are those of the nebula.
    const around = medianInPlace(Float64Array.from(ring, (v) => Math.abs(v - ringLevel)));
    if (!(amplitude > 20 * noise && amplitude > clear * around)) continue;
    used++;
    // The ratio to the model is flat within a bin, the light is not.
    for (let k = 0; k < samples.length; k++) {
      const light = moffat(distances[k]);
      // Further out than its light stands out of its surroundings a star tells of the nebula it stands in.
      if (amplitude * light < OUTSTANDING * around) continue;
      bins[Math.round(2 * distances[k])].push(((samples[k] - level) / amplitude) / light);
    }
  }
  if (used < (clear > 0 ? Math.min(3, chosen.length) : 1)) {
    // Where nebula lies under nearly all stars those that there are have to do.
    return clear === 0 ? null : measureProfile(data, width, height, stars, fwhm, beta, typical, noise, ownLight, 0);
  }
  // Ratio to the model at half-pixel steps; 1 where too few samples or too much noise tell otherwise.
  const ratio = bins.map((list) => list.length >= 6 ? medianInPlace(Float64Array.from(list)) : NaN);
  // Few samples lie at a star's very centre: a hill's top is level, the next bin speaks for it.
  const firstGood = ratio.findIndex((v) => v === v);
  if (firstGood > 0 && firstGood <= fwhm) { for (let k = 0; k < firstGood; k++) ratio[k] = ratio[firstGood]; }
  // Under nebula the wings cannot be told from it: the model stands for them from two widths outward.
  const furthest = clear > 0 ? 0.75 * reach : Math.min(2 * fwhm, 0.75 * reach);
  let last = 0;
  for (let k = 0; k < ratio.length; k++) {
    const r = k / 2;
    const list = bins[k];
    const error = k < firstGood ? 0 : list.length < 6 ? Infinity : shortMadSigmaFactor * 1.2533 *
      medianInPlace(Float64Array.from(list, (v) => Math.abs(v - ratio[k]))) / Math.sqrt(list.length);
    if (!(ratio[k] > 0.05) || !(error < 0.15 * ratio[k]) || r > furthest) break;
    last = k;
  }
  const measuredTo = Math.max(1.5 * fwhm, last / 2);
  const table = new Float64Array(Math.round(measuredTo * PER_PIXEL) + 2);
  for (let k = 0; k < table.length; k++) {
    const r = k / PER_PIXEL;
    const at = Math.min(last, 2 * r);
    const j = Math.floor(at);
    const f = at - j;
    const here = last === 0 ? 1 : ratio[j] * (1 - f) + ratio[Math.min(last, j + 1)] * f;
    table[k] = here * moffat(r);
    if (k > 0 && !(table[k] <= table[k - 1])) table[k] = table[k - 1];
  }
  const centre = table[0];
  for (let k = 0; k < table.length; k++) table[k] /= centre;
  // Beyond what was measured the model goes on from the last value; where the light fell less than the model's over
  // the last third (halos), it goes on doing so, held to what seeing and optics do.
  const endRadius = (table.length - 1) / PER_PIXEL;
  const inner = 0.66 * endRadius;
  const endValue = table[table.length - 1];
  const modelFall = moffat(inner) / moffat(endRadius);
  const fall = table[Math.round(inner * PER_PIXEL)] / endValue;
  const excess = last > 0 && clear > 0 ? logPortable(modelFall / fall) / logPortable(endRadius / inner) : 0;
  const gain = Math.max(0, Math.min(2 * beta - LEAST_EXPONENT, Number.isFinite(excess) ? excess : 0));
  // Tabulated as well: bright stars are drawn far out, and a table is ten times as fast.
  const far = Math.ceil(40 * fwhm) * PER_PIXEL;
  const whole = new Float64Array(Math.max(table.length, far + 2));
  whole.set(table);
  for (let k = table.length; k < whole.length; k++) {
    const r = k / PER_PIXEL;
    whole[k] = endValue * moffat(r) / moffat(endRadius) * expPortable(gain * logPortable(r / endRadius));
  }
  return {
    table: whole,
    perPixel: PER_PIXEL,
    tabulatedTo: (whole.length - 1) / PER_PIXEL,
    exponent: 2 * beta - gain,
    fwhm,
    stars: used,
  };
}
