/**
 * One look at a frame: sky mesh, star candidates, the width of a star, the stars. Everything that measures stars
 * starts here.
 */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { measureMoments, momentAt, momentFields } from "../kernels/moments.ts";
import {
  blockMeans,
  findPeaks,
  type Grid,
  type Mesh,
  peakRegions,
  regionFields,
  ringMedians,
  smoothGrid,
  subtractSurface,
  type TileLevels,
  tileMedians,
  tileStatistics,
} from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import { meshAt, smoothMesh, subtractBanding } from "./background_mesh.ts";
import { type Ellipse, ellipseArea, leastVariance, longVariance, shortVariance } from "./moments.ts";
import type { Sampling } from "../core/sampling.ts";

/** Side of a sky tile in samples of the 2 × 2 grid. */
const TILE = 32;
/**
 * Share of the detection limit that a peak of the smoothed grid must reach to be looked at closely: the worst a star
 * loses there, a narrow one (FWHM 1.7 pixels) that falls on the corner of four blocks keeps 0.53 of its
 * signal-to-noise ratio.
 */
const COARSE_SHARE = 0.55;
/**
 * Scatter of the small tiles, in units of a grid sample's noise, from which on there is a nebula to follow: noise
 * alone makes 0.07.
 */
const ROUGH = 0.5;
/** Noise of the smoothed grid over that of the grid, for white noise: the norm of [1 2 1]/4, squared. */
const SMOOTH_GAIN = 0.375;

/** Settings of a survey. */
export interface StarSearchSettings {
  /** Least signal-to-noise ratio of a star. */
  readonly detectionSigma: number;
  /** Level of the samples from which on they count as saturated; Infinity when not known. */
  readonly saturationLevel: number;
  /** Electrons per unit of the samples; 0 when not known. */
  readonly electronsPerUnit: number;
  /** At most this many stars, the brightest. */
  readonly maximumStars: number;
}

/** A star as surveyed, before frame-wide calibration of width and flux. */
export interface Candidate {
  /** Centre, column. */
  x: number;
  /** Centre, row. */
  y: number;
  /** Gaussian ellipse that fits it: variance along x. */
  xx: number;
  /** Covariance. */
  xy: number;
  /** Variance along y. */
  yy: number;
  /** Height of that Gaussian above the background. */
  height: number;
  /** Light of the Gaussian of the frame's ellipse that fits it: less noisy, and right where all stars are alike. */
  frameFlux: number;
  /** Highest sample above the background. */
  peak: number;
  /** Signal-to-noise ratio. */
  snr: number;
  /** Background under it. */
  background: number;
  /** Whether it has reached the saturation level or is flat-topped. */
  saturated: boolean;
  /** Whether the ellipse is its own (else the frame's). */
  shaped: boolean;
  /** Variance of either component of its shape by noise. */
  shapeVariance: number;
}

/** What was turned down, by reason. */
export interface TurnedDown {
  /** Single bright pixels: hot pixels, cosmic rays. */
  readonly singlePixel: number;
  /** Narrower than a star of this frame. */
  readonly narrow: number;
  /** Wider than a star of this frame: nebula knots, galaxies, reflections. */
  readonly wide: number;
  /** Humps of a brighter star. */
  readonly partOfAnother: number;
  /** Touching the border. */
  readonly border: number;
}

/** Result of {@linkcode searchStars}. */
export interface StarSearch {
  /** Where the samples came from. */
  readonly sampling: Sampling;
  /** Settings used. */
  readonly settings: StarSearchSettings;
  /** Meshes whose sum is the sky under the stars, on the grid. */
  readonly sky: readonly TileLevels[];
  /** 2 × 2 means with the sky taken off. */
  readonly grid: Grid;
  /** Sky mesh on that grid, levels smoothed. */
  readonly mesh: Mesh;
  /** Unsmoothed levels of the tiles. */
  readonly rawLevel: Float64Array;
  /** Median level of the sky. */
  readonly background: number;
  /** Noise of one pixel. */
  readonly noise: number;
  /** Noise of a sample of the grid. */
  readonly gridNoise: number;
  /** Scatter of rows beyond the noise, in the unit of a grid sample. */
  readonly rowBanding: number;
  /** Scatter of columns beyond the noise. */
  readonly columnBanding: number;
  /** Width of a star; null without stars. */
  readonly width: Ellipse | null;
  /** Binning, in pixels, at which the stars were searched. */
  readonly searchBinning: number;
  /** The stars, brightest first. */
  readonly stars: Candidate[];
  /** Whether there were more than asked for. */
  readonly truncated: boolean;
  /** What was turned down. */
  readonly turnedDown: TurnedDown;
}

/** Half width of the kernel by which sizes are counted: stars of one frame, measured at SNR 15, differ by as much. */
const SIZE_SPREAD = 0.12;

/**
 * The most frequent of sizes (logarithms): where the density of all, each by the root of its contrast, is highest
 * (Parzen 1962, Ann. Math. Stat. 33, 1065). Stars are alike and stand out; knots of a nebula may outnumber them, but
 * do neither.
 */
function usualSize(
  shapes: readonly { readonly size: number; readonly start: { readonly contrast: number } }[],
): number {
  const n = shapes.length;
  const sizes = Float64Array.from(shapes, (each) => each.size);
  const roots = Float64Array.from(shapes, (each) => Math.sqrt(Math.max(0, each.start.contrast)));
  const density = new Float64Array(n);
  // Each pair is as near one way as the other.
  for (let i = 0; i < n; i++) {
    density[i] += roots[i];
    for (let j = 0; j < i; j++) {
      const off = (sizes[j] - sizes[i]) / SIZE_SPREAD;
      const near = Math.exp(-0.5 * off * off);
      density[i] += roots[j] * near;
      density[j] += roots[i] * near;
    }
  }
  let best = 0;
  for (let i = 1; i < n; i++) if (density[i] > density[best]) best = i;
  return sizes[best];
}

