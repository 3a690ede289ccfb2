/** Stars in what is left of a crowded frame once all that are known are taken off. */
import { returnPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import type { Sampling } from "../core/sampling.ts";
import { blockMeans, type Mesh, subtractSurface, type TileLevels, tileStatistics } from "../kernels/detection.ts";
import { momentAt, momentFields } from "../kernels/moments.ts";
import { shapeVarianceOf } from "./candidate.ts";
import { type Ellipse, ellipseArea, ellipseOf, gaussianHeight, longVariance } from "./ellipse.ts";
import type { ModelStar } from "./model_star.ts";
import { gaussianFluxAt, isSinglePixel, measureList, momentList, setEntry, weightAt } from "./moment_list.ts";
import { openSearchGrid, peakPlace } from "./search_grid.ts";
import type { StarSearch } from "./search_stars.ts";
import { meshNoiseAt, smoothedMesh, smoothedTileMedians } from "./sky_mesh.ts";
import { StarCells } from "./star_cells.ts";
import { levelAt, type StarModel } from "./star_model.ts";

/** Two stars nearer than this share of their FWHM cannot be told from one of another shape. */
export const minimumSeparation = 0.5;
/** Share of the flux subtracted that the model may be wrong by. */
const modelError = 0.04;
/** Share of the weight that must lie in the frame for a star to count. */
const minimumCovered = 0.5;

/** A crowded frame while it is searched again and again. */
export interface Residual {
  /** Its samples, the sky and all known stars taken off. */
  readonly sampling: Sampling;
  /** The search that found the first stars. */
  readonly seen: StarSearch;
  /** Shape of the frame's stars. */
  readonly frame: Ellipse;
  /** Profile of the frame's stars. */
  readonly model: StarModel;
  /** Their FWHM, pixels. */
  readonly fwhmPixels: number;
  /** Meshes of the 2 × 2 grid that were taken off as sky; grows with each search. */
  readonly sky: TileLevels[];
}

/** A mesh of the 2 × 2 grid in pixels of the frame. */
const inPixels = (mesh: TileLevels): TileLevels => ({
  ...mesh,
  tile: 2 * mesh.tile,
  left: 2 * mesh.left,
  top: 2 * mesh.top,
});

/** Take a mesh of the 2 × 2 grid off a frame. */
export const subtractMesh = (plane: Raster, mesh: TileLevels): void => subtractSurface(plane, inPixels(mesh));

/** Measure the sky of what is left anew, take it off and add it to the list. Returns grid and mesh. */
function subtractRemainingSky({ sampling, seen, sky }: Residual): { grid: Raster; mesh: Mesh } {
  const { data, width, height, parity } = sampling;
  const grid = blockMeans(data, width, height, parity);
  const mesh = smoothedMesh(tileStatistics(grid, seen.mesh.tile));
  subtractSurface(grid, mesh);
  subtractMesh(sampling, mesh);
  sky.push(mesh);
  // Where the search followed a nebula with small tiles, what is left of it is followed as well.
  if (seen.sky.length > 1) {
    const fine = smoothedTileMedians(grid);
    subtractSurface(grid, fine);
    subtractMesh(sampling, fine);
    sky.push(fine);
  }
  return { grid, mesh };
}

/** Every peak of what is left, centred under the frame's ellipse. */
function centredPeaks(residual: Residual, noiseAt: (x: number, y: number) => number, grid: Raster, mesh: Mesh) {
  const { sampling, seen, frame, fwhmPixels } = residual;
  const { detectionSigma } = seen.settings;
  const search = openSearchGrid(grid, mesh, 2, detectionSigma);
  const list = momentList(search.peaks.length);
  search.peaks.forEach((peak, k) => {
    const { x, y } = peakPlace(search, peak);
    const e = setEntry(list, k, 1, { x, y, shape: frame, background: 0 });
    list[e + momentAt.maximumShift] = Math.max(1.5, 0.6 * fwhmPixels);
    list[e + momentAt.tolerance] = 0.1;
    list[e + momentAt.minimumSignal] = 0.5 * detectionSigma * noiseAt(x, y);
    list[e + momentAt.iterations] = 12;
  });
  returnPlane(search.smooth.data);
  returnPlane(grid.data);
  measureList(sampling, list);
  return list;
}

/** The stars that are known, by place: what they add there, and whether one is too near for another. */
class KnownStars {
  readonly #residual: Residual;
  readonly #cells: StarCells<ModelStar>;
  /** Most stars reach no further than this. */
  readonly #usualReach: number;
  /** Those that do are asked one by one. */
  readonly #far: ModelStar[] = [];

  constructor(residual: Residual, stars: readonly ModelStar[]) {
    this.#residual = residual;
    this.#usualReach = 4 * residual.fwhmPixels;
    this.#cells = new StarCells<ModelStar>(this.#usualReach, residual.sampling, (star) => star.drawn);
    for (const star of stars) {
      this.add(star);
      if (this.#isFar(star)) this.#far.push(star);
    }
  }

  #isFar(star: ModelStar): boolean {
    return star.reach * longVariance(star.drawn) > this.#usualReach * this.#usualReach;
  }

  add(star: ModelStar): void {
    this.#cells.add(star);
  }

  /** Sum of the levels of all stars at a place; null if one of them is too near for another to be told from it. */
  levelAt(x: number, y: number): number | null {
    const { model, fwhmPixels } = this.#residual;
    let level = 0;
    const taken = this.#cells.some(x, y, (star) => {
      if (!this.#isFar(star)) level += levelAt(model, star.drawn, x, y);
      return (star.drawn.x - x) ** 2 + (star.drawn.y - y) ** 2 < (minimumSeparation * fwhmPixels) ** 2;
    });
    if (taken) return null;
    for (const star of this.#far) level += levelAt(model, star.drawn, x, y);
    return level;
  }
}

/**
 * Signal-to-noise ratio of an entry where known stars add a level: their photons count, and the model's error, which is
 * alike over a star's width: it adds up with the weight, where noise adds up with its root.
 */
function snrAmongStars(
  { sampling, seen }: Residual,
  list: Float64Array,
  e: number,
  known: number,
  noise: number,
): number {
  const { electronsPerUnit } = seen.settings;
  const weight2 = list[e + momentAt.weight2];
  const pixelShare = sampling.parity === -1 ? 1 : 0.5;
  const error = modelError * known * 2 * Math.PI * ellipseArea(weightAt(list, e)) * pixelShare * 0.5;
  const photons = electronsPerUnit > 0
    ? (Math.max(0, list[e + momentAt.weight2Flux]) + known * weight2) / electronsPerUnit
    : 0;
  return list[e + momentAt.sum] / Math.sqrt(weight2 * noise * noise + photons + error * error);
}

/** A star of the frame's ellipse from an entry. */
function modelStarAt({ sampling, frame }: Residual, list: Float64Array, e: number, snr: number): ModelStar {
  const flux = gaussianFluxAt(sampling, list, e);
  const peak = list[e + momentAt.peak];
  const drawn = {
    x: list[e + momentAt.x],
    y: list[e + momentAt.y],
    ...ellipseOf(frame),
    height: gaussianHeight(flux, frame),
  };
  const from = {
    ...drawn,
    frameFlux: flux,
    peak,
    snr,
    background: NaN,
    saturated: false,
    shaped: false,
    shapeVariance: shapeVarianceOf(snr),
  };
  return { from, drawn, reach: 0, snr, peak, crowded: true };
}

/** Stars in what is left of a frame; its sky is measured anew and taken off first. */
export function searchResidual(residual: Residual, stars: readonly ModelStar[]): ModelStar[] {
  const { seen } = residual;
  const { detectionSigma } = seen.settings;
  const { grid, mesh } = subtractRemainingSky(residual);
  const noiseRatio = seen.noise / seen.gridNoise;
  const noiseAt = (x: number, y: number) => noiseRatio * meshNoiseAt(mesh, x, y);
  const list = centredPeaks(residual, noiseAt, grid, mesh);
  const known = new KnownStars(residual, stars);
  const found: ModelStar[] = [];
  for (let k = 0, e = 0; e < list.length; k++, e += momentFields) {
    if (list[e + momentAt.converged] !== 1 || list[e + momentAt.covered] < minimumCovered) continue;
    const x = list[e + momentAt.x];
    const y = list[e + momentAt.y];
    const noise = noiseAt(x, y);
    const limit = detectionSigma * noise * Math.sqrt(list[e + momentAt.weight2]);
    if (!(list[e + momentAt.sum] >= limit) || isSinglePixel(list, k)) continue;
    const level = known.levelAt(x, y);
    if (level === null) continue;
    const snr = snrAmongStars(residual, list, e, level, noise);
    if (!(snr >= detectionSigma)) continue;
    const star = modelStarAt(residual, list, e, snr);
    found.push(star);
    known.add(star);
  }
  return found;
}
