/** Round peaks that are left in a plane once its measured stars are subtracted. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { boxAbout, type Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import { directionX, directionY } from "./annulus.ts";
import { fineNoise } from "./subtract_stars.ts";

/** Standard deviation of the band-pass: a Gaussian of the stars' width has 1/2.355 of it (2 √(2 ln 2), rounded). */
const roundedFwhmPerSigma = 2.355;
/** Width of the surroundings in the band-pass over that of a star. */
const surroundingsRatio = 2.5;
/** Distance from a peak at which its sides are looked at, in FWHM, and their height over the peak's, at most. */
const sideDistanceInFwhm = 1.3;
const maximumSideHeight = 0.45;
/** Height over the detection limit from which a peak may have a neighbour on one side. */
const clearPeakRatio = 3;
/**
 * Height of a peak over the typical height of the details about it, at least, so that a crest of a nebula is no star;
 * a peak between this and {@linkcode minimumDetailContrast} must follow the point-spread function closely.
 */
const minimumContrast = 3;

/** Height of a peak over the typical height of the details about it from which it stands clear of them. */
export const minimumDetailContrast = 6;

/** A peak that no measured star explains. */
export interface ResidualPeak {
  /**
   * As a star that is taken off and never measured: marked as saturated it takes the field's shape and width and no
   * part in measuring them; without a half-flux radius its top is not taken for cut.
   */
  readonly star: Star;
  /** Its height over the typical height of the details about it. */
  readonly detailContrast: number;
}

/** A plane without what is wider than stars, and what it was made of; borrowed planes. */
interface BandPass {
  readonly details: Raster;
  readonly surroundings: Float32Array;
  readonly noise: number;
  readonly fwhm: number;
}

function bandPass({ data, width, height }: Raster, fwhm: number): BandPass {
  const sigma = fwhm / roundedFwhmPerSigma;
  const fine = gaussianSmooth(data, width, height, sigma);
  const surroundings = gaussianSmooth(data, width, height, surroundingsRatio * sigma);
  const details = borrowPlane(data.length);
  for (let i = 0; i < details.length; i++) details[i] = fine[i] - surroundings[i];
  const noise = fineNoise(fine, surroundings);
  returnPlane(fine);
  return { details: { data: details, width, height }, surroundings, noise, fwhm };
}

/** Typical height of the details in a ring: median of their absolute values, as a standard deviation. */
function detailHeight(details: Raster, x: number, y: number, inner: number, outer: number): number {
  const { data, width } = details;
  const { x0, x1, y0, y1 } = boxAbout(details, x, y, outer);
  const list: number[] = [];
  for (let j = y0; j <= y1; j++) {
    for (let i = x0; i <= x1; i++) {
      const squared = (i - x) * (i - x) + (j - y) * (j - y);
      if (squared >= inner * inner && squared <= outer * outer) list.push(Math.abs(data[j * width + i]));
    }
  }
  return list.length < 8 ? 0 : madSigmaFactor * medianInPlace(Float64Array.from(list));
}

/** Whether no neighbour is higher; of equal neighbours the first is the peak. */
function isHighest(details: Raster, x: number, y: number): boolean {
  const { data, width } = details;
  const { x0, x1, y0, y1 } = boxAbout(details, x, y, 1);
  const at = y * width + x;
  for (let j = y0; j <= y1; j++) {
    for (let i = x0; i <= x1; i++) {
      const n = j * width + i;
      if (n !== at && (data[n] > data[at] || data[n] === data[at] && n < at)) return false;
    }
  }
  return true;
}

/**
 * Whether a peak falls off as a star does: on all sides by more than half within 1.3 FWHM. A ridge does not, on two
 * opposite ones. A clear peak may have a neighbour on one side.
 */
function fallsOnAllSides({ details, fwhm }: BandPass, x: number, y: number, clear: boolean): boolean {
  const { data, width, height } = details;
  const r = sideDistanceInFwhm * fwhm;
  const top = data[y * width + x];
  let shallow = 0;
  let sides = 0;
  let ridge = false;
  for (let k = 0; k < 16; k += 2) {
    const sx = Math.round(x + r * directionX[k]);
    const sy = Math.round(y + r * directionY[k]);
    if (sx < 0 || sy < 0 || sx >= width || sy >= height) continue;
    sides++;
    if (!(data[sy * width + sx] > maximumSideHeight * top)) continue;
    if (shallow & (1 << ((k + 8) % 16))) ridge = true;
    shallow |= 1 << k;
  }
  return sides >= 3 && !ridge && (shallow === 0 || clear);
}

/** The peak at a pixel as a star, its place between pixels by parabolas through the neighbours. */
function starAt({ details, surroundings, noise, fwhm }: BandPass, x: number, y: number): Star {
  const { data, width, height } = details;
  const i = y * width + x;
  const v = data[i];
  const curvature = (a: number, b: number) => 2 * v - a - b;
  const left = data[i - (x > 0 ? 1 : 0)];
  const right = data[i + (x + 1 < width ? 1 : 0)];
  const up = data[i - (y > 0 ? width : 0)];
  const down = data[i + (y + 1 < height ? width : 0)];
  const inRow = x > 0 && x + 1 < width && curvature(left, right) > 0;
  const inColumn = y > 0 && y + 1 < height && curvature(up, down) > 0;
  return {
    x: x + (inRow ? 0.5 * (right - left) / curvature(left, right) : 0),
    y: y + (inColumn ? 0.5 * (down - up) / curvature(up, down) : 0),
    flux: v * fwhm * fwhm,
    peak: v,
    snr: v / noise,
    fwhmPixels: fwhm,
    eccentricity: 0,
    elongationDegrees: 0,
    shape: [0, 0],
    halfFluxRadiusPixels: 0, // never measured
    background: surroundings[i],
    saturated: true,
  };
}

/**
 * Round peaks that are left where a list of stars has none: at the borders, which measured stars must keep clear of,
 * and hard beside bright stars. They are only taken off, never measured.
 *
 * @param limit least height over the noise
 */
export function findResidualPeaks(raster: Raster, fwhm: number, limit: number): ResidualPeak[] {
  const band = bandPass(raster, fwhm);
  const { details, noise } = band;
  const r = sideDistanceInFwhm * fwhm;
  const peaks: ResidualPeak[] = [];
  for (let y = 0; y < raster.height; y++) {
    for (let x = 0; x < raster.width; x++) {
      const v = details.data[y * raster.width + x];
      if (!(v > limit * noise) || !isHighest(details, x, y)) continue;
      if (!fallsOnAllSides(band, x, y, v > clearPeakRatio * limit * noise)) continue;
      // Among filaments crests of that height are common: a star stands out of what its surroundings do as well.
      const about = detailHeight(details, x, y, 2 * r, 4 * r);
      if (!(v > minimumContrast * about)) continue;
      peaks.push({ star: starAt(band, x, y), detailContrast: v / about });
    }
  }
  returnPlane(details.data);
  returnPlane(band.surroundings);
  return peaks;
}
