/** The sky of a frame as the star search sees it: meshes of tiles, banding, noise. */
import type { Sampling } from "../core/sampling.ts";
import {
  blockMeans,
  type Grid,
  type Mesh,
  subtractSurface,
  type TileLevels,
  tileMedians,
  tileStatistics,
} from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import { meshAt, smoothMesh, subtractBanding } from "./background_mesh.ts";
import { withCoarseNoise } from "./coarse_noise.ts";

/** Side of a sky tile in samples of the 2 × 2 grid. */
const tileSide = 32;
/**
 * Scatter of the small tiles, in units of a grid sample's noise, from which on there is a nebula to follow: noise
 * alone makes 0.07.
 */
const minimumNebulaScatter = 0.5;

/** Sky and noise of a frame, and its samples without that sky. */
export interface SkyMesh {
  /** 2 × 2 means with the sky taken off. */
  readonly grid: Grid;
  /** Sky mesh on that grid, levels and noise smoothed. */
  readonly mesh: Mesh;
  /** Unsmoothed levels of the tiles. */
  readonly rawLevel: Float64Array;
  /** Small tiles on top of the mesh, which follow a nebula; null for frames too small to have any. */
  readonly fine: TileLevels | null;
  /** Whether there is a nebula to follow. */
  readonly structured: boolean;
  /** Median level of the mesh. */
  readonly background: number;
  /** Noise of a sample of the grid. */
  readonly gridNoise: number;
  /** Noise of a pixel over that of a sample of the grid. */
  readonly noiseRatio: number;
  /** Scatter of rows beyond the noise, in the unit of a grid sample. */
  readonly rowBanding: number;
  /** Scatter of columns beyond the noise. */
  readonly columnBanding: number;
}

/** Levels of small tiles of a grid, smoothed. */
export function smoothedTileMedians(grid: Grid): TileLevels {
  const tiles = tileMedians(grid);
  return { ...tiles, level: smoothMesh(tiles.level, tiles.columns, tiles.rows, tiles.smooth) };
}

/** A mesh with level and noise of its tiles smoothed. */
export const smoothedMesh = (mesh: Mesh): Mesh => ({
  ...mesh,
  level: smoothMesh(mesh.level, mesh.columns, mesh.rows),
  noise: smoothMesh(mesh.noise, mesh.columns, mesh.rows),
});

/** Noise of a grid's sample in the tile that a pixel of the frame lies in. */
export function meshNoiseAt({ noise, columns, rows, tile }: Mesh, x: number, y: number): number {
  const row = Math.min(rows - 1, Math.max(0, Math.floor(y / (2 * tile))));
  return noise[row * columns + Math.min(columns - 1, Math.max(0, Math.floor(x / (2 * tile))))];
}

/** Level of the sky at a pixel of the frame: the sum of meshes on its 2 × 2 grid. */
export function skyLevelAt(meshes: readonly TileLevels[], x: number, y: number): number {
  const gridX = (x - 0.5) / 2;
  const gridY = (y - 0.5) / 2;
  let sky = meshAt(meshes[0], gridX, gridY);
  for (let k = 1; k < meshes.length; k++) sky += meshAt(meshes[k], gridX, gridY);
  return sky;
}

/**
 * Take small tiles off a grid, in place, which follow a nebula: a star up to about a tile wide leaves no mark on the
 * median of 3 × 3 of them, and structure of three tiles (48 pixels) is followed.
 */
function subtractFineMesh(grid: Grid, gridNoise: number): { fine: TileLevels; structured: boolean } {
  const fine = smoothedTileMedians(grid);
  subtractSurface(grid, fine);
  const structured = madSigmaFactor * medianInPlace(Float64Array.from(fine.level, Math.abs)) >
    minimumNebulaScatter * gridNoise;
  if (!structured) return { fine, structured };

  // Tiles and their medians flatten the tops of knots: where there are any, follow what is left as well (Tukey's
  // twicing).
  const left = smoothedTileMedians(grid);
  subtractSurface(grid, left);
  return { fine: { ...fine, level: left.level.map((each, i) => each + fine.level[i]) }, structured };
}

/** Measure the sky of a frame and take it off its 2 × 2 means. */
export function measureSkyMesh(sampling: Sampling): SkyMesh {
  const { data, width, height, parity } = sampling;
  const noiseRatio = parity === -1 ? 2 : Math.SQRT2;
  const grid = blockMeans(data, width, height, parity);
  const tile = Math.max(4, Math.min(tileSide, grid.width, grid.height));
  const raw = withCoarseNoise(tileStatistics(grid, tile), grid, sampling, noiseRatio);
  const mesh = smoothedMesh(raw);
  subtractSurface(grid, mesh);
  const gridNoise = medianInPlace(Float64Array.from(mesh.noise));

  const large = grid.width >= 8 && grid.height >= 8;
  const { fine, structured } = large ? subtractFineMesh(grid, gridNoise) : { fine: null, structured: false };
  const banding = subtractBanding(grid, gridNoise);
  return {
    grid,
    mesh,
    rawLevel: raw.level,
    fine,
    structured,
    background: medianInPlace(Float64Array.from(mesh.level)),
    gridNoise,
    noiseRatio,
    rowBanding: banding.rows,
    columnBanding: banding.columns,
  };
}
