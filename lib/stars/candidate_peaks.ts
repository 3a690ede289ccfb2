/** Peaks of a search grid that may be stars, with the regions around them. */
import { peakRegions, regionAt, regionFields } from "../kernels/detection.ts";
import { peakPlace, type SearchGrid, smoothedNoiseAt } from "./search_grid.ts";

/** Samples of a region from which on its centroid, not its peak, tells the place, and its moments say something. */
const minimumExtendedArea = 14;

/** A peak that may be a star, in pixels of the frame. */
export interface CandidatePeak {
  /** Place, column: of the peak, of the middle of its region where that is large. */
  readonly x: number;
  /** Place, row. */
  readonly y: number;
  /** The peak itself, column. */
  readonly peakX: number;
  /** The peak itself, row. */
  readonly peakY: number;
  /** Height over the noise of the smoothed grid. */
  readonly snr: number;
  /** Height over the median of eight samples three away, in sigma: large for stars, small for knots of a nebula. */
  readonly contrast: number;
  /** Second moments of the region: variance along x. */
  readonly xx: number;
  /** Covariance. */
  readonly xy: number;
  /** Variance along y. */
  readonly yy: number;
  /** Whether the region is more than a peak with its neighbours. */
  readonly extended: boolean;
}

/**
 * Level down to which the region of a peak is followed: a second peak is one of its own if the saddle between them lies
 * more than three sigma and a fifth below it. NaN for the faintest peaks, which have no humps to tell: there are many,
 * and nearly all are noise.
 */
const regionFloor = (height: number, noise: number): number =>
  height < 4 * noise ? NaN : Math.max(height - Math.max(3 * noise, 0.2 * height), 0.5 * height);

/**
 * Peaks of a search grid, brightest first, at most so many; those that are only humps of a brighter one are counted
 * and left out.
 */
export function candidatePeaks(search: SearchGrid, maximum: number): { peaks: CandidatePeak[]; humps: number } {
  const { smooth, binning, peaks: indices } = search;
  const { width, data } = smooth;
  const noiseOf = (i: number) => smoothedNoiseAt(search, i % width, (i - i % width) / width);
  const regions = new Float64Array(regionFields * indices.length);
  for (let k = 0; k < indices.length; k++) {
    const i = indices[k];
    regions[regionFields * k + regionAt.peak] = i;
    regions[regionFields * k + regionAt.floor] = regionFloor(data[i], noiseOf(i));
  }
  peakRegions(smooth, regions);

  const peaks: CandidatePeak[] = [];
  let humps = 0;
  for (let k = 0; k < indices.length && peaks.length < maximum; k++) {
    const i = indices[k];
    const e = regionFields * k;
    if (regions[e + regionAt.meetsBrighter] !== 0) {
      humps++;
      continue;
    }
    const noise = noiseOf(i);
    const extended = regions[e + regionAt.area] > minimumExtendedArea;
    const place = peakPlace(search, i);
    const variance = binning * binning;
    peaks.push({
      x: extended ? binning * regions[e + regionAt.x] + (binning - 1) / 2 : place.x,
      y: extended ? binning * regions[e + regionAt.y] + (binning - 1) / 2 : place.y,
      peakX: place.x,
      peakY: place.y,
      snr: data[i] / noise,
      contrast: (data[i] - regions[e + regionAt.around]) / noise,
      xx: regions[e + regionAt.xx] * variance,
      xy: regions[e + regionAt.xy] * variance,
      yy: regions[e + regionAt.yy] * variance,
      extended,
    });
  }
  return { peaks, humps };
}