/** A grid at one binning with what is needed to search it. */
export interface Level {
  readonly grid: Grid;
  readonly smooth: Grid;
  /** Pixels of the frame a sample of the grid, along one axis. */
  readonly binning: number;
  /** Peaks, brightest first. */
  readonly peaks: Int32Array;
  /** Noise of the smoothed grid in each tile. */
  readonly noise: Float64Array;
  readonly columns: number;
  readonly rows: number;
  readonly tile: number;
}

/**
 * Noise of a smoothed grid: 1.4826 × median |2 v − v₋₃ − v₊₃| / √6 of every so-manyth sample; the step spans the
 * smoothing.
 */
function sampledNoise(grid: Grid): number {
  const { width, height, data } = grid;
  const step = Math.max(1, Math.floor(data.length / 4000) | 1);
  const scratch = new Float32Array(Math.ceil(data.length / step));
  let n = 0;
  for (let i = 3; i < width * height - 3; i += step) {
    const d = Math.abs(2 * data[i] - data[i - 3] - data[i + 3]);
    if (d > 0) scratch[n++] = d;
  }
  return madSigmaFactor * medianInPlace(scratch, n) / Math.sqrt(6);
}

const words = new Float32Array(1);
const bits = new Int32Array(words.buffer);

/**
 * Sort indices by the samples there, highest first, equal ones in reading order: by one number each that holds both.
 */
function brightestFirst(data: Float32Array, found: Int32Array): Int32Array {
  const places = 2 ** 24;
  const n = found.length;
  if (data.length > places) return found.sort((a, b) => data[b] - data[a] || a - b);
  // Samples above zero are ordered as their bits are; 29 of them leave room for the place.
  const keys = new Float64Array(n);
  const sorted = new Int32Array(n);
  for (let k = 0; k < n; k++) {
    words[0] = data[found[k]];
    keys[k] = found[k] - (bits[0] >>> 2) * places;
  }
  keys.sort();
  for (let k = 0; k < n; k++) sorted[k] = keys[k] - Math.floor(keys[k] / places) * places;
  return sorted;
}

/** Smooth a grid and find its peaks. */
export function openLevel(grid: Grid, mesh: Mesh, binning: number, sigma: number, reuse: Level | null = null): Level {
  const smooth = smoothGrid(grid, reuse === null ? undefined : reuse.smooth.data);
  const { columns, rows } = mesh;
  const tile = mesh.tile * 2 / binning;
  // White noise would be smoothed by SMOOTH_GAIN; what was interpolated or banded is smoothed less. Believe the frame.
  const typical = medianInPlace(Float64Array.from(mesh.noise));
  const ratio = Math.max(SMOOTH_GAIN * 2 / binning, sampledNoise(smooth) / (typical > 0 ? typical : 1));
  const noise = mesh.noise.map((each) => each * ratio);
  const limits = Float32Array.from(noise, (each) => Math.max(each * COARSE_SHARE * sigma, 1e-30));
  const peaks = brightestFirst(smooth.data, findPeaks(smooth, limits, columns, rows, tile));
  return { grid, smooth, binning, peaks, noise, columns, rows, tile };
}

const noiseAt = (level: Level, x: number, y: number): number =>
  level.noise[
    Math.min(level.rows - 1, Math.floor(y / level.tile)) * level.columns +
    Math.min(level.columns - 1, Math.floor(x / level.tile))
  ];

/** Sixteen places on a ring of a radius, x and y in turn, in whole samples. */
const ringPlaces = (radius: number): Int32Array =>
  Int32Array.from(
    { length: 32 },
    (_, k) => Math.round(radius * (k & 1 ? Math.sin : Math.cos)((k >> 1) * Math.PI / 8)),
  );

/** Level of the ring around each of many positions in the frame: what the sky mesh left there. */
function ringLevels(grid: Grid, starts: readonly Start[], ring: Int32Array): Float64Array {
  const { width, height } = grid;
  const reach = Math.max(...ring);
  const levels = new Float64Array(starts.length);
  const whole: number[] = [];
  const places: number[] = [];
  const scratch = new Float64Array(16);
  for (let k = 0; k < starts.length; k++) {
    const gx = (starts[k].x - 0.5) / 2;
    const gy = (starts[k].y - 0.5) / 2;
    const x = Math.round(gx);
    const y = Math.round(gy);
    if (Math.min(x, y, width - 1 - x, height - 1 - y) < reach) levels[k] = ringLevel(grid, gx, gy, ring, scratch);
    else {
      whole.push(k);
      places.push(y * width + x);
    }
  }
  const offsets = Int32Array.from({ length: 16 }, (_, i) => ring[2 * i + 1] * width + ring[2 * i]);
  const middles = ringMedians(grid, Int32Array.from(places), offsets);
  for (let i = 0; i < whole.length; i++) levels[whole[i]] = (middles[2 * i] + middles[2 * i + 1]) / 2;
  return levels;
}

/** Middle of the samples at places around a grid position: what the sky mesh left there. */
function ringLevel(grid: Grid, x: number, y: number, places: Int32Array, scratch: Float64Array): number {
  const { width, height, data } = grid;
  const x0 = Math.round(x);
  const y0 = Math.round(y);
  let n = 0;
  for (let k = 0; k < 32; k += 2) {
    const px = x0 + places[k];
    const py = y0 + places[k + 1];
    if (px < 0 || py < 0 || px >= width || py >= height) continue;
    // So few numbers are sorted fastest by putting each where it belongs.
    const v = data[py * width + px];
    let i = n++;
    for (; i > 0 && scratch[i - 1] > v; i--) scratch[i] = scratch[i - 1];
    scratch[i] = v;
  }
  return n < 6 ? 0 : n & 1 ? scratch[n >> 1] : (scratch[n / 2 - 1] + scratch[n / 2]) / 2;
}

