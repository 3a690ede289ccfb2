/** Trails of satellites and aircraft: straight lines across a frame. */
import { returnPlane } from "../core/memory.ts";
import type { Star } from "../core/star.ts";
import { blockMeans, type Grid } from "../kernels/survey_grid.ts";
import { median } from "../stats/median.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { robustLine } from "../stats/robust_fit.ts";
import { medianInPlace } from "../stats/samples.ts";

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

/** Middle of five numbers. */
function middleOfFive(a: number, b: number, c: number, d: number, e: number): number {
  const ab0 = Math.min(a, b), ab1 = Math.max(a, b), cd0 = Math.min(c, d), cd1 = Math.max(c, d);
  // The least of all and the greatest of the first four's pairs cannot be the middle.
  const f = Math.max(ab0, cd0), g = Math.min(ab1, cd1);
  return Math.max(Math.min(f, g), Math.min(Math.max(f, g), e));
}

/** The map less the median of five along rows of the medians of five along columns: what is narrow in one direction stays. */
function highPass(map: Grid): Float32Array {
  const { width, height, data } = map, columns = new Float32Array(data.length), out = new Float32Array(data.length);
  const row = (y: number) => Math.max(0, Math.min(height - 1, y)) * width;
  for (let y = 0; y < height; y++) {
    const a = row(y - 2), b = row(y - 1), c = row(y), d = row(y + 1), e = row(y + 2);
    for (let x = 0; x < width; x++) {
      columns[c + x] = middleOfFive(data[a + x], data[b + x], data[c + x], data[d + x], data[e + x]);
    }
  }
  for (let y = 0; y < height; y++) {
    const c = row(y), at = (x: number) => columns[c + Math.max(0, Math.min(width - 1, x))];
    for (let x = 0; x < width; x++) {
      out[c + x] = data[c + x] - middleOfFive(at(x - 2), at(x - 1), at(x), at(x + 1), at(x + 2));
    }
  }
  return out;
}

/** Robust scatter of each 12 × 12 cell of the map, spread over its samples: nebulae are rougher than the sky. */
function localScatter(data: Float32Array, width: number, height: number): Float32Array {
  const cell = 12, out = new Float32Array(data.length), scratch = new Float32Array(cell * cell);
  for (let y0 = 0; y0 < height; y0 += cell) {
    for (let x0 = 0; x0 < width; x0 += cell) {
      let n = 0;
      const y1 = Math.min(height, y0 + cell), x1 = Math.min(width, x0 + cell);
      for (let y = y0; y < y1; y++) for (let x = x0; x < x1; x++) scratch[n++] = Math.abs(data[y * width + x]);
      const scatter = 1.482602218505602 * medianInPlace(scratch, n);
      for (let y = y0; y < y1; y++) out.fill(scatter, y * width + x0, y * width + x1);
    }
  }
  return out;
}

/** Half width, in grid samples, of the strip a line is looked at in; the angle steps of the search leave it off by that much at the ends. */
const STRIP = 14;

/** What a candidate line looks like in the grid, piece by piece along it. */
function inspect(
  grid: Grid,
  stars: readonly Star[],
  fwhmPixels: number,
  noise: number,
  from: { readonly x: number; readonly y: number },
  to: { readonly x: number; readonly y: number },
): { seen: number; pieces: number; width: number; unevenness: number } {
  const length = Math.hypot(to.x - from.x, to.y - from.y), pieces = Math.max(6, Math.min(16, Math.round(length / 40)));
  const dx = (to.x - from.x) / length, dy = (to.y - from.y) / length, offsets = 2 * STRIP + 1;
  const near = stars.filter((star) =>
    Math.abs((star.x / 2 - from.x) * -dy + (star.y / 2 - from.y) * dx) < STRIP + 3 * Math.max(2, fwhmPixels)
  );
  const starReach = (star: Star) => (1.5 + 0.5 * Math.log10(Math.max(1, star.snr))) * Math.max(2, fwhmPixels) / 2;
  const heights: number[] = [], widths: number[] = [], places: number[] = [], along: number[] = [];
  for (let p = 0; p < pieces; p++) {
    const start = Math.floor(p * length / pieces), end = Math.floor((p + 1) * length / pieces);
    const sum = new Float64Array(offsets), count = new Float64Array(offsets);
    const here = near.filter((star) => {
      const t = (star.x / 2 - from.x) * dx + (star.y / 2 - from.y) * dy;
      return t > start - starReach(star) && t < end + starReach(star);
    });
    for (let t = start; t < end; t++) {
      for (let o = -STRIP; o <= STRIP; o++) {
        const fx = from.x + t * dx - o * dy, fy = from.y + t * dy + o * dx, x = Math.round(fx), y = Math.round(fy);
        if (x < 0 || y < 0 || x >= grid.width || y >= grid.height) continue;
        if (here.some((star) => (star.x / 2 - fx) ** 2 + (star.y / 2 - fy) ** 2 < starReach(star) ** 2)) continue;
        sum[o + STRIP] += grid.data[y * grid.width + x];
        count[o + STRIP]++;
      }
    }
    const profile = [...sum].map((each, i) => count[i] > 0.3 * (end - start) ? each / count[i] : NaN);
    const known = profile.filter((each) => each === each);
    if (known.length < STRIP) continue;
    const base = median(known), error = noise / Math.sqrt(Math.max(1, end - start));
    let best = -Infinity, at = -1;
    for (let i = 1; i < offsets - 1; i++) {
      const v = (profile[i - 1] + profile[i] + profile[i + 1]) / 3 - base;
      if (v > best) {
        best = v;
        at = i;
      }
    }
    heights.push(best / error * Math.sqrt(3));
    const half = profile.filter((each) => each - base > 0.5 * best).length;
    widths.push(half);
    places.push(at);
    along.push(p);
  }
  // The pieces of a trail lie on one line: those that do not are chance.
  const strong = heights.flatMap((each, i) => each > 6 ? [i] : []);
  const line = robustLine(strong.map((i) => along[i]), strong.map((i) => places[i]));
  const seen = strong.filter((i) => Math.abs(places[i] - line.intercept - line.slope * along[i]) <= 1.5).map((i) =>
    heights[i]
  );
  return {
    seen: seen.length,
    pieces,
    width: widths.length === 0 ? Infinity : median(widths),
    unevenness: seen.length < 3 ? Infinity : madSigma(seen) / median(seen),
  };
}

