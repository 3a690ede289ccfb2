/**
 * Stars of a plane fitted with the field's point-spread function and subtracted: each star in turn, with the flux of
 * all others taken off (Stetson 1987, PASP 99, 191).
 */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { boxAbout, type Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { partialFit } from "../stats/partial_fit.ts";
import { medianInPlace } from "../stats/samples.ts";
import { pixelsAbout } from "./annulus.ts";
import { measurePsf } from "./measure_psf.ts";
import { ellipticalDistance, placeOf, type Psf, psfAt, psfRadius, type StarPlace, type StarShape } from "./psf.ts";
import { saturatedRadius } from "./saturated_tops.ts";

/** A star on one plane. */
export interface FittedStar {
  readonly place: StarPlace;
  /** Height of its centre; 0 until it is fitted. */
  amplitude: number;
  /** Radius of the saturated top; 0 for none. */
  readonly saturatedRadius: number;
  /** Samples it is fitted on, and the point-spread function there. */
  readonly at: Int32Array;
  readonly psf: Float32Array;
}

/** How stars are fitted. */
export interface FitSettings {
  /** Full width at half maximum of a star, pixels. */
  readonly fwhm: number;
  /** Exponent of the Moffat profile. */
  readonly beta: number;
  /** Level from which samples are saturated, Infinity for none. */
  readonly saturationLevel: number;
  /** Flux is taken off outward to this many times the noise. */
  readonly reachBelow: number;
}

/** A plane with the flux of its stars taken off. */
export interface FittedPlane {
  /** What is left; its samples lie on a borrowed plane. */
  readonly residual: Raster;
  /** The stars, in the order of the list. */
  readonly stars: FittedStar[];
  /** The point-spread function; null when no star shows it, and no star is taken off then. */
  readonly psf: Psf | null;
  /** Standard deviation of a sample. */
  readonly noise: number;
  /** Width and shape of a star on this plane. */
  readonly shape: StarShape;
}

/** Width of the Gaussian that parts noise from structure, pixels. */
export const noiseSmoothingPixels = 2;
/** Samples that the noise is measured on, about. */
const noiseSamples = 200_000;
/** Brightest stars that tell the typical shape. */
const shapeStars = 200;
/** Radius that a star is fitted within, in FWHM; for a cut star beyond its top. */
const fitRadiusInFwhm = 1.8;
const fitBeyondTopInFwhm = 3;
/** Change of a star's height below which it is not worth a pass, in the level that flux is taken off to. */
const minimumChange = 0.2;

/** Noise of a sample from its difference to the smoothed surroundings, objects left out by the median. */
export function fineNoise(data: Float32Array, smooth: Float32Array): number {
  const stride = Math.max(1, Math.floor(data.length / noiseSamples) | 1);
  const sizes = new Float64Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) {
    const v = Math.abs(data[i] - smooth[i]);
    if (v === v) sizes[n++] = v;
  }
  return n === 0 ? NaN : madSigmaFactor * medianInPlace(sizes, n);
}

