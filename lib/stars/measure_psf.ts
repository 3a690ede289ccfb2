/** The point-spread function of a field, measured on its bright stars: their ratio to a Moffat model by distance. */
import type { Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { expPortable, logPortable, powPortable } from "../kernels/elementary.ts";
import { medianInPlace } from "../stats/samples.ts";
import { pixelsAbout } from "./annulus.ts";
import { placeOf, type Psf, type StarShape } from "./psf.ts";

/** Flux that was taken off a plane for a star, at an elliptical distance from it. */
export type SubtractedFlux = (star: Star, r: number) => number;

/** Samples of the table a pixel. */
const samplesPerPixel = 4;
/** Distance to which stars are looked at, in FWHM and in pixels at least. */
const reachInFwhm = 5;
const minimumReach = 8;
/** Stars that are looked at, at most; where fewer than three keep clear of others, the brightest of the list. */
const maximumStars = 60;
const minimumClearStars = 3;
const maximumStarsInCrowds = 20;
/** Height of a star over the noise of a sample, at least. */
const minimumHeight = 20;
/** Height of a star over the median deviation of its surroundings, at least. */
const minimumContrast = 60;
/** Brightness of a star over that deviation from which its samples count. */
const minimumBrightness = 1;
/** Samples at a distance from which their median counts. */
const minimumSamples = 6;
/** Standard error of a median of normal samples over their median absolute deviation and √n: 1.4826 · 1.2533. */
const medianErrorFactor = 1.85814258;
/** Ratio to the model below which, and relative error above which, a distance is not measured. */
const minimumRatio = 0.05;
const maximumRatioError = 0.15;
/**
 * Brightness falls off at least with this power of the distance far out, as the aureole of a mirror does (King 1971:
 * 2; from memory).
 */
const minimumExponent = 2.5;
/** Distance to which the function is tabulated, in FWHM: bright stars are drawn far out, and a table is fast. */
const tabulatedInFwhm = 40;

/** What the measurement rests on. */
interface Field {
  readonly raster: Raster;
  readonly shape: StarShape;
  readonly noise: number;
  /** Distance to which stars are looked at, pixels. */
  readonly reach: number;
  /** The Moffat model. */
  readonly model: (r: number) => number;
  readonly subtracted: SubtractedFlux | null;
}

/** Ratios to the model at every half pixel of distance, and the stars they come from. */
interface Ratios {
  readonly bins: readonly number[][];
  readonly stars: number;
}

/**
 * Measure the point-spread function on the brightest stars that are not saturated, each scaled to its brightness near
 * the centre.
 *
 * @param raster the plane, stars of the list still in it; or with their flux taken off
 * @param noise standard deviation of a sample
 * @param subtracted with flux taken off: what was taken off; neighbours then disturb little
 * @returns null when no star is good enough
 */
export function measurePsf(
  raster: Raster,
  stars: readonly Star[],
  shape: StarShape,
  noise: number,
  subtracted: SubtractedFlux | null = null,
): Psf | null {
  const reach = Math.max(minimumReach, Math.ceil(reachInFwhm * shape.fwhm));
  const chosen = chooseStars(raster, stars, reach, subtracted !== null);
  if (chosen.length === 0) return null;
  const field = { raster, shape, noise, reach, model: moffatModel(shape), subtracted };
  const clear = collectRatios(field, chosen, minimumContrast);
  if (clear.stars >= Math.min(minimumClearStars, chosen.length)) return tabulate(field, clear, true);
  // Where nebula lies under nearly all stars those that there are have to do.
  const any = collectRatios(field, chosen, 0);
  return any.stars > 0 ? tabulate(field, any, false) : null;
}

function moffatModel({ fwhm, beta }: StarShape): (r: number) => number {
  const alpha = fwhm / (2 * Math.sqrt(powPortable(2, 1 / beta) - 1));
  return (r) => powPortable(1 + r * r / (alpha * alpha), -beta);
}

/** Bright stars far enough from a brighter or similar neighbour, and from the border, for the wings to be their own. */
function chooseStars(
  { width, height }: Raster,
  stars: readonly Star[],
  reach: number,
  subtracted: boolean,
): readonly Star[] {
  const maximumNeighbour = subtracted ? 0.5 : 0.08;
  const near = subtracted ? 0.6 * reach : reach;
  const good: Star[] = [];
  for (let k = 0; k < stars.length && good.length < maximumStars; k++) {
    const s = stars[k];
    if (s.saturated || !(s.x > reach && s.y > reach && s.x < width - reach && s.y < height - reach)) continue;
    let alone = true;
    // The list runs from the brightest: a neighbour that matters stands not far behind in it.
    for (let j = 0; alone && j < Math.min(stars.length, 4 * k + 60); j++) {
      const t = stars[j];
      alone = j === k ||
        !(t.peak > maximumNeighbour * s.peak && Math.abs(t.x - s.x) < near && Math.abs(t.y - s.y) < near);
    }
    if (alone) good.push(s);
  }
  return good.length >= minimumClearStars ? good : stars.filter((s) => !s.saturated).slice(0, maximumStarsInCrowds);
}

/** The samples of a disc about a star, their distances, and those of its rim. */
interface Disc {
  readonly distances: readonly number[];
  readonly samples: readonly number[];
  readonly rim: readonly number[];
}

function discAbout({ raster, shape, reach, subtracted }: Field, star: Star): Disc {
  const disc = { distances: [] as number[], samples: [] as number[], rim: [] as number[] };
  const { at, distances } = pixelsAbout(raster, placeOf(star, shape.fwhm, shape.shape), reach + 1);
  for (let k = 0; k < at.length; k++) {
    const r = distances[k];
    if (!(r <= reach)) continue;
    const v = raster.data[at[k]] + (subtracted === null ? 0 : subtracted(star, r));
    if (v !== v) continue;
    disc.distances.push(r);
    disc.samples.push(v);
    if (r > 0.8 * reach) disc.rim.push(v);
  }
  return disc;
}

/** Height of a star's centre above a level: least squares of the model over its core. */
function heightOf({ shape, model }: Field, { distances, samples }: Disc, level: number): number {
  let top = 0;
  let bottom = 0;
  for (let k = 0; k < samples.length; k++) {
    if (!(distances[k] < 0.8 * shape.fwhm)) continue;
    const m = model(distances[k]);
    top += m * (samples[k] - level);
    bottom += m * m;
  }
  return top / bottom;
}

/** Ratios of all samples to the model, over stars that stand out of their surroundings by `contrast`. */
function collectRatios(field: Field, chosen: readonly Star[], contrast: number): Ratios {
  const { reach, noise, model, subtracted } = field;
  const bins: number[][] = Array.from({ length: reach * 2 + 1 }, () => []);
  let stars = 0;
  for (const star of chosen) {
    const disc = discAbout(field, star);
    const { distances, samples, rim } = disc;
    if (rim.length < 8) continue;
    const rimLevel = medianInPlace(Float64Array.from(rim));
    const level = rimLevel - (subtracted === null ? 0 : subtracted(star, 0.9 * reach));
    const height = heightOf(field, disc, level);
    // A star must stand out of what surrounds it as well, or its wings are those of the nebula.
    const around = medianInPlace(Float64Array.from(rim, (v) => Math.abs(v - rimLevel)));
    if (!(height > minimumHeight * noise && height > contrast * around)) continue;
    stars++;
    // The ratio to the model is flat within a bin, the brightness is not.
    for (let k = 0; k < samples.length; k++) {
      const expected = model(distances[k]);
      // Where a star no longer stands out of its surroundings its samples are those of the nebula about it.
      if (height * expected < minimumBrightness * around) continue;
      bins[Math.round(2 * distances[k])].push(((samples[k] - level) / height) / expected);
    }
  }
  return { bins, stars };
}

/** Median ratio to the model by half pixels, and the last of them that is measured well enough. */
function medianRatios(bins: readonly number[][], fwhm: number, furthest: number) {
  const ratio = bins.map((list) => list.length >= minimumSamples ? medianInPlace(Float64Array.from(list)) : NaN);
  // Few samples lie at a star's very centre: a hill's top is level, the next bin stands for it.
  const first = ratio.findIndex((v) => v === v);
  if (first > 0 && first <= fwhm) { for (let k = 0; k < first; k++) ratio[k] = ratio[first]; }
  let last = 0;
  for (let k = 0; k < ratio.length; k++) {
    const list = bins[k];
    const error = k < first ? 0 : list.length < minimumSamples ? Infinity : medianErrorFactor *
      medianInPlace(Float64Array.from(list, (v) => Math.abs(v - ratio[k]))) / Math.sqrt(list.length);
    if (!(ratio[k] > minimumRatio) || !(error < maximumRatioError * ratio[k]) || k / 2 > furthest) break;
    last = k;
  }
  return { ratio, last };
}

/**
 * The function from its ratios to the model: as measured, never rising outward, and beyond as the model goes on.
 *
 * @param clear whether the stars stand clear of their surroundings
 */
function tabulate(field: Field, { bins, stars }: Ratios, clear: boolean): Psf {
  const { shape: { fwhm }, reach, model } = field;
  // Under nebula the wings cannot be told from it: the model stands for them from two widths outward.
  const furthest = clear ? 0.75 * reach : Math.min(2 * fwhm, 0.75 * reach);
  const { ratio, last } = medianRatios(bins, fwhm, furthest);
  const measuredTo = Math.max(1.5 * fwhm, last / 2);
  const table = new Float64Array(Math.round(measuredTo * samplesPerPixel) + 2);
  for (let k = 0; k < table.length; k++) {
    const r = k / samplesPerPixel;
    const at = Math.min(last, 2 * r);
    const j = Math.floor(at);
    const f = at - j;
    const here = last === 0 ? 1 : ratio[j] * (1 - f) + ratio[Math.min(last, j + 1)] * f;
    table[k] = here * model(r);
    if (k > 0 && !(table[k] <= table[k - 1])) table[k] = table[k - 1];
  }
  const centre = table[0];
  for (let k = 0; k < table.length; k++) table[k] /= centre;
  return extend(field, table, last > 0 && clear, stars);
}

/**
 * Beyond what was measured the model goes on from the last value; where brightness fell less than the model's over the
 * last third (halos), it goes on doing so, held to what seeing and optics do.
 */
function extend({ shape, model }: Field, table: Float64Array, halo: boolean, stars: number): Psf {
  const endRadius = (table.length - 1) / samplesPerPixel;
  const inner = 0.66 * endRadius;
  const endValue = table[table.length - 1];
  const modelFall = model(inner) / model(endRadius);
  const fall = table[Math.round(inner * samplesPerPixel)] / endValue;
  const excess = halo ? logPortable(modelFall / fall) / logPortable(endRadius / inner) : 0;
  const gain = Math.max(0, Math.min(2 * shape.beta - minimumExponent, Number.isFinite(excess) ? excess : 0));
  const far = Math.ceil(tabulatedInFwhm * shape.fwhm) * samplesPerPixel;
  const whole = new Float64Array(Math.max(table.length, far + 2));
  whole.set(table);
  for (let k = table.length; k < whole.length; k++) {
    const r = k / samplesPerPixel;
    whole[k] = endValue * model(r) / model(endRadius) * expPortable(gain * logPortable(r / endRadius));
  }
  return {
    table: whole,
    perPixel: samplesPerPixel,
    tabulatedTo: (whole.length - 1) / samplesPerPixel,
    exponent: 2 * shape.beta - gain,
    fwhm: shape.fwhm,
    stars,
  };
}
