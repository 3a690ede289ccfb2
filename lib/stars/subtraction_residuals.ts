/**
 * What a subtraction leaves about a star, because no point-spread function is wholly true: how much it is, what hides
 * it, and within which radius it shows.
 */
import type { Raster } from "../core/raster.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import { annulusSamples, pixelsAbout } from "./annulus.ts";
import type { FittedPlane, FittedStar } from "./subtract_stars.ts";
import { type Psf, psfAt, psfRadius } from "./psf.ts";

/** Stars that the error of the point-spread function is measured on, and their least height over the noise. */
const errorStars = 80;
const minimumErrorHeight = 60;
/** Brightness over the noise between which samples tell the error. */
const minimumErrorBrightness = 20;
const maximumErrorBrightness = 200;
/** Error where too few samples tell it, and the least that is believed. */
const defaultPsfError = 0.04;
const minimumPsfError = 0.01;
/** Share of the scatter about a star that hides a residual: the rest of it is slope. */
const hidingShare = 0.4;
/** Furthest distance to which rings are looked at, in FWHM. */
const maximumRingInFwhm = 40;
/** Samples that a ring must have. */
const minimumRingSamples = 8;
/** Scatter on a circle over that further out, up to which a residual is hidden in it. */
const maximumScatterRatio = 1.4;
/** Nine tenths of normal samples lie within so many standard deviations. */
const sigmasOfNineTenths = 1.645;

/**
 * Relative error of the point-spread function: typical size of what subtraction left over the flux taken off, on the
 * bright stars where that was 20 to 200 times the noise, less the part of the noise itself and of what else lies about
 * the star.
 */
export function psfError({ residual, stars, noise }: FittedPlane, psf: Psf, fwhm: number): number {
  const bright = stars.filter((s) => s.saturatedRadius === 0 && s.amplitude > minimumErrorHeight * noise);
  const squares = bright.slice(0, errorStars).flatMap((star) => squaredErrors(residual, star, psf, noise, fwhm));
  if (squares.length < 20) return defaultPsfError;
  // The mean of the lower nine tenths: a neighbour under one star must not stand for all.
  const sorted = Float64Array.from(squares).sort();
  const count = Math.ceil(0.9 * sorted.length);
  let sum = 0;
  for (let k = 0; k < count; k++) sum += sorted[k];
  return Math.max(minimumPsfError, Math.sqrt(sum / count));
}

/** Squares of the relative errors at the samples about one star. */
function squaredErrors(residual: Raster, star: FittedStar, psf: Psf, noise: number, fwhm: number): number[] {
  const { at, distances } = pixelsAbout(residual, star.place, Math.ceil(3 * fwhm));
  const around: number[] = [];
  const inside: number[] = [];
  const brightness: number[] = [];
  for (let k = 0; k < at.length; k++) {
    const r = distances[k];
    const v = residual.data[at[k]];
    const taken = star.amplitude * psfAt(psf, r);
    if (r > 2.2 * fwhm) around.push(v);
    else if (
      r > star.saturatedRadius && taken > minimumErrorBrightness * noise && taken < maximumErrorBrightness * noise
    ) {
      inside.push(v);
      brightness.push(taken);
    }
  }
  if (around.length < minimumRingSamples) return [];
  const level = medianInPlace(Float64Array.from(around));
  const deviation = medianInPlace(Float64Array.from(around, (v) => Math.abs(v - level)));
  const own = Math.max(noise, madSigmaFactor * deviation);
  return inside.map((v, k) => Math.max(0, (v - level) * (v - level) - own * own) / (brightness[k] * brightness[k]));
}

/**
 * The local background of a star: its level, and the spread that hides a residual in it: the noise, or the structure of
 * a nebula where that is coarser than the noise. Filling destroys structure, subtraction does not.
 */
