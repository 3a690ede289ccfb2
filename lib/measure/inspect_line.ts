/** A line looked at closely, piece by piece: whether it stands out from what lies beside it from border to border. */
import type { Point } from "../core/geometry.ts";
import type { Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import type { Chord } from "./trail.ts";
import { hiddenRadius } from "./trail_map.ts";

/** A piece counts for no more than this, so that no knot of a nebula carries a line alone. */
const maximumPieceSigmas = 4;
/** A piece of this height over its scatter stands out. */
const minimumPieceSigmas = 2;
/** Samples beside the line, on each side, that its scatter is taken from. */
const besideSamples = 12;
/** Share of the rows of a piece that must be known for its height, and fewest of them. */
const minimumRowShare = 0.3;
const minimumRows = 3;

/** Where lines are looked at. */
export interface LineField {
  /** 2 × 2 means of the frame, sky taken off. */
  readonly grid: Raster;
  /** Stars, which hide it. */
  readonly stars: readonly Star[];
  /** Their FWHM, pixels. */
  readonly fwhmPixels: number;
  /** How far the line may lie from where it was sought, samples of the grid. */
  readonly reach: number;
}

/** What a line looks like in the grid. */
export interface Inspection {
  /** Sum of its pieces' heights in standard deviations of what lies beside them, over the root of their number. */
  readonly sigmas: number;
  /** Share of the pieces that stand out. */
  readonly coverage: number;
  /** The line on which they stand out most, from border to border, samples of the grid. */
  readonly chord: Chord;
}

/** The samples about a line, in rows across it. */
interface Strip {
  readonly chord: Chord;
  readonly length: number;
  /** Direction of the line. */
  readonly dx: number;
  readonly dy: number;
  /** Samples on each side of the line. */
  readonly half: number;
  /** Samples across. */
  readonly across: number;
  /** Pieces along the line. */
  readonly pieces: number;
}

/** A star next to the line: its place along and across it, and its radius. */
interface HiddenDisc {
  readonly along: number;
  readonly across: number;
  readonly radius: number;
}

function stripOf(chord: Chord, half: number): Strip {
  const { from, to } = chord;
  const length = Math.hypot(to.x - from.x, to.y - from.y);
  return {
    chord,
    length,
    dx: (to.x - from.x) / length,
    dy: (to.y - from.y) / length,
    half,
    across: 2 * half + 1,
    pieces: Math.max(8, Math.min(20, Math.round(length / 20))),
  };
}

/** The stars whose discs meet a strip. */
function discsIn({ chord, dx, dy, half }: Strip, { stars, fwhmPixels }: LineField): HiddenDisc[] {
  return stars.flatMap((star) => {
    const x = star.x / 2 - chord.from.x;
    const y = star.y / 2 - chord.from.y;
    const across = -x * dy + y * dx;
    const radius = hiddenRadius(star) * Math.max(2, fwhmPixels) / 2;
    return Math.abs(across) < half + radius ? [{ along: x * dx + y * dy, across, radius }] : [];
  });
}

/** Read rows of a strip from the grid; what lies outside it or in a star's disc is NaN. */
function readRows(
  { chord, dx, dy, half, across }: Strip,
  grid: Raster,
  discs: readonly HiddenDisc[],
  { start, rows }: { readonly start: number; readonly rows: number },
  samples: Float32Array,
): void {
  const { from } = chord;
  for (let row = 0, at = 0; row < rows; row++) {
    for (let o = -half; o <= half; o++, at++) {
      const x = Math.round(from.x + (start + row) * dx - o * dy);
      const y = Math.round(from.y + (start + row) * dy + o * dx);
      samples[at] = x < 0 || y < 0 || x >= grid.width || y >= grid.height ? NaN : grid.data[y * grid.width + x];
    }
  }
  for (const { along, across: o, radius } of discs) {
    const left = Math.max(0, Math.ceil(o - radius) + half);
    const right = Math.min(across - 1, Math.floor(o + radius) + half);
    if (left > right) continue;
    for (let row = Math.max(0, Math.ceil(along - radius) - start); row < rows && row <= along + radius - start; row++) {
      samples.fill(NaN, row * across + left, row * across + right + 1);
    }
  }
}

/** Heights of each piece at each distance from the line, and the scatter of each piece beside it. */
interface PieceHeights {
  readonly heights: Float64Array;
  readonly scatters: Float64Array;
}

/**
 * Heights of the pieces: three samples across less three on each side, `away` samples off, take levels and slopes of
 * nebulae off; the median of some twenty rows is a piece's height.
 */
function pieceHeights(strip: Strip, field: LineField, away: number): PieceHeights {
  const { length, across, pieces } = strip;
  const discs = discsIn(strip, field);
  const heights = new Float64Array(pieces * across).fill(NaN);
  const scatters = new Float64Array(pieces);
  const samples = new Float32Array(Math.ceil(length / pieces + 1) * across);
  const column = new Float32Array(Math.ceil(length / pieces + 1));
  const threes = new Float32Array(samples.length);
  for (let p = 0; p < pieces; p++) {
    const start = Math.floor(p * length / pieces);
    const rows = Math.floor((p + 1) * length / pieces) - start;
    readRows(strip, field.grid, discs, { start, rows }, samples);
    for (let i = 1; i < rows * across - 1; i++) threes[i] = samples[i - 1] + samples[i] + samples[i + 1];
    for (let k = away + 1; k < across - away - 1; k++) {
      let n = 0;
      for (let row = 0, at = k; row < rows; row++, at += across) {
        const height = threes[at] - (threes[at - away] + threes[at + away]) / 2;
        if (height === height) column[n++] = height;
      }
      if (n >= minimumRows && n >= minimumRowShare * rows) heights[p * across + k] = medianInPlace(column, n);
    }
    scatters[p] = madSigma(heights.subarray(p * across, (p + 1) * across), 0);
  }
  return { heights, scatters };
}

/** A place beside the line: so far across it from one of its ends. */
const placeBeside = ({ dx, dy }: Strip, { x, y }: Point, across: number): Point => ({
  x: x - across * dy,
  y: y + across * dx,
});

/** The straight line, within a reach at either end, on which the pieces stand out most. */
function bestLine(strip: Strip, { heights, scatters }: PieceHeights, reach: number): Inspection {
  const { half, across, pieces, chord } = strip;
  let sigmas = -Infinity;
  let line: number[] = [];
  let ends = [0, 0];
  for (let first = -reach; first <= reach; first++) {
    for (let last = -reach; last <= reach; last++) {
      const known: number[] = [];
      let sum = 0;
      for (let p = 0; p < pieces; p++) {
        const at = p * across + half + Math.round(first + (last - first) * (p + 0.5) / pieces);
        const height = heights[at] / scatters[p];
        if (height !== height) continue;
        known.push(height);
        sum += Math.max(-maximumPieceSigmas, Math.min(maximumPieceSigmas, height));
      }
      if (known.length < 0.5 * pieces || sum / Math.sqrt(known.length) <= sigmas) continue;
      sigmas = sum / Math.sqrt(known.length);
      line = known;
      ends = [first, last];
    }
  }
  const standing = line.filter((height) => height > minimumPieceSigmas).length;
  return {
    sigmas,
    coverage: line.length === 0 ? 0 : standing / line.length,
    chord: { from: placeBeside(strip, chord.from, ends[0]), to: placeBeside(strip, chord.to, ends[1]) },
  };
}

/**
 * Look at a line closely. Along it the grid is read in rows across, which give the heights of its pieces. Within the
 * reach that the coarse search leaves unsure that straight line is taken on which the pieces stand out most, each
 * measured by what the same piece scatters by beside the line: by the roughness of the nebula there, not by the noise
 * alone.
 *
 * @param away how far the samples lie that are taken off, samples of the grid
 */
export function inspectLine(field: LineField, chord: Chord, away: number): Inspection {
  const strip = stripOf(chord, field.reach + besideSamples + away + 1);
  return bestLine(strip, pieceHeights(strip, field, away), field.reach);
}
