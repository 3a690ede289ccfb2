/** Trails of satellites and aircraft: straight lines across a frame. */
import type { Star } from "../core/star.ts";
import { blockMeans, type Grid } from "./coarse.ts";
import { median } from "../stats/median.ts";
import { madSigma } from "../stats/mad_sigma.ts";

/** A straight trail. */
export interface Trail {
  /** Direction, from +x towards +y, 0 … 180. */
  readonly degrees: number;
  /** Distance of the line from the middle of the frame, pixels, along its normal (direction − 90°). */
  readonly offsetPixels: number;
  /** Share of the line within the frame on which it shows. */
  readonly coverage: number;
  /** Votes over what chance gives, in standard deviations of chance. */
  readonly significance: number;
}

/** Largest side of the map lines are sought on: a trail three pixels wide and as bright as the noise is 3 sigma in a block of 8 × 8. */
const MAP_SIDE = 260;

/**
 * Lines in a sky-subtracted 2 × 2 grid: blocks that stand out and hold no star vote for the lines through them (Hough
 * transform; Duda & Hart 1972, CACM 15, 11). A line counts when it shows on a third of its length and chance is out of the
 * question (8 standard deviations of the votes of as many blocks at random).
 */
export function findTrails(grid: Grid, stars: readonly Star[], fwhmPixels: number): Trail[] {
  let map = grid, factor = 2;
  while (Math.max(map.width, map.height) > MAP_SIDE) {
    map = blockMeans(map.data, map.width, map.height, -1);
    factor *= 2;
  }
  const { width, height, data } = map;
  if (Math.min(width, height) < 24) return [];
  const noise = madSigma(data), level = median(data);
  if (!(noise > 0)) return [];
  const blocked = new Uint8Array(width * height);
  for (const star of stars) {
    const reach = Math.min(
      6,
      (1.5 + 0.5 * Math.log10(Math.max(1, star.snr))) * (fwhmPixels > 0 ? fwhmPixels : 3) / factor,
    );
    const x0 = (star.x - (factor - 1) / 2) / factor, y0 = (star.y - (factor - 1) / 2) / factor;
    for (let y = Math.max(0, Math.round(y0 - reach)); y <= Math.min(height - 1, Math.round(y0 + reach)); y++) {
      for (let x = Math.max(0, Math.round(x0 - reach)); x <= Math.min(width - 1, Math.round(x0 + reach)); x++) {
        blocked[y * width + x] = 1;
      }
    }
  }
  const xs: number[] = [], ys: number[] = [];
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      if (data[i] - level > 2.5 * noise && blocked[i] === 0) {
        xs.push(x);
        ys.push(y);
      }
    }
  }
  const share = xs.length / (width * height);
  // A nebula or a cloud lights a good part of the map; lines cannot be told from it then.
  if (xs.length < 20 || share > 0.15) return [];
  const angles = 180, diagonal = Math.hypot(width, height), half = Math.ceil(diagonal / 2) + 1;
  const votes = new Int32Array(angles * (2 * half + 1)), cosines: number[] = [], sines: number[] = [];
  for (let a = 0; a < angles; a++) {
    // Normal of a line of direction a.
    cosines.push(Math.sin(a * Math.PI / 180));
    sines.push(-Math.cos(a * Math.PI / 180));
  }
  const cx = (width - 1) / 2, cy = (height - 1) / 2;
  const vote = (x: number, y: number, by: number) => {
    for (let a = 0; a < angles; a++) {
      votes[a * (2 * half + 1) + half + Math.round((x - cx) * cosines[a] + (y - cy) * sines[a])] += by;
    }
  };
  for (let k = 0; k < xs.length; k++) vote(xs[k], ys[k], 1);
  /** Blocks of the line inside the map. */
  const chord = (a: number, rho: number): number => {
    const dx = Math.cos(a * Math.PI / 180), dy = Math.sin(a * Math.PI / 180);
    const px = cx + rho * cosines[a], py = cy + rho * sines[a];
    let from = -Infinity, to = Infinity;
    for (const [p, d, most] of [[px, dx, width - 1], [py, dy, height - 1]]) {
      if (Math.abs(d) < 1e-9) {
        if (p < 0 || p > most) return 0;
        continue;
      }
      from = Math.max(from, Math.min(-p / d, (most - p) / d));
      to = Math.min(to, Math.max(-p / d, (most - p) / d));
    }
    return Math.max(0, to - from);
  };
  const trails: Trail[] = [], used = new Uint8Array(xs.length);
  for (let round = 0; round < 5; round++) {
    let best = 0, at = -1, covered = 0;
    for (let a = 0; a < angles; a++) {
      for (let r = -half; r <= half; r++) {
        const n = votes[a * (2 * half + 1) + half + r];
        if (n < 12) continue;
        const length = chord(a, r);
        // Rounding spreads a thin line over up to 1.4 cells of the accumulator; hold the shortest chords off.
        if (length < 0.35 * Math.min(width, height)) continue;
        const expected = Math.max(length * share, 0.5), sigmas = (n - expected) / Math.sqrt(expected);
        if (n > length / 3 && sigmas > best) {
          best = sigmas;
          at = a * (2 * half + 1) + half + r;
          covered = Math.min(1, n / length);
        }
      }
    }
    if (!(best > 8)) break;
    const a = Math.floor(at / (2 * half + 1)), rho = at % (2 * half + 1) - half;
    trails.push({ degrees: a, offsetPixels: rho * factor, coverage: covered, significance: best });
    for (let k = 0; k < xs.length; k++) {
      if (used[k] === 0 && Math.abs((xs[k] - cx) * cosines[a] + (ys[k] - cy) * sines[a] - rho) < 3) {
        used[k] = 1;
        vote(xs[k], ys[k], -1);
      }
    }
  }
  return trails;
}