/**
 * Whether the light of an entry is one pixel's and not a star's: a star of the weight's width explains more of the
 * light than a single pixel does. Compare the two signal-to-noise ratios: Σ w I / √Σ w² against the peak.
 */
const isSinglePixel = (list: Float64Array, k: number): boolean => {
  const e = k * momentFields;
  return list[e + momentAt.peak] > list[e + momentAt.sum] / Math.sqrt(list[e + momentAt.weight2]);
};

/** Index of the highest sample that counts within `reach` pixels of a place. */
function highestNear(sampling: Sampling, x0: number, y0: number, reach: number): number {
  const { data, width, height, parity } = sampling;
  const cx = Math.round(x0);
  const cy = Math.round(y0);
  let most = -Infinity;
  let at = -1;
  for (let y = Math.max(0, cy - reach); y <= Math.min(height - 1, cy + reach); y++) {
    for (let x = Math.max(0, cx - reach); x <= Math.min(width - 1, cx + reach); x++) {
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      const v = data[y * width + x];
      if (v > most) {
        most = v;
        at = y * width + x;
      }
    }
  }
  return at;
}

/**
 * Index of the highest sample in a block of 4 × 4 about one of 2 × 2 if it may be a single pixel's, else −1: if it
 * stands out and the lower two of its four neighbours have not a third of its height over the lowest of the block,
 * where those of the narrowest star have two fifths.
 */
function loneliest(sampling: Sampling, x0: number, y0: number, noise: number): number {
  const { data, width, height, parity } = sampling;
  const left = Math.max(0, x0 - 1);
  const right = Math.min(width - 1, x0 + 2);
  let most = -Infinity;
  let least = Infinity;
  let at = -1;
  for (let y = Math.max(0, y0 - 1); y <= Math.min(height - 1, y0 + 2); y++) {
    for (let x = left, i = y * width + left; x <= right; x++, i++) {
      const v = data[i];
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      if (v < least) least = v;
      if (v > most) {
        most = v;
        at = i;
      }
    }
  }
  if (!(most - least > 5.5 * noise)) return -1;
  if (parity !== -1) return at;
  const x = at % width;
  const y = (at - x) / width;
  const limit = least + (most - least) / 3;
  let near = 0;
  if (x > 0 && data[at - 1] > limit) near++;
  if (x < width - 1 && data[at + 1] > limit) near++;
  if (y > 0 && data[at - width] > limit) near++;
  if (y < height - 1 && data[at + width] > limit) near++;
  return near > 2 ? -1 : at;
}

/**
 * Whether each of the four next samples that count has a tenth of a sample's light, which noise alone does not give
 * them: the narrowest star in the middle of a pixel has (of FWHM 1.3 pixels a fifth, of FWHM 1.5 on a mosaic a sixth),
 * a hot pixel has not.
 */
function hasNeighbours({ data, width, height, parity }: Sampling, at: number, sky: number, noise: number): boolean {
  const x = at % width;
  const y = (at - x) / width;
  const slant = parity === -1 ? 0 : 1;
  if (Math.min(x, y, width - 1 - x, height - 1 - y) < 1) return false;
  const least = Math.max(0.1 * (data[at] - sky), noise);
  for (let k = 0; k < 4; k++) {
    const i = slant === 0 ? at + [1, -1, width, -width][k] : at + (k & 1 ? 1 : -1) + (k & 2 ? width : -width);
    if (!(data[i] - sky > least)) return false;
  }
  return true;
}

/** Whether at least three samples round the peak are within half a percent of it: a clipped top. */
function isFlatTopped(sampling: Sampling, x: number, y: number, background: number): boolean {
  const { data, width, height, parity } = sampling;
  const at = highestNear(sampling, x, y, 3);
  if (at < 0) return false;
  const x0 = at % width;
  const y0 = (at - x0) / width;
  const top = data[at] - background;
  let equal = 0;
  const reach = parity === -1 ? 1 : 2;
  for (let y = Math.max(0, y0 - reach); y <= Math.min(height - 1, y0 + reach); y++) {
    for (let x = Math.max(0, x0 - reach); x <= Math.min(width - 1, x0 + reach); x++) {
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      if (data[y * width + x] - background >= 0.995 * top) equal++;
    }
  }
  return equal >= 4;
}

/**
 * Peaks of a level, those that are only humps of a brighter one taken out, with the moments of their regions in
 * pixels.
 */
interface Start {
  x: number;
  y: number;
  /** The peak itself, where x and y are the middle of its region. */
  peakX: number;
  peakY: number;
  height: number;
  sigmas: number;
  /** Height over the median of eight samples three away, in sigma: large for stars, small for knots of a nebula. */
  contrast: number;
  xx: number;
  xy: number;
  yy: number;
  area: number;
}

/** Sub-sample place of a peak along one axis by a parabola through it and its neighbours; 0 at a border. */
export function vertex(data: Float32Array, at: number, step: number, first: boolean, last: boolean): number {
  if (first || last) return 0;
  const a = data[at - step];
  const b = data[at + step];
  const curve = a + b - 2 * data[at];
  return curve < 0 ? Math.max(-0.5, Math.min(0.5, (a - b) / (2 * curve))) : 0;
}

