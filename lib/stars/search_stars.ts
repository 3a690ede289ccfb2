/** The search of a frame for stars, from the sky mesh to the list: everything that measures stars starts here. */
import { returnPlane } from "../core/memory.ts";
import type { Sampling } from "../core/sampling.ts";
import type { Grid, Mesh, TileLevels } from "../kernels/detection.ts";
import { acceptStars } from "./accept_stars.ts";
import { type Candidate, sortByFlux, type TurnedDown } from "./candidate.ts";
import type { CandidatePeak } from "./candidate_peaks.ts";
import { measureConcentrations, measureShapes } from "./candidate_shapes.ts";
import { centreCandidates } from "./centre_candidates.ts";
import type { Ellipse } from "./ellipse.ts";
import { skyResiduals } from "./ring_levels.ts";
import { type BinnedSearch, searchAtBestBinning } from "./search_binning.ts";
import { maximumCandidates, openField, type SearchField, type StarSearchSettings } from "./search_field.ts";
import { fillSinglePixels } from "./single_pixels.ts";
import { measureSkyMesh } from "./sky_mesh.ts";
import { typicalShape } from "./typical_shape.ts";

/** Result of {@linkcode searchStars}. */
export interface StarSearch {
  /** The samples, single bright pixels filled. */
  readonly sampling: Sampling;
  /** Settings used. */
  readonly settings: StarSearchSettings;
  /** Meshes whose sum is the sky under the stars, on the grid. */
  readonly sky: readonly TileLevels[];
  /** 2 × 2 means with the sky taken off. */
  readonly grid: Grid;
  /** Sky mesh on that grid, levels smoothed. */
  readonly mesh: Mesh;
  /** Unsmoothed levels of the tiles. */
  readonly rawLevel: Float64Array;
  /** Median level of the sky. */
  readonly background: number;
  /** Noise of one pixel. */
  readonly noise: number;
  /** Noise of a sample of the grid. */
  readonly gridNoise: number;
  /** Scatter of rows beyond the noise, in the unit of a grid sample. */
  readonly rowBanding: number;
  /** Scatter of columns beyond the noise. */
  readonly columnBanding: number;
  /** Shape of the frame's stars; null without stars. */
  readonly width: Ellipse | null;
  /** Binning, in pixels, at which the stars were searched. */
  readonly searchBinning: number;
  /** The stars, brightest first. */
  readonly stars: Candidate[];
  /** Whether there were more than asked for. */
  readonly truncated: boolean;
  /** What was turned down. */
  readonly turnedDown: TurnedDown;
}

/** What the search found beyond the sky. */
type Findings = Pick<StarSearch, "width" | "searchBinning" | "stars" | "truncated" | "turnedDown">;

const nothingTurnedDown: TurnedDown = { singlePixel: 0, narrow: 0, wide: 0, partOfAnother: 0, border: 0 };

/** Give back what a search holds; its grid and filled samples must not be used afterwards. */
export function closeSearch(found: StarSearch, given: Sampling): void {
  returnPlane(found.grid.data);
  if (found.sampling !== given) returnPlane(found.sampling.data);
}

/** A search's result from the frame and what was found in it. */
function resultOf({ sampling, settings, sky, skyMeshes }: SearchField, findings: Findings): StarSearch {
  return {
    sampling,
    settings,
    sky: skyMeshes,
    grid: sky.grid,
    mesh: sky.mesh,
    rawLevel: sky.rawLevel,
    background: sky.background,
    noise: sky.gridNoise * sky.noiseRatio,
    gridNoise: sky.gridNoise,
    rowBanding: sky.rowBanding,
    columnBanding: sky.columnBanding,
    ...findings,
  };
}

/** A frame without stars. */
const withoutStars = (turnedDown: TurnedDown): Findings => ({
  width: null,
  searchBinning: 2,
  stars: [],
  truncated: false,
  turnedDown,
});

/** A region far larger than a star of the frame is nebula with a star on it: the star is at the peak. */
const startOf = (candidate: CandidatePeak, shape: Ellipse): CandidatePeak =>
  candidate.extended && candidate.xx + candidate.yy > 3 * (shape.xx + shape.yy)
    ? { ...candidate, x: candidate.peakX, y: candidate.peakY }
    : candidate;

/** Measure the candidates of a search and keep the stars among them. */
function settleStars(best: BinnedSearch, singlePixels: number): Findings {
  const { field, candidates } = best;
  const { sampling, settings } = field;
  const typical = typicalShape(best.shapes);
  const { shape } = typical;
  const starts = candidates.map((each) => startOf(each, shape));
  const residuals = skyResiduals(field, best.ground, starts, shape);
  const centred = centreCandidates(field, starts, shape, residuals);

  const first = new Map(best.shapes.map((each) => [each.candidate, each.shape]));
  const shapes = measureShapes(sampling, centred.stars, shape, (index) => first.get(candidates[index]));
  const concentrations = measureConcentrations(sampling, centred, shapes, shape);
  const accepted = acceptStars(field, { centred, shapes, concentrations, typical });
  return {
    width: shape,
    searchBinning: best.search.binning,
    stars: sortByFlux(accepted.stars).slice(0, settings.maximumStars),
    truncated: accepted.stars.length > settings.maximumStars || candidates.length >= maximumCandidates(field),
    turnedDown: {
      singlePixel: singlePixels + centred.singlePixels,
      narrow: accepted.narrow,
      wide: accepted.wide,
      partOfAnother: best.humps + accepted.partOfAnother,
      border: centred.cutOff,
    },
  };
}

/**
 * Search a frame for stars: sky mesh and grid; single pixels filled; candidate peaks at the binning that suits the
 * stars; the shape most of them have; every candidate centred under it, measured, and judged by it.
 */
export function searchStars(given: Sampling, settings: StarSearchSettings): StarSearch {
  const opened = openField(given, settings, measureSkyMesh(given));
  if (!(opened.sky.gridNoise > 0)) return resultOf(opened, withoutStars(nothingTurnedDown));

  const filled = fillSinglePixels(opened);
  const { best, borrowed } = searchAtBestBinning(filled.field, filled.search);
  const findings = best.shapes.length === 0
    ? withoutStars({ ...nothingTurnedDown, singlePixel: filled.count, partOfAnother: best.humps })
    : settleStars(best, filled.count);
  returnPlane(best.search.smooth.data);
  if (borrowed !== null) returnPlane(borrowed.data);
  return resultOf(best.field, findings);
}