export function localBackground(
  residual: Raster,
  { place, saturatedRadius }: FittedStar,
  noise: number,
  fwhm: number,
): { readonly level: number; readonly spread: number } {
  const inner = Math.max(1.5 * fwhm, saturatedRadius + fwhm);
  const samples = annulusSamples(residual, { x: place.x, y: place.y, inner, outer: inner + 1.5 * fwhm });
  if (samples.length < 12) return { level: NaN, spread: noise };
  const level = medianInPlace(samples);
  for (let k = 0; k < samples.length; k++) samples[k] = Math.abs(samples[k] - level);
  return { level, spread: Math.max(noise, hidingShare * madSigmaFactor * medianInPlace(samples)) };
}

/**
 * Take off what the point-spread function left of a bright star on circles about it, or give back what it took too
 * much: the median on each circle less the level beyond, at most half of what was taken off there, so that a nebula
 * stays.
 */
export function subtractRings({ residual, noise }: FittedPlane, star: FittedStar, psf: Psf, fwhm: number): void {
  const { place, amplitude, saturatedRadius } = star;
  const { data } = residual;
  const furthest = maximumRingInFwhm * fwhm;
  const reach = Math.ceil(Math.min(furthest, psfRadius(psf, noise / amplitude, furthest)));
  const beyond = 2 * Math.ceil(fwhm);
  const { at, distances } = pixelsAbout(residual, place, reach + beyond);
  const circles: number[][] = Array.from({ length: reach + 1 }, () => []);
  const around: number[] = [];
  for (let k = 0; k < at.length; k++) {
    const r = distances[k];
    if (r > reach + beyond) continue;
    if (r > reach) around.push(data[at[k]]);
    else if (r > saturatedRadius) circles[Math.round(r)].push(data[at[k]]);
  }
  if (around.length < 12) return;
  const level = medianInPlace(Float64Array.from(around));
  const change = circles.map((list, r) => {
    if (list.length < minimumRingSamples) return 0;
    const maximum = 0.5 * amplitude * psfAt(psf, r);
    return Math.max(-maximum, Math.min(maximum, medianInPlace(Float64Array.from(list)) - level));
  });
  for (let n = 0; n < at.length; n++) {
    const r = distances[n];
    if (r >= reach) continue;
    const k = Math.floor(r);
    const f = r - k;
    data[at[n]] -= change[k] * (1 - f) + change[k + 1] * f;
  }
}

/** Scatter of the samples on each circle of a whole radius about a star; Infinity where there are too few. */
function scatterByRadius(residual: Raster, { place }: FittedStar, reach: number): number[] {
  const circles: number[][] = Array.from({ length: reach + 1 }, () => []);
  const { at, distances } = pixelsAbout(residual, place, reach);
  for (let k = 0; k < at.length; k++) {
    const r = Math.round(distances[k]);
    if (r <= reach) circles[r].push(residual.data[at[k]]);
  }
  return circles.map((list) => {
    if (list.length < minimumRingSamples) return Infinity;
    const level = medianInPlace(Float64Array.from(list));
    const away = Float64Array.from(list, (v) => Math.abs(v - level)).sort();
    // Nine tenths rather than the median: a few samples that stick out count as well.
    return away[Math.floor(0.9 * (away.length - 1))] / sigmasOfNineTenths;
  });
}

/**
 * Radius within which a star left more scatter on the circles about it than lies on the circles beyond, of which
 * subtracted rings took nothing but the level: between two given radii.
 */
export function scatteredRadius(
  residual: Raster,
  star: FittedStar,
  minimum: number,
  maximum: number,
  noise: number,
): number {
  const scatter = scatterByRadius(residual, star, Math.ceil(1.6 * maximum) + 1);
  const beyond = scatter.slice(Math.ceil(maximum)).filter((v) => v < Infinity);
  if (beyond.length === 0) return maximum;
  const limit = maximumScatterRatio * Math.max(noise, medianInPlace(Float64Array.from(beyond)));
  let radius = maximum;
  for (let r = Math.floor(maximum); r >= minimum && scatter[r] <= limit; r--) radius = r - 0.5;
  return Math.max(minimum, radius);
}
