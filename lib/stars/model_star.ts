/** Stars of a crowded frame, each drawn with the frame's profile, while their surroundings are sorted out. */
import type { Raster } from "../core/raster.ts";
import type { Candidate } from "./candidate.ts";
import { type Ellipse, gaussianFlux, gaussianHeight } from "./ellipse.ts";
import { shapePriorWeight } from "./shape_prior.ts";
import { StarCells } from "./star_cells.ts";
import { addStar, levelAt, type PlacedStar, reachOf, type StarModel } from "./star_model.ts";

/** Stars are drawn to where they have fallen to this share of the noise of a pixel. */
const drawnNoiseShare = 0.15;
/**
 * Level of a neighbour at a star's place, as a share of the star's own height, from which on both are fitted together.
 */
const minimumNeighbourShare = 0.01;

/** A star as drawn. */
export interface ModelStar {
  /** What the search made of it. */
  readonly from: Candidate;
  /** Place, height and the ellipse it is drawn with. */
  readonly drawn: PlacedStar;
  /** As far as it was drawn, u². */
  reach: number;
  /** Signal-to-noise ratio. */
  snr: number;
  /** Highest sample above the background. */
  peak: number;
  /** Whether another is near enough to spoil what the search measured. */
  crowded: boolean;
}

/** Whether a crowded star may be fitted: a clipped one has no height that a profile could match. */
export const isFitted = (star: ModelStar): boolean => star.crowded && !star.from.saturated;

/** A star of the search, not drawn yet: with an ellipse between the frame's and its own, its flux kept. */
export function modelStarOf(from: Candidate, frame: Ellipse, sizeVariance: number): ModelStar {
  const own = shapePriorWeight(from, sizeVariance);
  const between = (a: number, b: number) => own * a + (1 - own) * b;
  const shape = { xx: between(from.xx, frame.xx), xy: between(from.xy, frame.xy), yy: between(from.yy, frame.yy) };
  const flux = between(gaussianFlux(from.height, from), from.frameFlux);
  return {
    from,
    drawn: { x: from.x, y: from.y, ...shape, height: gaussianHeight(flux, shape) },
    reach: 0,
    snr: from.snr,
    peak: from.peak,
    crowded: false,
  };
}

/** Take a star off a frame, as far as it shows above the noise. */
export function subtractStar(residual: Raster, model: StarModel, star: ModelStar, noise: number): void {
  star.reach = Math.max(4, reachOf(model, star.drawn.height, drawnNoiseShare * noise));
  addStar(residual, model, star.drawn, -1, star.reach);
}

/** Give a star back to a frame that it was taken off. */
export const restoreStar = (residual: Raster, model: StarModel, star: ModelStar): void =>
  addStar(residual, model, star.drawn, 1, star.reach);

/** Mark the stars that have others at their place: by more than a share of their own height, which would move them. */
export function markCrowded(
  stars: readonly ModelStar[],
  model: StarModel,
  fwhmPixels: number,
  size: Pick<Raster, "width" | "height">,
): void {
  const cells = new StarCells<ModelStar>(3 * fwhmPixels, size, (star) => star.drawn);
  for (const star of stars) cells.add(star);
  for (const star of stars) {
    const { x, y, height } = star.drawn;
    star.crowded ||= cells.some(
      x,
      y,
      (other) => other !== star && levelAt(model, other.drawn, x, y) > minimumNeighbourShare * height,
    );
  }
}

/** Which fitted stars have a brighter one nearer than a distance: both were led to one place and are one star. */
export function duplicatesOf(
  stars: readonly ModelStar[],
  distance: number,
  size: Pick<Raster, "width" | "height">,
): Set<ModelStar> {
  const cells = new StarCells<ModelStar>(Math.max(4, distance), size, (star) => star.drawn);
  for (const star of stars) cells.add(star);
  return new Set(stars.filter((star) => {
    const { x, y, height } = star.drawn;
    return isFitted(star) &&
      cells.some(x, y, ({ drawn }) =>
        drawn !== star.drawn && drawn.height > height &&
        (drawn.x - x) ** 2 + (drawn.y - y) ** 2 < distance * distance);
  }));
}