function startsOf(level: Level, most: number): { starts: Start[]; humps: number } {
  const { smooth, binning, peaks } = level;
  const { width, height, data } = smooth;
  const starts: Start[] = [];
  const list = new Float64Array(regionFields * peaks.length);
  for (let k = 0; k < peaks.length; k++) {
    const i = peaks[k];
    const x = i % width;
    const v = data[i];
    const noise = noiseAt(level, x, (i - x) / width);
    // A second peak is one of its own if the saddle between them lies more than three sigma and a fifth below it. The
    // faintest peaks have no humps to tell: there are many, and nearly all are noise.
    list[regionFields * k] = i;
    list[regionFields * k + 1] = v < 4 * noise ? NaN : Math.max(v - Math.max(3 * noise, 0.2 * v), 0.5 * v);
  }
  peakRegions(smooth, list);
  let humps = 0;
  for (let k = 0; k < peaks.length && starts.length < most; k++) {
    const i = peaks[k];
    const x = i % width;
    const y = (i - x) / width;
    const v = data[i];
    const noise = noiseAt(level, x, y);
    const e = regionFields * k;
    const area = list[e + 1];
    if (list[e + 7] !== 0) {
      humps++;
      continue;
    }
    const long = area > 14;
    const peakX = binning * (x + vertex(data, i, 1, x === 0, x === width - 1)) + (binning - 1) / 2;
    const peakY = binning * (y + vertex(data, i, width, y === 0, y === height - 1)) + (binning - 1) / 2;
    const b2 = binning * binning;
    starts.push({
      x: long ? binning * list[e + 2] + (binning - 1) / 2 : peakX,
      y: long ? binning * list[e + 3] + (binning - 1) / 2 : peakY,
      peakX,
      peakY,
      height: v,
      sigmas: v / noise,
      contrast: (v - list[e]) / noise,
      xx: list[e + 4] * b2,
      xy: list[e + 5] * b2,
      yy: list[e + 6] * b2,
      area,
    });
  }
  return { starts, humps };
}

/** The next level up: means of 2 × 2 samples of a grid. */
function binned(grid: Grid): Grid {
  return blockMeans(grid.data, grid.width, grid.height, -1);
}

/** Median of the neighbours of a pixel that count: eight, or the four next green ones of a mosaic. */
function neighbourLevel(sampling: Sampling, at: number): number {
  const { data, width, height, parity } = sampling;
  const x0 = at % width;
  const y0 = (at - x0) / width;
  const near: number[] = [];
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      const x = x0 + dx;
      const y = y0 + dy;
      if ((dx === 0 && dy === 0) || x < 0 || y < 0 || x >= width || y >= height) continue;
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      const v = data[y * width + x];
      if (v === v) near.push(v);
    }
  }
  return near.length === 0 ? NaN : medianInPlace(Float64Array.from(near));
}

/** A list for {@linkcode measureMoments}, and the call. */
const weighings = (count: number): Float64Array => new Float64Array(momentFields * count);
function entry(
  list: Float64Array,
  k: number,
  task: 0 | 1 | 2,
  x: number,
  y: number,
  shape: Ellipse,
  sky: number,
): number {
  const e = k * momentFields;
  list[e + momentAt.task] = task;
  list[e + momentAt.x] = x;
  list[e + momentAt.y] = y;
  list[e + momentAt.xx] = shape.xx;
  list[e + momentAt.xy] = shape.xy;
  list[e + momentAt.yy] = shape.yy;
  list[e + momentAt.background] = sky;
  list[e + momentAt.rounds] = 1;
  return e;
}
function weighAll(sampling: Sampling, list: Float64Array, coarse: number = leastVariance(sampling)): void {
  const { data, width, height, parity } = sampling;
  if (list.length > 0) measureMoments(data, width, height, parity, coarse, list);
}

const round = (variance: number): Ellipse => ({ xx: variance, xy: 0, yy: variance });
const shapeAt = (list: Float64Array, e: number): Ellipse => ({
  xx: list[e + momentAt.xx],
  xy: list[e + momentAt.xy],
  yy: list[e + momentAt.yy],
});

/** Give back what a survey holds; its grid and filled samples must not be used afterwards. */
export function closeSearch(seen: StarSearch, given: Sampling): void {
  returnPlane(seen.grid.data);
  if (seen.sampling !== given) returnPlane(seen.sampling.data);
}