/** Add `factor` times a star to a plane, out to a radius. */
export function addStar(raster: Raster, place: StarPlace, psf: Psf, factor: number, radius: number): void {
  const { data, width } = raster;
  const { x0, x1, y0, y1 } = boxAbout(raster, place.x, place.y, radius);
  const { table, perPixel, tabulatedTo } = psf;
  const last = table.length - 2;
  for (let y = y0; y <= y1; y++) {
    const dy = y - place.y;
    for (let x = x0; x <= x1; x++) {
      const dx = x - place.x;
      if (dx * dx + dy * dy > radius * radius) continue;
      const r = ellipticalDistance(place, dx, dy);
      let value: number;
      if (r >= tabulatedTo) value = psfAt(psf, r);
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

/** Samples between two elliptical distances from a star, and the point-spread function at each. */
function footprint(raster: Raster, place: StarPlace, psf: Psf, inner: number, outer: number) {
  const pixels = pixelsAbout(raster, place, outer);
  const at = new Int32Array(pixels.at.length);
  const values = new Float32Array(pixels.at.length);
  let n = 0;
  for (let k = 0; k < pixels.at.length; k++) {
    const r = pixels.distances[k];
    if (!(r <= outer) || r < inner) continue;
    at[n] = pixels.at[k];
    values[n++] = psfAt(psf, r);
  }
  return { at: at.slice(0, n), psf: values.slice(0, n) };
}

/** A star made ready for fitting. */
export function prepareStar(
  raster: Raster,
  star: Star,
  psf: Psf,
  { fwhm, shape }: StarShape,
  saturationLevel: number,
): FittedStar {
  const place = placeOf(star, fwhm, shape);
  const cut = star.saturated && star.halfFluxRadiusPixels > 0;
  const radius = cut ? saturatedRadius(raster, star, saturationLevel, fwhm) : 0;
  if (radius === 0) {
    const { at, psf: values } = footprint(raster, place, psf, 0, fitRadiusInFwhm * fwhm);
    return { place, amplitude: 0, saturatedRadius: 0, at, psf: values };
  }
  const { at, psf: values } = footprint(raster, place, psf, radius + 1, radius + fitBeyondTopInFwhm * fwhm);
  // Charge that ran along a row or column is as high as the top and tells nothing of the point-spread function, nor
  // does the gap behind it.
  const samples = Float64Array.from(at, (i) => raster.data[i]).sort();
  const low = samples[samples.length >> 1];
  const high = raster.data[Math.round(star.y) * raster.width + Math.round(star.x)];
  const kept = Array.from(at.keys()).filter((k) => !(raster.data[at[k]] > low + 0.7 * (high - low)));
  return {
    place,
    amplitude: 0,
    saturatedRadius: radius,
    at: Int32Array.from(kept, (k) => at[k]),
    psf: Float32Array.from(kept, (k) => values[k]),
  };
}

/**
 * Height of a star above a level background, and that level, by least squares in a plane that the star was taken off
 * with `amplitude`. Slopes are orthogonal to the point-spread function by symmetry and can be left out.
 */
export function fitStar(
  residual: Float32Array,
  star: FittedStar,
): { readonly amplitude: number; readonly level: number } {
  const { at, psf, amplitude } = star;
  const n = at.length;
  let sp = 0;
  let spp = 0;
  let sv = 0;
  let spv = 0;
  for (let k = 0; k < n; k++) {
    const p = psf[k];
    const v = residual[at[k]] + amplitude * p;
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
 * How far the samples about a star follow the point-spread function: their correlation once level, slope and curvature
 * of the surroundings are taken from both. What a crest of a nebula has in common with a star is mostly curvature.
 */
export function psfCorrelation({ data, width }: Raster, star: FittedStar): number {
  const { at, psf, amplitude, place } = star;
  const n = at.length;
  const dx = new Float64Array(n);
  const dy = new Float64Array(n);
  const samples = new Float64Array(n);
  for (let k = 0; k < n; k++) {
    const x = at[k] % width;
    dx[k] = x - place.x;
    dy[k] = (at[k] - x) / width - place.y;
    samples[k] = data[at[k]] + amplitude * psf[k];
  }
  return partialFit(dx, dy, psf, samples).correlation;
}

/**
 * Fit each star with the flux of the others taken off, in several iterations, and take its flux off `residual`. After
 * the first iteration heights hardly change, and so do few samples.
 *
 * @param faintest flux is taken off outward to this level
 */
export function fitStars(
  residual: Raster,
  stars: readonly FittedStar[],
  psf: Psf,
  faintest: number,
  iterations: number,
): void {
  const diagonal = Math.hypot(residual.width, residual.height);
  for (let iteration = 0; iteration < iterations; iteration++) {
    for (const star of stars) {
      const { amplitude } = fitStar(residual.data, star);
      const change = amplitude - star.amplitude;
      if (Math.abs(change) < minimumChange * faintest) continue;
      star.amplitude = amplitude;
      const reach = Math.min(diagonal, psfRadius(psf, faintest / Math.abs(change), diagonal) * 1.3);
      addStar(residual, star.place, psf, -change, reach);
    }
  }
}

/** Median spin-2 shape of the brightest stars that are not saturated. */
export function typicalShape(stars: readonly Star[]): readonly [number, number] {
  const bright = stars.filter((s) => !s.saturated).slice(0, shapeStars);
  if (bright.length === 0) return [0, 0];
  return [
    medianInPlace(Float64Array.from(bright, (s) => s.shape[0])),
    medianInPlace(Float64Array.from(bright, (s) => s.shape[1])),
  ];
}

/**
 * Take the flux of a list of stars off a plane. The point-spread function is measured twice, the second time with the
 * flux of neighbours taken off.
 */
export function fitPlane(source: Raster, list: readonly Star[], settings: FitSettings): FittedPlane {
  const { data, width, height } = source;
  const shape = { fwhm: settings.fwhm, beta: settings.beta, shape: typicalShape(list) };
  const smooth = gaussianSmooth(data, width, height, noiseSmoothingPixels);
  const noise = Math.max(fineNoise(data, smooth), Number.MIN_VALUE);
  returnPlane(smooth);
  const residual = { data: borrowPlane(data.length), width, height };
  residual.data.set(data);
  const first = measurePsf(source, list, shape, noise);
  if (first === null) return { residual, stars: [], psf: null, noise, shape };
  const fitWith = (psf: Psf, iterations: number) => {
    const stars = list.map((star) => prepareStar(source, star, psf, shape, settings.saturationLevel));
    fitStars(residual, stars, psf, settings.reachBelow * noise, iterations);
    return stars;
  };
  const stars = fitWith(first, 2);
  const heights = new Map(list.map((star, k) => [star, stars[k].amplitude]));
  const subtracted = (star: Star, r: number) => (heights.get(star) as number) * psfAt(first, r);
  const psf = measurePsf(residual, list, shape, noise, subtracted);
  if (psf === null) return { residual, stars, psf: first, noise, shape };
  residual.data.set(data);
  return { residual, stars: fitWith(psf, 3), psf, noise, shape };
}
