/** A smooth surface through the differences of the tiles. */
import { fitThinPlate } from "../surfaces/fit_thin_plate.ts";
import { thinPlateAt } from "../surfaces/thin_plate.ts";
import { leastSquares } from "../stats/least_squares.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median, weightedMedian } from "../stats/median.ts";
import type { NormalisationReference } from "./prepare_normalisation.ts";
import type { TileLevel } from "./tile_differences.ts";

/** How the offsets are smoothed: a thin-plate spline whose stiffness the data choose, a plane, or one constant. */
export type OffsetShape = "spline" | "plane" | "constant";

/** Value at a place of the reference. */
type Model = (x: number, y: number) => number;

/** A model and its effective number of coefficients. */
interface FittedModel {
  readonly model: Model;
  readonly degreesOfFreedom: number;
}

/** Weighted quadratic surface through the tiles' levels; null when they do not fix one. */
function fitQuadratic(
  levels: readonly TileLevel[],
  weights: readonly number[],
  grid: NormalisationReference,
): Model | null {
  const n = levels.length;
  const size = Math.max(grid.width, grid.height) / 2;
  const terms = (x: number, y: number) => {
    const u = (x - grid.width / 2) / size;
    const v = (y - grid.height / 2) / size;
    return [1, u, v, u * u, u * v, v * v];
  };
  const design = new Float64Array(n * 6);
  const right = new Float64Array(n);
  levels.forEach((each, i) => {
    const root = Math.sqrt(weights[i]);
    design.set(terms(each.x, each.y).map((term) => root * term), i * 6);
    right[i] = root * each.level;
  });
  const c = leastSquares(design, right, n, 6, 1);
  return c === null ? null : (x, y) => terms(x, y).reduce((sum, term, k) => sum + c[k] * term, 0);
}

/** Tiles from which a plane, a spline, and a quadratic under the spline are fitted. */
const minimumPlaneTiles = 4;
const minimumSplineTiles = 9;
const minimumQuadraticTiles = 24;

/** Coefficients of a spline over the tiles, at most. */
const maximumFreedomShare = 0.6;

/** No tile may count ten times as much as a typical one: its error is an estimate too. */
function weightsOf(levels: readonly TileLevel[]): number[] {
  const typical = median(Float64Array.from(levels, (each) => each.error));
  return levels.map((each) => typical > 0 ? 1 / Math.max(each.error, typical / 3) ** 2 : 1);
}

/** The model of a shape; a constant where there are too few tiles, or tiles in one line, for more. */
function fitModel(
  levels: readonly TileLevel[],
  weights: readonly number[],
  grid: NormalisationReference,
  shape: OffsetShape,
): FittedModel {
  const x = levels.map((each) => each.x);
  const y = levels.map((each) => each.y);
  const z = levels.map((each) => each.level);
  if (shape !== "constant" && levels.length >= minimumPlaneTiles) {
    try {
      if (shape === "plane" || levels.length < minimumSplineTiles) {
        // a very stiff spline is the weighted plane
        const stiff = fitThinPlate(x, y, z, { weights, smoothing: 1e9 * Math.max(grid.width, grid.height) ** 2 });
        return { model: (px, py) => thinPlateAt(stiff, px, py), degreesOfFreedom: 3 };
      }
      // most gradients are parabolic, which a spline only follows at many coefficients' cost: that part goes first
      const quadratic = levels.length < minimumQuadraticTiles ? null : fitQuadratic(levels, weights, grid);
      const rest = quadratic === null ? z : levels.map((each) => each.level - quadratic(each.x, each.y));
      const spline = fitThinPlate(x, y, rest, { weights, maximumDegreesOfFreedom: maximumFreedomShare });
      return quadratic === null
        ? { model: (px, py) => thinPlateAt(spline, px, py), degreesOfFreedom: spline.degreesOfFreedom }
        : {
          model: (px, py) => quadratic(px, py) + thinPlateAt(spline, px, py),
          degreesOfFreedom: spline.degreesOfFreedom + 3,
        };
    } catch (error) {
      // tiles in one line fix no plane
      if (!(error instanceof RangeError)) throw error;
    }
  }
  const constant = weightedMedian(Float64Array.from(z), Float64Array.from(weights));
  return { model: () => constant, degreesOfFreedom: 1 };
}

/** A surface at the nodes of the reference's grid. */
export interface SmoothOffsets {
  /** Differences at the nodes, row by row, reference unit. */
  readonly nodes: Float64Array;
  /** Effective number of coefficients. */
  readonly degreesOfFreedom: number;
  /** Scatter of the tiles about the surface, reference unit. */
  readonly scatter: number;
}

/** Nodes of a smooth surface through the tiles' levels. */
export function smoothOffsets(
  levels: readonly TileLevel[],
  grid: NormalisationReference,
  shape: OffsetShape,
): SmoothOffsets {
  const { gridWidth, gridHeight, tilePixels } = grid;
  const { model, degreesOfFreedom } = fitModel(levels, weightsOf(levels), grid, shape);
  const nodes = new Float64Array(gridWidth * gridHeight);
  const place = (k: number) => (tilePixels - 1) / 2 + k * tilePixels;
  for (let j = 0; j < gridHeight; j++) {
    for (let i = 0; i < gridWidth; i++) nodes[j * gridWidth + i] = model(place(i), place(j));
  }
  const off = Float64Array.from(levels, (each) => Math.abs(each.level - model(each.x, each.y)));
  return { nodes, degreesOfFreedom, scatter: madSigmaFactor * median(off) };
}
