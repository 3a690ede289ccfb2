/** Trails of satellites and aircraft: straight lines across a frame. */
import type { Point } from "../core/geometry.ts";
import type { Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { type Inspection, inspectLine, type LineField } from "./inspect_line.ts";
import { LineVotes } from "./line_votes.ts";
import type { Chord, Trail } from "./trail.ts";
import { trailMap } from "./trail_map.ts";

/** Least votes of a line over chance, in standard deviations of chance, for a close look. */
const minimumVoteSigmas = 6;
/** Lines looked at closely, the strongest. */
const maximumLines = 8;
/** Fewest blocks that stand out, and their largest share: a nebula or a cloud that lights more hides any line. */
const minimumBlocks = 20;
const maximumBlockShare = 0.15;
/**
 * Sigmas of a line from which on it is a trail, and their share of pieces. On 114 simulated frames full of nebula the
 * trails had 8.7 to 17 and the straightest of nebulae's ridges 7.9.
 */
const minimumTrailSigmas = 9;
const minimumTrailCoverage = 0.6;

/** A place of the grid, whose samples are means of 2 × 2 pixels, in the frame. */
const inFrame = ({ x, y }: Point): Point => ({ x: 2 * x + 0.5, y: 2 * y + 0.5 });

/**
 * A line as it stands out more: against the nearest sky, which tells most beside narrow trails, or against the sky
 * beyond a trail as wide as stars are.
 */
function inspectBothWidths(field: LineField, chord: Chord): Inspection {
  const narrow = inspectLine(field, chord, 2);
  const away = 1 + Math.ceil(0.6 * Math.max(2, field.fwhmPixels));
  const wide = away < 4 ? narrow : inspectLine(field, chord, away);
  return wide.sigmas > narrow.sigmas ? wide : narrow;
}

/**
 * Lines across a sky-subtracted 2 × 2 grid: blocks that stand out and hold no star vote for the lines through them.
 * The lines with most votes over what as many blocks at random give are looked at closely, piece by piece from border
 * to border: what flies by crosses the whole frame within an exposure, and no ridge of a nebula is straight to a pixel
 * or two over all of it.
 */
export function findTrails(grid: Raster, stars: readonly Star[], fwhmPixels: number): Trail[] {
  const map = trailMap(grid, stars, fwhmPixels);
  if (map === null) return [];
  const { width, height, factor, xs } = map;
  if (xs.length < minimumBlocks || xs.length / (width * height) > maximumBlockShare) return [];

  const zoom = factor / 2;
  const inGrid = (place: Point): Point => ({
    x: place.x * zoom + (zoom - 1) / 2,
    y: place.y * zoom + (zoom - 1) / 2,
  });
  const field = { grid, stars, fwhmPixels, reach: Math.ceil(1.5 * zoom + 1) };
  const votes = new LineVotes(map);
  const trails: Trail[] = [];
  for (let k = 0; k < maximumLines; k++) {
    const line = votes.strongest();
    if (line === null || !(line.significance > minimumVoteSigmas)) break;
    const { degrees, offset } = line;
    const { from, to } = votes.chordOf(degrees, offset);
    const { sigmas, coverage, chord } = inspectBothWidths(field, { from: inGrid(from), to: inGrid(to) });
    if (sigmas > minimumTrailSigmas && coverage >= minimumTrailCoverage) {
      const ends = { from: inFrame(chord.from), to: inFrame(chord.to) };
      trails.push({ ...ends, degrees, offsetPixels: offset * factor, coverage, significance: sigmas });
    }
    votes.withdraw(line);
  }
  return trails;
}
