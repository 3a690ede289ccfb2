/** The binning at which a frame's stars stand out most. */
import { borrowPlane } from "../core/memory.ts";
import { blockMeans, type Grid, subtractSurface } from "../kernels/detection.ts";
import { medianInPlace } from "../stats/samples.ts";
import { type CandidatePeak, candidatePeaks } from "./candidate_peaks.ts";
import { maximumCandidates, type SearchField, withoutFineMesh } from "./search_field.ts";
import { openSearchGrid, peakSnrAt, type SearchGrid } from "./search_grid.ts";
import type { SkyMesh } from "./sky_mesh.ts";
import { type FirstShape, firstShapes, mostFrequentSize } from "./typical_shape.ts";

/** Largest binning. */
const maximumBinning = 16;
/** Shapes that a search must find to be believed about the size of the stars. */
const minimumShapes = 5;
/** Candidates asked whether they stand out more in wider blocks. */
const askedCandidates = 20;
/**
 * Least gain of signal-to-noise ratio by blocks twice as wide: stars of FWHM 7 pixels gain a quarter; halos of dew
 * make sharp stars gain a little, too.
 */
const minimumGain = 1.2;

/** What a search at one binning found. */
export interface BinnedSearch {
  /** The frame, with the sky that goes with the binning. */
  readonly field: SearchField;
  /** The grid searched. */
  readonly search: SearchGrid;
  /** The 2 × 2 means with that sky taken off. */
  readonly ground: Grid;
  /** Candidates, brightest first. */
  readonly candidates: readonly CandidatePeak[];
  /** Peaks that were humps of a brighter one. */
  readonly humps: number;
  /** Shapes of the brightest. */
  readonly shapes: readonly FirstShape[];
}

/** Search a grid. */
function searchGrid(field: SearchField, search: SearchGrid, ground: Grid): BinnedSearch {
  const { peaks, humps } = candidatePeaks(search, maximumCandidates(field));
  return { field, search, ground, candidates: peaks, humps, shapes: firstShapes(field, search, peaks) };
}

/** The 2 × 2 means with the coarse mesh alone taken off, in borrowed memory. */
function unfollowedGrid({ grid, fine }: SkyMesh): Grid {
  const data = borrowPlane(grid.data.length);
  data.set(grid.data);
  const whole = { ...grid, data };
  if (fine !== null) subtractSurface(whole, fine, -1);
  return whole;
}

/** Median gain in signal-to-noise ratio of the candidates that stand out most, each at its place; NaN without any. */
function medianGain({ shapes, candidates }: BinnedSearch, wider: SearchGrid): number {
  const asked = [...(shapes.length >= minimumShapes ? shapes.map((each) => each.candidate) : candidates)]
    .sort((a, b) => b.contrast - a.contrast).slice(0, askedCandidates);
  if (asked.length === 0) return NaN;
  return medianInPlace(Float64Array.from(asked, (each) => peakSnrAt(wider, each.x, each.y) / each.snr));
}

/** Whether the stars may be too wide for a binning. */
const mayBeWide = (shapes: readonly FirstShape[], binning: number): boolean =>
  shapes.length < minimumShapes || Math.exp(mostFrequentSize(shapes)) > 1.3 * binning;

/**
 * Search a frame at the binning that suits its stars. Wide stars (defocus, a long focus) stand out more the wider the
 * blocks: go up while the brightest gain, each at its place, so that a nebula's knots, which the wider search would
 * find as well, have no say. Wide stars would be taken for nebula by the small tiles of the sky: the wider searches do
 * without them.
 *
 * @param field the frame
 * @param first its 2 × 2 means, ready to be searched
 * @returns the search, and a grid that must be given back when it is done with, if one was needed
 */
export function searchAtBestBinning(
  field: SearchField,
  first: SearchGrid,
): { best: BinnedSearch; borrowed: Grid | null } {
  const { grid, mesh } = field.sky;
  let best = searchGrid(field, first, grid);
  let unfollowed: Grid | null = null;
  let means = grid;
  let binning = first.binning;
  while (
    binning < maximumBinning && means.width >= 32 && means.height >= 32 && mayBeWide(best.shapes, binning)
  ) {
    unfollowed ??= unfollowedGrid(field.sky);
    const finer = means === grid ? unfollowed : means;
    means = blockMeans(finer.data, finer.width, finer.height, -1);
    binning *= 2;
    const wider = openSearchGrid(means, mesh, binning, field.settings.detectionSigma);
    if (!(medianGain(best, wider) > minimumGain)) break;
    const found = searchGrid(withoutFineMesh(field), wider, unfollowed);
    if (found.shapes.length === 0) break;
    best = found;
  }
  return { best, borrowed: unfollowed };
}
