/** Trails of satellites and aircraft: straight lines across a frame. */
import { returnPlane } from "../core/memory.ts";
import type { Point } from "../core/geometry.ts";
import type { Star } from "../core/star.ts";
import { blockMeans, type Grid } from "../kernels/detection.ts";
import { madSigma, madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";

/** A straight trail. */
export interface Trail {
  /** Direction, from +x towards +y, 0 … 180. */
  readonly degrees: number;
  /** Distance of the line from the middle of the frame, pixels, along its normal (direction − 90°). */
  readonly offsetPixels: number;
  /** Share of the line within the frame on which it shows, where no star hides it. */
  readonly coverage: number;
  /** How far it stands out, in standard deviations of chance. */
  readonly significance: number;
}

/**
 * Largest side of the map lines are sought on: a trail three pixels wide and as bright as the noise is 3 sigma in a
 * block of 8 × 8.
 */
const MAP_SIDE = 260;

/**
 * A line that has so many votes over chance, in standard deviations of chance, is looked at; the strongest ones only.
 */
const LINE_SIGMAS = 6;
const MOST_LINES = 8;
/** A line that keeps within so many blocks of one border all along is none. */
const BORDER_BLOCKS = 4;

/** Distance of a place from a trail's line, pixels, without sign. */
export function trailDistance(trail: Trail, x: number, y: number, width: number, height: number): number {
  const angle = trail.degrees * Math.PI / 180;
  const across = (x - (width - 1) / 2) * Math.sin(angle) - (y - (height - 1) / 2) * Math.cos(angle);
  return Math.abs(across - trail.offsetPixels);
}

/**
 * How far a trail's light may lie from its line: lines are known to half a block and half a degree, a trail is a few
 * pixels wide.
 */
export function trailReach(width: number, height: number): number {
  let factor = 2;
  while (Math.max(width, height) / factor > MAP_SIDE) factor *= 2;
  return factor + Math.hypot(width, height) / 4 * Math.PI / 180 + 3;
}

/** Middle of five numbers. */
function middleOfFive(a: number, b: number, c: number, d: number, e: number): number {
  const ab0 = Math.min(a, b);
  const ab1 = Math.max(a, b);
  const cd0 = Math.min(c, d);
  const cd1 = Math.max(c, d);
  // The least of all and the greatest of the first four's pairs cannot be the middle.
  const f = Math.max(ab0, cd0);
  const g = Math.min(ab1, cd1);
  return Math.max(Math.min(f, g), Math.min(Math.max(f, g), e));
}

/**
 * The map less the median of five along rows of the medians of five along columns: what is narrow in one direction
 * stays.
 */
function highPass(map: Grid): Float32Array {
  const { width, height, data } = map;
  const columns = new Float32Array(data.length);
  const out = new Float32Array(data.length);
  const row = (y: number) => Math.max(0, Math.min(height - 1, y)) * width;
  for (let y = 0; y < height; y++) {
    const a = row(y - 2);
    const b = row(y - 1);
    const c = row(y);
    const d = row(y + 1);
    const e = row(y + 2);
    for (let x = 0; x < width; x++) {
      columns[c + x] = middleOfFive(data[a + x], data[b + x], data[c + x], data[d + x], data[e + x]);
    }
  }
  for (let y = 0; y < height; y++) {
    const c = row(y);
    const at = (x: number) => columns[c + Math.max(0, Math.min(width - 1, x))];
    for (let x = 0; x < width; x++) {
      out[c + x] = data[c + x] - middleOfFive(at(x - 2), at(x - 1), at(x), at(x + 1), at(x + 2));
    }
  }
  return out;
}

/** Robust scatter of each 12 × 12 cell of the map, spread over its samples: nebulae are rougher than the sky. */
function localScatter(data: Float32Array, width: number, height: number): Float32Array {
  const cell = 12;
  const out = new Float32Array(data.length);
  const scratch = new Float32Array(cell * cell);
  for (let y0 = 0; y0 < height; y0 += cell) {
    for (let x0 = 0; x0 < width; x0 += cell) {
      let n = 0;
      const y1 = Math.min(height, y0 + cell);
      const x1 = Math.min(width, x0 + cell);
      for (let y = y0; y < y1; y++) for (let x = x0; x < x1; x++) scratch[n++] = Math.abs(data[y * width + x]);
      const scatter = madSigmaFactor * medianInPlace(scratch, n);
      for (let y = y0; y < y1; y++) out.fill(scatter, y * width + x0, y * width + x1);
    }
  }
  return out;
}

/** A line through the grid, from border to border. */
interface Chord {
  readonly from: Point;
  readonly to: Point;
}

/** What a line looks like in the grid. */
interface Inspection {
  /** Sum of its pieces' heights in standard deviations of what lies beside them, over the root of their number. */
  readonly sigmas: number;
  /** Share of the pieces that stand out. */
  readonly coverage: number;
}

/**
 * Sigmas of a line from which on it is a trail, and their share of pieces. On 114 simulated frames full of nebula the
 * trails had 8.7 to 17 and the straightest of nebulae's ridges 7.9.
 */
const TRAIL_SIGMAS = 9;
const TRAIL_COVERAGE = 0.6;

/** A piece counts for no more than this, so that no knot of a nebula carries a line alone. */
const MOST_SIGMAS = 4;

/**
 * Look at a line closely. Along it the grid is read in rows across; three samples less three on each side, `away`
 * samples off, take levels and slopes of nebulae off; the medians of some twenty rows make the pieces. Within the
 * reach that the coarse search leaves unsure that straight line is taken on which the pieces stand out most, each
 * measured by what the same piece scatters by beside the line: by the roughness of the nebula there, not by the noise
 * alone.
 */
function inspect(
  grid: Grid,
  stars: readonly Star[],
  fwhmPixels: number,
  reach: number,
  away: number,
  { from, to }: Chord,
): Inspection {
  const length = Math.hypot(to.x - from.x, to.y - from.y);
  const pieces = Math.max(8, Math.min(20, Math.round(length / 20)));
  const dx = (to.x - from.x) / length;
  const dy = (to.y - from.y) / length;
  const half = reach + 12 + away + 1;
  const across = 2 * half + 1;
  const near = stars.flatMap((star) => {
    const x = star.x / 2 - from.x;
    const y = star.y / 2 - from.y;
    const o = -x * dy + y * dx;
    const r = (1.5 + 0.5 * Math.log10(Math.max(1, star.snr))) * Math.max(2, fwhmPixels) / 2;
    return Math.abs(o) < half + r ? [{ t: x * dx + y * dy, o, r }] : [];
  });
  const heights = new Float64Array(pieces * across).fill(NaN);
  const scatters = new Float64Array(pieces);
  const strip = new Float32Array(Math.ceil(length / pieces + 1) * across);
  const column = new Float32Array(Math.ceil(length / pieces + 1));
  const threes = new Float32Array(strip.length);
  for (let p = 0; p < pieces; p++) {
    const start = Math.floor(p * length / pieces);
    const rows = Math.floor((p + 1) * length / pieces) - start;
    for (let row = 0, at = 0; row < rows; row++) {
      for (let o = -half; o <= half; o++, at++) {
        const x = Math.round(from.x + (start + row) * dx - o * dy);
        const y = Math.round(from.y + (start + row) * dy + o * dx);
        strip[at] = x < 0 || y < 0 || x >= grid.width || y >= grid.height ? NaN : grid.data[y * grid.width + x];
      }
    }
    for (const { t, o, r } of near) {
      const left = Math.max(0, Math.ceil(o - r) + half);
      const right = Math.min(across - 1, Math.floor(o + r) + half);
      for (let row = Math.max(0, Math.ceil(t - r) - start); row < rows && row <= t + r - start; row++) {
        if (left <= right) strip.fill(NaN, row * across + left, row * across + right + 1);
      }
    }
    for (let i = 1; i < rows * across - 1; i++) threes[i] = strip[i - 1] + strip[i] + strip[i + 1];
    for (let k = away + 1; k < across - away - 1; k++) {
      let n = 0;
      for (let row = 0, at = k; row < rows; row++, at += across) {
        const height = threes[at] - (threes[at - away] + threes[at + away]) / 2;
        if (height === height) column[n++] = height;
      }
      if (n >= 3 && n >= 0.3 * rows) heights[p * across + k] = medianInPlace(column, n);
    }
    scatters[p] = madSigma(heights.subarray(p * across, (p + 1) * across), 0);
  }
  let sigmas = -Infinity;
  let line: number[] = [];
  for (let a = -reach; a <= reach; a++) {
    for (let b = -reach; b <= reach; b++) {
      const each: number[] = [];
      let sum = 0;
      for (let p = 0; p < pieces; p++) {
        const height = heights[p * across + half + Math.round(a + (b - a) * (p + 0.5) / pieces)] / scatters[p];
        if (height !== height) continue;
        each.push(height);
        sum += Math.max(-MOST_SIGMAS, Math.min(MOST_SIGMAS, height));
      }
      if (each.length < 0.5 * pieces || sum / Math.sqrt(each.length) <= sigmas) continue;
      sigmas = sum / Math.sqrt(each.length);
      line = each;
    }
  }
  return { sigmas, coverage: line.length === 0 ? 0 : line.filter((height) => height > 2).length / line.length };
}

/**
 * Rows of point-like flashes that an aircraft leaves among the stars: a line through two of the brighter ones that
 * holds far more than chance. Returns the trail and which entries of the list lie on it.
 */
export function findFlashes(
  stars: readonly Star[],
  width: number,
  height: number,
): { trails: Trail[]; flashes: Set<Star> } {
  const trails: Trail[] = [];
  const flashes = new Set<Star>();
  for (let round = 0; round < 3; round++) {
    const left = stars.filter((star) => !flashes.has(star)).slice(0, 200);
    const seeds = left.slice(0, 70);
    let best: Star[] = [];
    let bestSigmas = 0;
    let degrees = 0;
    let offset = 0;
    for (let i = 0; i < seeds.length; i++) {
      for (let j = i + 1; j < seeds.length; j++) {
        const dx = seeds[j].x - seeds[i].x;
        const dy = seeds[j].y - seeds[i].y;
        const length = Math.hypot(dx, dy);
        if (length < 0.15 * Math.min(width, height)) continue;
        const nx = -dy / length;
        const ny = dx / length;
        const c = seeds[i].x * nx + seeds[i].y * ny;
        let n = 0;
        for (const star of left) if (Math.abs(star.x * nx + star.y * ny - c) < 1.2) n++;
        if (n < 8) continue;
        const expected = 2 + left.length * 2.4 / Math.min(width, height);
        const sigmas = (n - expected) / Math.sqrt(expected);
        if (sigmas > bestSigmas) {
          bestSigmas = sigmas;
          best = left.filter((star) => Math.abs(star.x * nx + star.y * ny - c) < 1.2);
          degrees = (Math.atan2(dy, dx) * 180 / Math.PI + 180) % 180;
          // The normal of a trail is its direction less 90°.
          const angle = degrees * Math.PI / 180;
          const { x, y } = seeds[i];
          offset = (x - (width - 1) / 2) * Math.sin(angle) - (y - (height - 1) / 2) * Math.cos(angle);
        }
      }
    }
    // Some 2400 lines are tried: six standard deviations of a Poisson number of about three leave no chance finds.
    if (bestSigmas < 6) break;
    for (const star of best) flashes.add(star);
    const t = best.map((star) =>
      star.x * Math.cos(degrees * Math.PI / 180) + star.y * Math.sin(degrees * Math.PI / 180)
    );
    const coverage = Math.min(1, (Math.max(...t) - Math.min(...t)) / Math.min(width, height));
    trails.push({ degrees, offsetPixels: offset, coverage, significance: bestSigmas });
  }
  return { trails, flashes };
}

/**
 * Lines across a sky-subtracted 2 × 2 grid: blocks that stand out and hold no star vote for the lines through them
 * (Hough transform; Duda & Hart 1972, CACM 15, 11). The lines with most votes over what as many blocks at random give
 * are looked at closely, piece by piece from border to border: what flies by crosses the whole frame within an
 * exposure, and no ridge of a nebula is straight to a pixel or two over all of it.
 */
export function findTrails(grid: Grid, stars: readonly Star[], fwhmPixels: number): Trail[] {
  let map = grid;
  let factor = 2;
  while (Math.max(map.width, map.height) > MAP_SIDE) {
    const next = blockMeans(map.data, map.width, map.height, -1);
    if (map !== grid) returnPlane(map.data);
    map = next;
    factor *= 2;
  }
  const { width, height } = map;
  if (Math.min(width, height) < 24) return [];
  const above = highPass(map);
  const noise = localScatter(above, width, height);
  if (map !== grid) returnPlane(map.data);
  const blocked = new Uint8Array(width * height);
  for (const star of stars) {
    const reach = Math.min(
      6,
      (1.5 + 0.5 * Math.log10(Math.max(1, star.snr))) * (fwhmPixels > 0 ? fwhmPixels : 3) / factor,
    );
    const x0 = (star.x - (factor - 1) / 2) / factor;
    const y0 = (star.y - (factor - 1) / 2) / factor;
    for (let y = Math.max(0, Math.round(y0 - reach)); y <= Math.min(height - 1, Math.round(y0 + reach)); y++) {
      for (let x = Math.max(0, Math.round(x0 - reach)); x <= Math.min(width - 1, Math.round(x0 + reach)); x++) {
        blocked[y * width + x] = 1;
      }
    }
  }
  const xs: number[] = [];
  const ys: number[] = [];
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      if (above[i] > 2.5 * noise[i] && noise[i] > 0 && blocked[i] === 0) {
        xs.push(x);
        ys.push(y);
      }
    }
  }
  const share = xs.length / (width * height);
  // A nebula or a cloud lights a good part of the map; lines cannot be told from it then.
  if (xs.length < 20 || share > 0.15) return [];
  const angles = 180;
  const diagonal = Math.hypot(width, height);
  const half = Math.ceil(diagonal / 2) + 1;
  const votes = new Int32Array(angles * (2 * half + 1));
  const cosines: number[] = [];
  const sines: number[] = [];
  for (let a = 0; a < angles; a++) {
    // Normal of a line of direction a.
    cosines.push(Math.sin(a * Math.PI / 180));
    sines.push(-Math.cos(a * Math.PI / 180));
  }
  const cx = (width - 1) / 2;
  const cy = (height - 1) / 2;
  const vote = (x: number, y: number, by: number) => {
    for (let a = 0; a < angles; a++) {
      votes[a * (2 * half + 1) + half + Math.round((x - cx) * cosines[a] + (y - cy) * sines[a])] += by;
    }
  };
  for (let k = 0; k < xs.length; k++) vote(xs[k], ys[k], 1);
  /** Where a line enters and leaves the map. */
  const ends = (a: number, rho: number) => {
    const dx = Math.cos(a * Math.PI / 180);
    const dy = Math.sin(a * Math.PI / 180);
    const px = cx + rho * cosines[a];
    const py = cy + rho * sines[a];
    let first = -Infinity;
    let last = Infinity;
    for (const [p, d, most] of [[px, dx, width - 1], [py, dy, height - 1]]) {
      if (Math.abs(d) < 1e-9) {
        if (p < 0 || p > most) return { length: 0, from: { x: px, y: py }, to: { x: px, y: py } };
        continue;
      }
      first = Math.max(first, Math.min(-p / d, (most - p) / d));
      last = Math.min(last, Math.max(-p / d, (most - p) / d));
    }
    return {
      length: Math.max(0, last - first),
      from: { x: px + first * dx, y: py + first * dy },
      to: { x: px + last * dx, y: py + last * dy },
    };
  };
  // Along a border each block is compared with half a neighbourhood, and a resampled frame has its seam there: no line
  // to trust.
  const alongBorder = (a: number, rho: number) => {
    const { from, to } = ends(a, rho);
    return [
      from.x < BORDER_BLOCKS && to.x < BORDER_BLOCKS,
      from.y < BORDER_BLOCKS && to.y < BORDER_BLOCKS,
      Math.min(from.x, to.x) > width - 1 - BORDER_BLOCKS,
      Math.min(from.y, to.y) > height - 1 - BORDER_BLOCKS,
    ].some((each) => each);
  };
  const trails: Trail[] = [];
  const used = new Uint8Array(xs.length);
  for (let round = 0; round < MOST_LINES; round++) {
    let best = 0;
    let at = -1;
    for (let a = 0; a < angles; a++) {
      for (let r = -half; r <= half; r++) {
        const n = votes[a * (2 * half + 1) + half + r];
        if (n < 12) continue;
        const { length } = ends(a, r);
        if (alongBorder(a, r)) continue;
        // Rounding spreads a thin line over up to 1.4 cells of the accumulator; hold the shortest chords off.
        if (length < 0.35 * Math.min(width, height)) continue;
        const expected = Math.max(length * share, 0.5);
        const sigmas = (n - expected) / Math.sqrt(expected);
        if (n > length / 4 && sigmas > best) {
          best = sigmas;
          at = a * (2 * half + 1) + half + r;
        }
      }
    }
    if (!(best > LINE_SIGMAS)) break;
    const a = Math.floor(at / (2 * half + 1));
    const rho = at % (2 * half + 1) - half;
    const zoom = factor / 2;
    const reach = Math.ceil(1.5 * zoom + 1);
    const { from, to } = ends(a, rho);
    const place = (p: Point) => ({ x: p.x * zoom + (zoom - 1) / 2, y: p.y * zoom + (zoom - 1) / 2 });
    const look = (away: number) => inspect(grid, stars, fwhmPixels, reach, away, { from: place(from), to: place(to) });
    // A trail is as wide as stars are; beside narrow trails the nearest sky tells most.
    const widest = 1 + Math.ceil(0.6 * Math.max(2, fwhmPixels));
    const near = look(2);
    const wide = widest < 4 ? near : look(widest);
    const seen = wide.sigmas > near.sigmas ? wide : near;
    if (seen.sigmas > TRAIL_SIGMAS && seen.coverage >= TRAIL_COVERAGE) {
      trails.push({ degrees: a, offsetPixels: rho * factor, coverage: seen.coverage, significance: seen.sigmas });
    }
    for (let k = 0; k < xs.length; k++) {
      if (used[k] === 0 && Math.abs((xs[k] - cx) * cosines[a] + (ys[k] - cy) * sines[a] - rho) < 3) {
        used[k] = 1;
        vote(xs[k], ys[k], -1);
      }
    }
  }
  return trails;
}