/** Survey the frame. */
export function searchStars(given: Sampling, settings: StarSearchSettings): StarSearch {
  let sampling = given;
  const { width, height, parity } = sampling;
  const sigmas = settings.detectionSigma;
  const grid = blockMeans(sampling.data, width, height, parity);
  const tile = Math.max(4, Math.min(TILE, grid.width, grid.height));
  const coarse = tileStatistics(grid, tile);
  const { columns, rows } = coarse;
  const mesh: Mesh = {
    ...coarse,
    level: smoothMesh(coarse.level, columns, rows),
    noise: smoothMesh(coarse.noise, columns, rows),
  };
  subtractSurface(grid, mesh);
  const gridNoise = medianInPlace(Float64Array.from(mesh.noise));
  // Small tiles follow a nebula: a star up to about a tile wide leaves no mark on the median of 3 × 3 of them, and
  // structure of three tiles (48 pixels) is followed.
  let fine: TileLevels | null = null;
  let rough = false;
  if (grid.width >= 8 && grid.height >= 8) {
    const tiles = tileMedians(grid);
    fine = { ...tiles, level: smoothMesh(tiles.level, tiles.columns, tiles.rows, tiles.smooth) };
    subtractSurface(grid, fine);
    // Tiles and their medians flatten the tops of knots: where there are any, follow what is left as well (Tukey's
    // twicing).
    const sizes = Float64Array.from(fine.level, Math.abs);
    rough = madSigmaFactor * medianInPlace(sizes) > ROUGH * gridNoise;
    if (rough) {
      const rest = tileMedians(grid);
      const level = smoothMesh(rest.level, rest.columns, rest.rows, rest.smooth);
      subtractSurface(grid, { ...rest, level });
      const first = fine.level;
      fine = { ...fine, level: level.map((each, i) => each + first[i]) };
    }
  }
  // Wide stars would be taken for nebula by the small tiles: below, a wider search does without them.
  let followed = fine !== null;
  const banding = subtractBanding(grid, gridNoise);
  const background = medianInPlace(Float64Array.from(mesh.level));
  const perPixel = parity === -1 ? 2 : Math.SQRT2;
  const noise = gridNoise * perPixel;
  const turned = { singlePixel: 0, narrow: 0, wide: 0, partOfAnother: 0, border: 0 };
  const report = (): StarSearch => ({
    sampling,
    settings,
    sky: followed && fine !== null ? [mesh, fine] : [mesh],
    grid,
    mesh,
    rawLevel: coarse.level,
    background,
    noise,
    gridNoise,
    rowBanding: banding.rows,
    columnBanding: banding.columns,
    width: null,
    searchBinning: 2,
    stars: [],
    truncated: false,
    turnedDown: turned,
  });
  if (!(gridNoise > 0)) return report();

  const noiseHere = (x: number, y: number) =>
    perPixel * mesh.noise[
      Math.min(rows - 1, Math.floor(y / (2 * tile))) * columns +
      Math.min(columns - 1, Math.floor(x / (2 * tile)))
    ];
  const skyHere = (x: number, y: number) => {
    const gx = (x - 0.5) / 2;
    const gy = (y - 0.5) / 2;
    const sky = meshAt(mesh, gx, gy);
    return followed && fine !== null ? sky + meshAt(fine, gx, gy) : sky;
  };
  const signalToNoise = (list: Float64Array, e: number, sigma: number): number => {
    const own = settings.electronsPerUnit > 0 ? Math.max(0, list[e + momentAt.light2]) / settings.electronsPerUnit : 0;
    return list[e + momentAt.sum] / Math.sqrt(list[e + momentAt.weight2] * sigma * sigma + own);
  };
  const limit = Math.max(20, settings.maximumStars) * 4;

  /** First look at the brightest candidates of a level: which settle on a shape, and which. */
  const firstLook = (search: Level, starts: readonly Start[], count: number) => {
    const sorted = [...starts].sort((a, b) => b.contrast - a.contrast).slice(0, 2 * count);
    const guess = (0.75 * search.binning) ** 2;
    const glimpse = weighings(sorted.length);
    sorted.forEach((start, k) => entry(glimpse, k, 0, start.x, start.y, round(guess), skyHere(start.x, start.y)));
    weighAll(sampling, glimpse);
    const tried = sorted.filter((start, k) => start.area > 14 || !isSinglePixel(glimpse, k)).slice(0, count);
    const list = weighings(tried.length);
    tried.forEach((start, k) => {
      const long = start.area > 14 ? 2 : 0;
      const shape = { xx: long * start.xx + guess, xy: long * start.xy, yy: long * start.yy + guess };
      const e = entry(list, k, 2, start.x, start.y, shape, skyHere(start.x, start.y));
      // What stands out far may be a piece of an arc or a long trail, whose middle lies anywhere along it.
      const far = start.contrast > 30 ? (width + height) / 8 : 3 * search.binning;
      list[e + momentAt.reach] = Math.max(far, 1.5 * Math.sqrt(start.xx + start.yy));
      list[e + momentAt.least] = 0.12;
      list[e + momentAt.most] = (width * width + height * height) / 16;
      list[e + momentAt.rounds] = 25;
    });
    weighAll(sampling, list);
    const shapes: { size: number; shape: Ellipse; snr: number; start: Start; whole: boolean }[] = [];
    tried.forEach((start, k) => {
      const e = k * momentFields;
      const sky = list[e + momentAt.background];
      if (list[e + momentAt.good] === 0) return;
      const snr = signalToNoise(list, e, noiseHere(start.x, start.y));
      if (!(snr >= sigmas)) return;
      const x = list[e + momentAt.x];
      const y = list[e + momentAt.y];
      if (list[e + momentAt.peak] + sky >= settings.saturationLevel || isFlatTopped(sampling, x, y, sky)) return;
      const shape = shapeAt(list, e);
      const whole = list[e + momentAt.covered] > 0.9;
      shapes.push({ size: 0.5 * Math.log(ellipseArea(shape)), shape, snr, start, whole });
    });
    // A border makes stars narrower; where there is nothing else they are better than none.
    const inside = shapes.filter((each) => each.whole);
    return inside.length >= 5 ? inside : shapes;
  };

  let search = openLevel(grid, mesh, 2, sigmas);
  // A hot pixel next to a star takes the star for its hump, and spoils its shape: fill single pixels, in frame and
  // grid, and look again. Twice, because one may hide another.
  for (let again = 0; again < 2; again++) {
    const { peaks, smooth } = search;
    const suspects: number[] = [];
    for (let k = 0; k < peaks.length; k++) {
      const i = peaks[k];
      const gx = i % smooth.width;
      const gy = (i - gx) / smooth.width;
      const at = loneliest(sampling, 2 * gx, 2 * gy, noiseHere(2 * gx, 2 * gy));
      if (at >= 0) suspects.push(k, at);
    }
    const glimpse = weighings(suspects.length / 2);
    const single: number[] = [];
    for (let k = 0; 2 * k < suspects.length; k++) {
      const i = peaks[suspects[2 * k]];
      const gx = i % smooth.width;
      const gy = (i - gx) / smooth.width;
      const x = 2 * (gx + vertex(smooth.data, i, 1, gx === 0, gx === smooth.width - 1)) + 0.5;
      const y = 2 * (gy + vertex(smooth.data, i, smooth.width, gy === 0, gy === smooth.height - 1)) + 0.5;
      entry(glimpse, k, 0, x, y, round(2), skyHere(x, y));
    }
    weighAll(sampling, glimpse);
    for (let k = 0; 2 * k < suspects.length; k++) {
      const e = k * momentFields;
      const x = glimpse[e + momentAt.x];
      const y = glimpse[e + momentAt.y];
      // Noise alone makes a pixel of 5.5 sigma once in 50 million.
      const { [e + momentAt.peak]: peak, [e + momentAt.background]: sky } = glimpse;
      const at = suspects[2 * k + 1];
      if (
        peak > 5.5 * noiseHere(x, y) && isSinglePixel(glimpse, k) && !hasNeighbours(sampling, at, sky, noiseHere(x, y))
      ) {
        single.push(at);
      }
    }
    if (single.length === 0) break;
    if (sampling === given) {
      const filled = borrowPlane(given.data.length);
      filled.set(given.data);
      sampling = { ...given, data: filled };
    }
    const { data } = sampling;
    const share = parity === -1 ? 0.25 : 0.5;
    for (const at of single) {
      const level = neighbourLevel(sampling, at);
      const x = (at % width) >> 1;
      const y = Math.floor(at / width) >> 1;
      if (level !== level || x >= grid.width || y >= grid.height) continue;
      grid.data[y * grid.width + x] -= share * (data[at] - level);
      data[at] = level;
    }
    turned.singlePixel += single.length;
    search = openLevel(grid, mesh, 2, sigmas, search);
  }
  let found = startsOf(search, limit);
  let shapes = firstLook(search, found.starts, 120);
  // Wide stars (defocus, a long focus) stand out more the wider the blocks: go up while the brightest gain, each at
  // its place, so that a nebula's knots, which the wider search would find as well, have no say.
  const standOut = (level: Level, start: Start): number => {
    const { width: w, height: h, data } = level.smooth;
    const x0 = Math.round((start.x - (level.binning - 1) / 2) / level.binning);
    const y0 = Math.round((start.y - (level.binning - 1) / 2) / level.binning);
    let most = 0;
    for (let y = Math.max(0, y0 - 1); y <= Math.min(h - 1, y0 + 1); y++) {
      for (let x = Math.max(0, x0 - 1); x <= Math.min(w - 1, x0 + 1); x++) most = Math.max(most, data[y * w + x]);
    }
    return most / noiseAt(level, Math.min(w - 1, Math.max(0, x0)), Math.min(h - 1, Math.max(0, y0)));
  };
  const typicalSize = () => shapes.length === 0 ? 0 : Math.exp(usualSize(shapes));
  let rest: Grid | null = null;
  let up = grid;
  let binning = 2;
  while (
    binning < 16 && up.width >= 32 && up.height >= 32 && (shapes.length < 5 || typicalSize() > 1.3 * binning)
  ) {
    if (rest === null) {
      rest = { ...grid, data: borrowPlane(grid.data.length) };
      rest.data.set(grid.data);
      if (fine !== null) subtractSurface(rest, fine, -1);
      up = rest;
    }
    up = binned(up);
    binning *= 2;
    const wider = openLevel(up, mesh, binning, sigmas);
    const wasFollowed: boolean = followed;
    const objects = [...(shapes.length >= 5 ? shapes.map((each) => each.start) : found.starts)]
      .sort((a, b) => b.contrast - a.contrast).slice(0, 20);
    if (objects.length === 0) break;
    const gain = medianInPlace(Float64Array.from(objects, (each) => standOut(wider, each) / each.sigmas));
    // Stars of FWHM 7 pixels gain a quarter by blocks twice as wide; halos of dew make sharp stars gain a little, too.
    if (!(gain > 1.2)) break;
    followed = false;
    const starts = startsOf(wider, limit);
    const look = firstLook(wider, starts.starts, 120);
    if (look.length === 0) {
      followed = wasFollowed;
      break;
    }
    search = wider;
    found = starts;
    shapes = look;
  }
  turned.partOfAnother = found.humps;
  const settled = shapes.length === 0 ? null : judge();
  returnPlane(search.smooth.data);
  if (rest !== null) returnPlane(rest.data);
  return settled ?? report();

  function judge(): StarSearch {
    // The frame's width: the tightest bunch of sizes, so that neither hot clusters nor nebula knots set it.
    const mode = usualSize(shapes);
    const near = shapes.filter((each) => Math.abs(each.size - mode) < 0.25);
    const middle = (of: (shape: Ellipse) => number) => medianInPlace(Float64Array.from(near, (each) => of(each.shape)));
    const frame: Ellipse = { xx: middle((p) => p.xx), xy: middle((p) => p.xy), yy: middle((p) => p.yy) };
    const frameSize = Math.sqrt(ellipseArea(frame));
    const frameLong = Math.sqrt(longVariance(frame));
    const frameShort2 = shortVariance(frame);
    const looked = new Map(shapes.map((each) => [each.start, each.shape]));
    // One or two stars say nothing of what is usual.
    const judged = near.length >= 3;
    // A region far larger than a star of this frame is nebula with a star on it: the star is at the peak.
    const starts = found.starts.map((start) =>
      start.area > 14 && start.xx + start.yy > 3 * (frame.xx + frame.yy)
        ? { ...start, x: start.peakX, y: start.peakY }
        : start
    );

    // What the mesh left under each star: believed as far as the rings of the frame scatter more than their noise.
    const ground = followed || rest === null ? grid : rest;
    const rings = ringLevels(ground, starts, ringPlaces(Math.max(3, 5 * frameLong / 2)));
    const ringNoise = 1.2533 * gridNoise / 4;
    const scatter = madSigmaFactor * medianInPlace(rings.map(Math.abs));
    const excess2 = Math.max(0, scatter * scatter - ringNoise * ringNoise);
    const trust = excess2 / (excess2 + ringNoise * ringNoise);
    const far = 3 * Math.sqrt(excess2 + ringNoise * ringNoise);

    // What is left of the sky's error in a nebula; elsewhere there is none to speak of.
    const unsure = rough ? Math.sqrt(excess2 * (1 - trust)) : 0;
    // Centre under the frame's ellipse. Most peaks of the grid are noise: one pass tells.
    const centred = weighings(starts.length);
    starts.forEach((start, k) => {
      const off = Math.abs(rings[k]) > far ? rings[k] : trust * rings[k];
      const e = entry(centred, k, 1, start.x, start.y, frame, skyHere(start.x, start.y) + off);
      centred[e + momentAt.reach] = Math.max(2.5, 2 * frameSize, start.area > 14 ? Math.sqrt(start.xx + start.yy) : 0);
      // What is bright gets a shape of its own afterwards, and with it its last place; but at a border, where steps
      // fall short.
      const border = Math.min(start.x, start.y, width - 1 - start.x, height - 1 - start.y) < 3 * frameLong;
      centred[e + momentAt.tolerance] = border ? 0.01 : start.sigmas > 15 ? 0.5 : 0.1;
      centred[e + momentAt.floor] = 0.5 * sigmas * noiseHere(start.x, start.y);
      centred[e + momentAt.rounds] = border ? 40 : 12;
    });
    weighAll(sampling, centred);
    const kept: number[] = [];
    starts.forEach((start, k) => {
      const e = k * momentFields;
      const sigma = noiseHere(start.x, start.y);
      // The sky's error is alike over a star: it adds up with the weight, noise with its root.
      const area = 2 * Math.PI * ellipseArea({
        xx: centred[e + momentAt.weightXx],
        xy: centred[e + momentAt.weightXy],
        yy: centred[e + momentAt.weightYy],
      });
      const doubt = unsure * area * (parity === -1 ? 1 : 0.5) / (sigma * Math.sqrt(centred[e + momentAt.weight2]));
      if (
        centred[e + momentAt.good] === 1 && signalToNoise(centred, e, sigma) >= sigmas * Math.sqrt(1 + doubt * doubt)
      ) {
        kept.push(k);
      }
    });
    // Single pixels show under the weight that matches a star, whatever the pitch of the pixels; where that is coarse
    // the centring used a wider one.
    let narrow = kept.length === 0 ? centred : weighings(kept.length);
    const widened = kept.length > 0 && centred[kept[0] * momentFields + momentAt.weightXx] !== frame.xx;
    if (widened) {
      kept.forEach((k, i) => {
        const e = k * momentFields;
        entry(narrow, i, 0, centred[e + momentAt.x], centred[e + momentAt.y], frame, centred[e + momentAt.background]);
      });
      weighAll(sampling, narrow, 0);
    } else narrow = centred;
    const own = weighings(kept.length);
    const ownOf = new Int32Array(starts.length).fill(-1);
    const settled: number[] = [];
    const snrs = new Float64Array(starts.length);
    let shapesAsked = 0;
    kept.forEach((k, i) => {
      const e = k * momentFields;
      const x = centred[e + momentAt.x];
      const y = centred[e + momentAt.y];
      const start = starts[k];
      if (isSinglePixel(narrow, widened ? i : k)) {
        turned.singlePixel++;
        return;
      }
      const covered = centred[e + momentAt.covered];
      if (covered < 0.15 || x < -0.5 || y < -0.5 || x > width - 0.5 || y > height - 0.5) {
        turned.border++;
        return;
      }
      settled.push(k);
      const snr = snrs[k] = signalToNoise(centred, e, noiseHere(start.x, start.y));
      // What a border cuts has no shape of its own; what finds none is judged by the light around it.
      if (!(snr >= 8 && covered > 0.9)) return;
      // Where the first look settled on a shape, start from it: an arc or a long trail is far from any other start.
      const o = entry(
        own,
        shapesAsked,
        2,
        x,
        y,
        looked.get(found.starts[k]) ?? frame,
        centred[e + momentAt.background],
      );
      own[o + momentAt.reach] = Math.max(1.5, frameSize);
      own[o + momentAt.least] = 0.1 * frameShort2;
      own[o + momentAt.most] = 40 * frameLong * frameLong;
      own[o + momentAt.rounds] = snr > 30 ? 20 : 10;
      ownOf[k] = shapesAsked++;
    });
    weighAll(sampling, own.subarray(0, shapesAsked * momentFields));
    const fixed = own.slice(0, shapesAsked * momentFields);
    for (let e = 0; e < fixed.length; e += momentFields) {
      fixed[e + momentAt.task] = 0;
      fixed[e + momentAt.xx] = frame.xx;
      fixed[e + momentAt.xy] = frame.xy;
      fixed[e + momentAt.yy] = frame.yy;
    }
    weighAll(sampling, fixed);

    // Faint blobs are too faint for a shape of their own, but not for this: how much more light a weight twice as wide
    // sees. For a Gaussian star 1.6 times, for what is flat there 4 times; the noise of that is 0.75 / SNR of it.
    const wide = weighings(settled.length);
    const wideOf = new Int32Array(settled.length).fill(-1);
    const ratios: number[] = [];
    const ratioOf = (i: number) => {
      const sum = centred[settled[i] * momentFields + momentAt.sum];
      return wide[wideOf[i] * momentFields + momentAt.sum] / sum;
    };
    const isFaint = (k: number) => ownOf[k] < 0 || own[ownOf[k] * momentFields + momentAt.good] === 0 || snrs[k] < 15;
    let asked = 0;
    let examples = 0;
    settled.forEach((k, i) => {
      const e = k * momentFields;
      const faint = isFaint(k);
      if (centred[e + momentAt.covered] < 0.9 || (!faint && examples >= 40)) return;
      if (!faint) examples++;
      const twice = { xx: 4 * frame.xx, xy: 4 * frame.xy, yy: 4 * frame.yy };
      entry(wide, asked, 0, centred[e + momentAt.x], centred[e + momentAt.y], twice, centred[e + momentAt.background]);
      wideOf[i] = asked++;
    });
    weighAll(sampling, wide.subarray(0, asked * momentFields));
    settled.forEach((k, i) => {
      if (wideOf[i] >= 0 && !isFaint(k)) ratios.push(ratioOf(i));
    });
    const usual = ratios.length >= 5 ? medianInPlace(Float64Array.from(ratios)) : 1.6;

    const stars: Candidate[] = [];
    const cell = Math.max(2, frameSize * 1.5);
    const cells = new Map<number, Candidate[]>();
    const across = Math.ceil(width / cell) + 3;
    for (const [i, k] of settled.entries()) {
      const sigma = noiseHere(starts[k].x, starts[k].y);
      let list = centred;
      let e = k * momentFields;
      let snr = signalToNoise(list, e, sigma);
      let shaped = false;
      const sky = list[e + momentAt.background];
      const covered = list[e + momentAt.covered];
      let x = list[e + momentAt.x];
      let y = list[e + momentAt.y];
      let shape: Ellipse = frame;
      const saturated = list[e + momentAt.peak] + sky >= settings.saturationLevel ||
        (snr > 50 && isFlatTopped(sampling, x, y, sky));
      if (
        judged && !saturated && wideOf[i] >= 0 && isFaint(k) &&
        ratioOf(i) > usual * (1.15 + 3 / snr)
      ) {
        turned.wide++;
        continue;
      }
      if (ownOf[k] >= 0) {
        const o = ownOf[k] * momentFields;
        shaped = own[o + momentAt.good] === 1;
        if (shaped) {
          shape = shapeAt(own, o);
          const ratio = Math.sqrt(ellipseArea(shape)) / frameSize;
          const doubt = 3 / snr;
          if (!saturated && judged && Math.sqrt(shortVariance(shape) / frameShort2) < 0.62 - doubt) {
            turned.narrow++;
            continue;
          }
          if (!saturated && judged && ratio > 1.6 + 2 * doubt) {
            turned.wide++;
            continue;
          }
          list = own;
          e = o;
          x = own[o + momentAt.x];
          y = own[o + momentAt.y];
          snr = signalToNoise(own, o, sigma);
        }
      }
      // A peak found twice, from two humps of one star.
      const cx = Math.floor(x / cell) + 1;
      const cy = Math.floor(y / cell) + 1;
      let twice = false;
      for (let dy = -1; dy <= 1 && !twice; dy++) {
        for (let dx = -1; dx <= 1 && !twice; dx++) {
          for (const other of cells.get((cy + dy) * across + cx + dx) ?? []) {
            if ((other.x - x) ** 2 + (other.y - y) ** 2 < frameSize * frameSize) twice = true;
          }
        }
      }
      if (twice) {
        turned.partOfAnother++;
        continue;
      }
      const area = ellipseArea(shape);
      const whole = covered > 0.9;
      // Where the weight lies whole in the frame by its integral, else by what of the star is there.
      const height = whole
        ? gaussianLight(sampling, list, e) / (2 * Math.PI * area)
        : heightOf(sampling, shape, x, y, sky);
      const star: Candidate = {
        x,
        y,
        xx: shape.xx,
        xy: shape.xy,
        yy: shape.yy,
        height,
        frameFlux: shaped ? gaussianLight(sampling, fixed, ownOf[k] * momentFields) : height * 2 * Math.PI * area,
        peak: list[e + momentAt.peak],
        snr,
        background: sky,
        saturated,
        shaped,
        // Bernstein & Jarvis 2002: 2 / SNR.
        shapeVariance: 4 / (snr * snr),
      };
      const key = cy * across + cx;
      const there = cells.get(key);
      if (there === undefined) cells.set(key, [star]);
      else there.push(star);
      stars.push(star);
    }
    const light = (star: Candidate) => star.height * ellipseArea(star);
    stars.sort((a, b) => light(b) - light(a) || a.y - b.y || a.x - b.x);
    return {
      ...report(),
      width: frame,
      searchBinning: search.binning,
      stars: stars.slice(0, settings.maximumStars),
      truncated: stars.length > settings.maximumStars || found.starts.length >= limit,
    };
  }
}