/**
 * Rows of point-like flashes that an aircraft leaves among the stars: a line through two of the brighter ones that holds far more
 * than chance. Returns the trail and which entries of the list lie on it.
 */
export function findFlashes(
  stars: readonly Star[],
  width: number,
  height: number,
): { trails: Trail[]; flashes: Set<Star> } {
  const trails: Trail[] = [], flashes = new Set<Star>();
  for (let round = 0; round < 3; round++) {
    const left = stars.filter((star) => !flashes.has(star)).slice(0, 200), seeds = left.slice(0, 70);
    let best: Star[] = [], bestSigmas = 0, degrees = 0, offset = 0;
    for (let i = 0; i < seeds.length; i++) {
      for (let j = i + 1; j < seeds.length; j++) {
        const dx = seeds[j].x - seeds[i].x, dy = seeds[j].y - seeds[i].y, length = Math.hypot(dx, dy);
        if (length < 0.15 * Math.min(width, height)) continue;
        const nx = -dy / length, ny = dx / length, c = seeds[i].x * nx + seeds[i].y * ny;
        let n = 0;
        for (const star of left) if (Math.abs(star.x * nx + star.y * ny - c) < 1.2) n++;
        if (n < 8) continue;
        const expected = 2 + left.length * 2.4 / Math.min(width, height);
        const sigmas = (n - expected) / Math.sqrt(expected);
        if (sigmas > bestSigmas) {
          bestSigmas = sigmas;
          best = left.filter((star) => Math.abs(star.x * nx + star.y * ny - c) < 1.2);
          degrees = (Math.atan2(dy, dx) * 180 / Math.PI + 180) % 180;
          offset = c - nx * (width - 1) / 2 - ny * (height - 1) / 2;
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
 * Lines in a sky-subtracted 2 × 2 grid: blocks that stand out and hold no star vote for the lines through them (Hough
 * transform; Duda & Hart 1972, CACM 15, 11). A line counts when it shows on a third of its length and chance is out of the
 * question (8 standard deviations of the votes of as many blocks at random), and when, looked at piece by piece, it is narrow and
 * evenly bright on most of its pieces, which the edge of a nebula is not.
 */
export function findTrails(grid: Grid, gridNoise: number, stars: readonly Star[], fwhmPixels: number): Trail[] {
  let map = grid, factor = 2;
  while (Math.max(map.width, map.height) > MAP_SIDE) {
    const next = blockMeans(map.data, map.width, map.height, -1);
    if (map !== grid) returnPlane(map.data);
    map = next;
    factor *= 2;
  }
  const { width, height } = map;
  if (Math.min(width, height) < 24) return [];
  const above = highPass(map), noise = localScatter(above, width, height);
  if (map !== grid) returnPlane(map.data);
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
      if (above[i] > 2.5 * noise[i] && noise[i] > 0 && blocked[i] === 0) {
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
    const dx = Math.cos(a * Math.PI / 180), dy = Math.sin(a * Math.PI / 180), zoom = factor / 2;
    let least = Infinity, most = -Infinity;
    for (let k = 0; k < xs.length; k++) {
      if (Math.abs((xs[k] - cx) * cosines[a] + (ys[k] - cy) * sines[a] - rho) > 1.5) continue;
      const t = (xs[k] - cx) * dx + (ys[k] - cy) * dy;
      least = Math.min(least, t);
      most = Math.max(most, t);
    }
    const point = (t: number) => ({
      x: (cx + rho * cosines[a] + t * dx) * zoom + (zoom - 1) / 2,
      y: (cy + rho * sines[a] + t * dy) * zoom + (zoom - 1) / 2,
    });
    const close = inspect(grid, stars, fwhmPixels, gridNoise, point(least), point(most));
    // A short line has few pieces, and a ridge of a nebula looks straight over few: nearly all of them must show it.
    const due = close.pieces < 8 ? 0.8 : 0.6;
    const whole = close.seen >= due * close.pieces && close.unevenness < 0.7;
    // A nebula hides pieces of a faint trail; what shows between must then be even and beyond all chance.
    const hidden = close.pieces >= 10 && close.seen >= 0.5 * close.pieces && close.unevenness < 0.25 && best > 20;
    if ((whole || hidden) && close.width <= 7) {
      trails.push({ degrees: a, offsetPixels: rho * factor, coverage: covered, significance: best });
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
