/**
 * Colour mosaics on flat arrays: interpolation of the missing colours and repair of bad pixels. These functions run
 * inside a tile of a larger image: the caller gives the position of red in the 2 × 2 block, and at the edges of what
 * is given the image is mirrored without repeating the edge, which keeps the Bayer phase.
 */
import type { BayerPattern } from "../core/geometry.ts";
import { kernelKind, withKernel } from "./machine.ts";

/** How missing colours are filled in. */
export type DemosaicMethod = "gradient" | "bilinear";

/** Column and row (0 or 1) of the red pixel in the 2 × 2 block of a pattern. */
export function redPosition(pattern: BayerPattern): { readonly x: 0 | 1; readonly y: 0 | 1 } {
  const at = pattern.indexOf("R");
  return { x: (at & 1) as 0 | 1, y: (at >> 1) as 0 | 1 };
}

/** Index mirrored into 0 … size − 1 without repeating the edge; a single sample stays itself. */
function mirror(i: number, size: number): number {
  if (size === 1) return 0;
  const period = 2 * (size - 1);
  const k = ((i % period) + period) % period;
  return k < size ? k : period - k;
}

/**
 * Full colour from a Bayer mosaic.
 *
 * `gradient`: the linear 5 × 5 filters of Malvar, He & Cutler 2004 (ICASSP III-485). `bilinear`: means of the nearest
 * samples of a colour. A missing sample (NaN) makes both fall back to the mean of those nearest samples that exist. In
 * float32, as the samples are.
 *
 * @param source width × height samples
 * @param redX column of red in the 2 × 2 block, 0 or 1
 * @param redY row of red in the 2 × 2 block, 0 or 1
 * @param red receives the red plane; `green` and `blue` likewise
 */
export function demosaicTile(
  source: Float32Array,
  width: number,
  height: number,
  redX: number,
  redY: number,
  method: DemosaicMethod,
  red: Float32Array,
  green: Float32Array,
  blue: Float32Array,
): void {
  const linear = method === "bilinear";
  let holes = true;
  if (kernelKind() === "wasm") {
    holes = false;
    // rows with two mirrored samples on each side, and as much behind them as a vector may read
    const pitch = (4 * width + 79) & ~15;
    [red, green, blue].forEach((plane, colour) => {
      withKernel("mosaic", { a: source, o: plane }, 6 * pitch, (kernel, at) => {
        const missing = kernel(at.a, at.o, width, height, redX, redY, colour, linear ? 1 : 0, at.scratch, pitch);
        holes ||= missing !== 0;
      });
    });
  } else mosaicTwin(source, width, height, redX, redY, linear, red, green, blue);
  if (!holes) return;
  for (const plane of [red, green, blue]) {
    for (let at = 0; at < plane.length && at < width * height; at++) {
      if (plane[at] !== plane[at]) {
        const x = at % width;
        const y = (at - x) / width;
        plane[at] = nearestMean(source, width, height, redX, redY, x, y, plane === red ? 0 : plane === green ? 1 : 2);
      }
    }
  }
}

/** The kernel `mosaic`, for all three colours. */
function mosaicTwin(
  source: Float32Array,
  width: number,
  height: number,
  redX: number,
  redY: number,
  linear: boolean,
  red: Float32Array,
  green: Float32Array,
  blue: Float32Array,
): void {
  const f = Math.fround;
  // Rows with two mirrored columns on each side, so that the inner loop has no edge cases.
  const pad = width + 4;
  const rows: Float32Array[] = [];
  const fill = (y: number, into: Float32Array): Float32Array => {
    const start = mirror(y, height) * width;
    for (let x = 0; x < width; x++) into[x + 2] = source[start + x];
    into[1] = source[start + mirror(-1, width)];
    into[0] = source[start + mirror(-2, width)];
    into[width + 2] = source[start + mirror(width, width)];
    into[width + 3] = source[start + mirror(width + 1, width)];
    return into;
  };
  /** 5 own + 4 along − corners − far + half of beside. */
  const sited = (own: number, along: number, corners: number, far: number, beside: number): number =>
    f(f(f(f(f(5 * own) + f(4 * along)) - f(corners + far)) + f(0.5 * beside)) * 0.125);
  for (let k = -2; k <= 2; k++) rows.push(fill(k, new Float32Array(pad)));
  for (let y = 0; y < height; y++) {
    const [a, b, c, d, e] = rows;
    const redRow = ((y - redY) & 1) === 0;
    // In a red row red sits where (x − redX) is even; in a blue row blue sits where (x − redX) is odd.
    const own = redRow ? red : blue;
    const other = redRow ? blue : red;
    const first = redRow ? redX & 1 : (redX + 1) & 1;
    for (let x = 0, i = 2, at = y * width; x < width; x++, i++, at++) {
      const centre = c[i];
      const upright = f(b[i] + d[i]);
      const sides = f(c[i - 1] + c[i + 1]);
      const corners = f(f(b[i - 1] + b[i + 1]) + f(d[i - 1] + d[i + 1]));
      const down = f(a[i] + e[i]);
      const across = f(c[i - 2] + c[i + 2]);
      if (((x - first) & 1) === 0) {
        // A red or blue site: green from the cross, the opposite colour from the corners.
        const cross = f(upright + sides);
        const far = f(down + across);
        own[at] = centre;
        green[at] = linear ? f(0.25 * cross) : f(f(f(4 * centre + f(2 * cross)) - far) * 0.125);
        other[at] = linear ? f(0.25 * corners) : f(f(f(f(6 * centre) + f(2 * corners)) - f(1.5 * far)) * 0.125);
      } else {
        // A green site: the row's colour left and right, the other above and below.
        green[at] = centre;
        own[at] = linear ? f(0.5 * sides) : sited(centre, sides, corners, across, down);
        other[at] = linear ? f(0.5 * upright) : sited(centre, upright, corners, down, across);
      }
    }
    rows.push(fill(y + 3, rows.shift() as Float32Array));
  }
}

