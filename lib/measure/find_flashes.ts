/** Rows of point-like flashes that an aircraft leaves among the stars. */
import type { Star } from "../core/star.ts";
import { chordAcross, type FrameSize, offsetAlongNormal, type Trail } from "./trail.ts";

/** Most rows looked for. */
const maximumRows = 3;
/** Stars that may be flashes, the brightest, and those of them that lines are drawn through. */
const maximumStars = 200;
const maximumSeeds = 70;
/** Distance from a line within which a star counts as on it, pixels. */
const maximumDistance = 1.2;
/** Fewest stars on a line. */
const minimumFlashes = 8;
/** Least length of the line between two seeds, as a share of the shorter side. */
const minimumSeedDistance = 0.15;
/**
 * Least number of stars on a line over chance, in standard deviations of chance. Some 2400 lines are tried: six
 * standard deviations of a Poisson number of about three leave no chance finds.
 */
const minimumSignificance = 6;

/** A line through two stars, and how many more lie on it than chance puts there. */
interface StarLine {
  readonly flashes: readonly Star[];
  readonly significance: number;
  readonly degrees: number;
  readonly offsetPixels: number;
}

/** The line through two of the brightest stars that holds most over chance; null if none holds enough. */
function bestLine(stars: readonly Star[], size: FrameSize): StarLine | null {
  const side = Math.min(size.width, size.height);
  const expected = 2 + stars.length * 2 * maximumDistance / side;
  const seeds = stars.slice(0, maximumSeeds);
  let best: StarLine | null = null;
  for (let i = 0; i < seeds.length; i++) {
    for (let j = i + 1; j < seeds.length; j++) {
      const { x, y } = seeds[i];
      const dx = seeds[j].x - x;
      const dy = seeds[j].y - y;
      const length = Math.hypot(dx, dy);
      if (length < minimumSeedDistance * side) continue;
      const normalX = -dy / length;
      const normalY = dx / length;
      const offset = x * normalX + y * normalY;
      let n = 0;
      for (const star of stars) if (Math.abs(star.x * normalX + star.y * normalY - offset) < maximumDistance) n++;
      if (n < minimumFlashes) continue;
      const significance = (n - expected) / Math.sqrt(expected);
      if (!(significance > (best?.significance ?? 0))) continue;
      const degrees = (Math.atan2(dy, dx) * 180 / Math.PI + 180) % 180;
      best = {
        flashes: stars.filter((star) => Math.abs(star.x * normalX + star.y * normalY - offset) < maximumDistance),
        significance,
        degrees,
        offsetPixels: offsetAlongNormal(degrees, x, y, size),
      };
    }
  }
  return best;
}

/** Length of a row of flashes over the shorter side of the frame, at most 1. */
function coverageOf({ flashes, degrees }: StarLine, { width, height }: FrameSize): number {
  const angle = degrees * Math.PI / 180;
  const along = flashes.map((star) => star.x * Math.cos(angle) + star.y * Math.sin(angle));
  return Math.min(1, (Math.max(...along) - Math.min(...along)) / Math.min(width, height));
}

/**
 * Rows of point-like flashes that an aircraft leaves among the stars: a line through two of the brighter ones that
 * holds far more than chance. Returns the trails and which entries of the list lie on them.
 */
export function findFlashes(stars: readonly Star[], size: FrameSize): { trails: Trail[]; flashes: Set<Star> } {
  const trails: Trail[] = [];
  const flashes = new Set<Star>();
  for (let row = 0; row < maximumRows; row++) {
    const left = stars.filter((star) => !flashes.has(star)).slice(0, maximumStars);
    const line = bestLine(left, size);
    if (line === null || line.significance < minimumSignificance) break;
    for (const star of line.flashes) flashes.add(star);
    const { degrees, offsetPixels, significance } = line;
    const coverage = coverageOf(line, size);
    trails.push({ ...chordAcross(degrees, offsetPixels, size), degrees, offsetPixels, coverage, significance });
  }
  return { trails, flashes };
}