/** Height of a Gaussian of known shape and place that fits the pixels best, as many of them as the frame holds. */
function heightOf(sampling: Sampling, shape: Ellipse, x0: number, y0: number, sky: number): number {
  const { data, width, height, parity } = sampling;
  const { xx, xy, yy } = shape;
  const det = xx * yy - xy * xy;
  const rx = 3 * Math.sqrt(xx);
  const ry = 3 * Math.sqrt(yy);
  let light = 0;
  let squares = 0;
  for (let y = Math.max(0, Math.ceil(y0 - ry)); y <= Math.min(height - 1, y0 + ry); y++) {
    for (let x = Math.max(0, Math.ceil(x0 - rx)); x <= Math.min(width - 1, x0 + rx); x++) {
      const dx = x - x0;
      const dy = y - y0;
      const v = data[y * width + x] - sky;
      if (v !== v || (parity !== -1 && ((x + y) & 1) !== parity)) continue;
      const w = Math.exp(-0.5 * (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det);
      light += w * v;
      squares += w * w;
    }
  }
  return light / squares;
}

/**
 * Light of a Gaussian star under the weight of an entry: Σ w I √(|M + W| / |W|), M the star's moments and W the
 * weight's.
 */
function gaussianLight(sampling: Sampling, list: Float64Array, e: number): number {
  const xx = list[e + momentAt.weightXx];
  const xy = list[e + momentAt.weightXy];
  const yy = list[e + momentAt.weightYy];
  const { xx: sxx, xy: sxy, yy: syy } = shapeAt(list, e);
  const both = (xx + sxx) * (yy + syy) - (xy + sxy) ** 2;
  const own = xx * yy - xy * xy;
  return list[e + momentAt.sum] * (sampling.parity === -1 ? 1 : 2) * Math.sqrt(both / own) / list[e + momentAt.covered];
}