/** Colour of a mosaic pixel: 0 red, 1 green, 2 blue. */
function colourAt(x: number, y: number, redX: number, redY: number): number {
  const ox = (x - redX) & 1;
  const oy = (y - redY) & 1;
  return ox === oy ? 2 * ox : 1;
}

/**
 * Mean of the existing samples of one colour in the 3 × 3 neighbourhood; the pixel's own sample alone if it has the
 * colour.
 */
function nearestMean(
  source: Float32Array,
  width: number,
  height: number,
  redX: number,
  redY: number,
  x: number,
  y: number,
  colour: number,
): number {
  if (colourAt(x, y, redX, redY) === colour) return source[y * width + x];
  let sum = 0;
  let count = 0;
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      // Two green neighbours of a green site lie on its diagonals: only sites of the colour asked for are read.
      if (colourAt(x + dx, y + dy, redX, redY) !== colour) continue;
      const value = source[mirror(y + dy, height) * width + mirror(x + dx, width)];
      if (value === value) {
        sum += value;
        count++;
      }
    }
  }
  return count === 0 ? NaN : sum / count;
}

/**
 * Pixels around a saturated one in which {@linkcode limitRings} works: the filters reach 2, the star's steep edge as
 * far again.
 */
export const ringReach: number = 4;

/**
 * Round saturated pixels hold what was interpolated to the range of the nearest samples of its colour: the negative
 * lobes of the gradient filters would draw dark and coloured rings there. Samples that the sensor read stay as they
 * are.
 *
 * @param saturated width × height bytes, not 0 where the sample was saturated
 * @param bits only these bits of `saturated` count
 */
export function limitRings(
  source: Float32Array,
  width: number,
  height: number,
  redX: number,
  redY: number,
  saturated: Uint8Array,
  bits: number,
  planes: readonly [Float32Array, Float32Array, Float32Array],
): void {
  for (let at = 0; at < width * height; at++) {
    if ((saturated[at] & bits) === 0) continue;
    const sx = at % width;
    const sy = (at - sx) / width;
    for (let y = Math.max(0, sy - ringReach); y <= Math.min(height - 1, sy + ringReach); y++) {
      for (let x = Math.max(0, sx - ringReach); x <= Math.min(width - 1, sx + ringReach); x++) {
        const own = colourAt(x, y, redX, redY);
        for (let colour = 0; colour < 3; colour++) {
          if (colour === own) continue;
          let low = Infinity;
          let high = -Infinity;
          for (let dy = -1; dy <= 1; dy++) {
            for (let dx = -1; dx <= 1; dx++) {
              if (colourAt(x + dx, y + dy, redX, redY) !== colour) continue;
              const value = source[mirror(y + dy, height) * width + mirror(x + dx, width)];
              if (value < low) low = value;
              if (value > high) high = value;
            }
          }
          const plane = planes[colour];
          const i = y * width + x;
          if (!(low <= high)) continue;
          if (plane[i] < low) plane[i] = low;
          else if (plane[i] > high) plane[i] = high;
        }
      }
    }
  }
}

/** Steps from a bad sample to the farthest good one that may stand in for it. */
export const repairReach: number = 2;

/**
 * Replace bad samples by the median of good ones of the same colour near by: the 8 neighbours at distance `step`, then
 * those at twice the distance as well when fewer than three are good. Nothing good in reach leaves NaN.
 *
 * @param samples width × height samples, changed in place
 * @param bad not 0 (in the bits given) where a sample must not be used; NaN samples are bad, too
 * @param step 1 for mono, 2 for a mosaic
 * @returns indices of the samples that were replaced or became NaN
 */
export function repairTile(
  samples: Float32Array,
  width: number,
  height: number,
  bad: Uint8Array | null,
  bits: number,
  step: number,
): number[] {
  const found: number[] = [];
  const values: number[] = [];
  const good = new Float64Array(24);
  for (let at = 0; at < width * height; at++) {
    if (samples[at] !== samples[at] || (bad !== null && (bad[at] & bits) !== 0)) found.push(at);
  }
  for (const at of found) {
    const x = at % width;
    const y = (at - x) / width;
    let count = 0;
    for (let reach = 1; reach <= repairReach && count < 3; reach++) {
      for (let j = -reach; j <= reach; j++) {
        for (let i = -reach; i <= reach; i++) {
          if (Math.max(Math.abs(i), Math.abs(j)) !== reach) continue;
          const px = x + i * step;
          const py = y + j * step;
          if (px < 0 || py < 0 || px >= width || py >= height) continue;
          const p = py * width + px;
          const value = samples[p];
          if (value === value && (bad === null || (bad[p] & bits) === 0)) good[count++] = value;
        }
      }
    }
    values.push(middle(good, count));
  }
  // Written last, so that no replacement is made from another one.
  for (let k = 0; k < found.length; k++) samples[found[k]] = values[k];
  return found;
}

/** Median of the first values of an array, which it sorts; NaN for none. */
function middle(values: Float64Array, count: number): number {
  if (count === 0) return NaN;
  const sorted = values.subarray(0, count).sort();
  const half = count >> 1;
  return count % 2 === 1 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}
