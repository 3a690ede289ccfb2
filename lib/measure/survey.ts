/** One look at a frame: sky mesh, star candidates, the width of a star, the stars. Everything that measures stars starts here. */
import { medianInPlace } from "../stats/samples.ts";
import {
  blockMeans,
  findPeaks,
  type Grid,
  type Mesh,
  meshAt,
  smoothGrid,
  smoothMesh,
  subtractLines,
  subtractMesh,
  tileMedians,
  tileStatistics,
} from "./coarse.ts";
import { adapt, centre, createProbe, gaussianLight, type Probe, weigh, weightFor } from "./moments.ts";
import type { Sampling } from "./sampling.ts";

/** Side of a sky tile in samples of the 2 × 2 grid. */
const TILE = 32;
/**
 * Side of the small tiles that follow a nebula: with the median of 3 × 3 of them a star up to about a tile wide leaves no mark,
 * and structure of three tiles (48 pixels) is followed.
 */
const FINE_TILE = 8;
/**
 * Share of the detection limit that a peak of the smoothed grid must reach to be looked at closely: the worst a star loses
 * there, a narrow one (FWHM 1.7 pixels) that falls on the corner of four blocks keeps 0.53 of its signal-to-noise ratio.
 */
const COARSE_SHARE = 0.55;
/** Noise of the smoothed grid over that of the grid, for white noise: the norm of [1 2 1]/4, squared. */
const SMOOTH_GAIN = 0.375;

/** Settings of a survey. */
export interface SurveySettings {
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
}

/** Width of the stars of a frame: the Gaussian ellipse typical for it. */
export interface Width {
  /** Variance along x, pixels². */
  readonly xx: number;
  /** Covariance. */
  readonly xy: number;
  /** Variance along y. */
  readonly yy: number;
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

/** Result of {@linkcode survey}. */
export interface Survey {
  /** Where the samples came from. */
  readonly sampling: Sampling;
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
  readonly width: Width | null;
  /** Binning, in pixels, at which the stars were searched. */
  readonly searchBinning: number;
  /** The stars, brightest first. */
  readonly stars: Candidate[];
  /** Whether there were more than asked for. */
  readonly truncated: boolean;
  /** What was turned down. */
  readonly turnedDown: TurnedDown;
}

/** Centre of the tightest half of the values, again and again (half-sample mode; Bickel & Frühwirth 2006, CSDA 50, 3500). */
export function halfSampleMode(values: readonly number[]): number {
  let s = [...values].sort((a, b) => a - b);
  while (s.length > 3) {
    const h = Math.ceil(s.length / 2);
    let best = 0;
    for (let i = 1; i + h <= s.length; i++) if (s[i + h - 1] - s[i] < s[best + h - 1] - s[best]) best = i;
    const next = s.slice(best, best + h);
    if (next[h - 1] === next[0] || next.length === s.length) return next[h >> 1];
    s = next;
  }
  return s.length === 3 ? s[1] : s.length === 2 ? (s[0] + s[1]) / 2 : s.length === 1 ? s[0] : NaN;
}

/** A grid at one binning with what is needed to search it. */
interface Level {
  readonly grid: Grid;
  readonly smooth: Grid;
  /** Pixels of the frame a sample of the grid, along one axis. */
  readonly binning: number;
  readonly peaks: Int32Array;
  /** Noise of the smoothed grid in each tile. */
  readonly noise: Float64Array;
  readonly columns: number;
  readonly rows: number;
  readonly tile: number;
}

/** Noise of a smoothed grid: 1.4826 × median |2 v − v₋₃ − v₊₃| / √6 of every so-manyth sample; the step spans the smoothing. */
function sampledNoise(grid: Grid): number {
  const { width, height, data } = grid;
  const step = Math.max(1, Math.floor(data.length / 20000) | 1),
    scratch = new Float32Array(Math.ceil(data.length / step));
  let n = 0;
  for (let i = 3; i < width * height - 3; i += step) {
    const d = Math.abs(2 * data[i] - data[i - 3] - data[i + 3]);
    if (d > 0) scratch[n++] = d;
  }
  return 1.482602218505602 * medianInPlace(scratch, n) / Math.sqrt(6);
}

function openLevel(grid: Grid, mesh: Mesh, binning: number, sigma: number): Level {
  const smooth = smoothGrid(grid), { columns, rows } = mesh;
  const tile = mesh.tile * 2 / binning;
  // White noise would be smoothed by SMOOTH_GAIN; what was interpolated or banded is smoothed less. Believe the frame.
  const typical = medianInPlace(Float64Array.from(mesh.noise));
  const ratio = Math.max(SMOOTH_GAIN * 2 / binning, sampledNoise(smooth) / (typical > 0 ? typical : 1));
  const noise = mesh.noise.map((each) => each * ratio);
  const limits = noise.map((each) => Math.max(each * COARSE_SHARE * sigma, 1e-30));
  return { grid, smooth, binning, peaks: findPeaks(smooth, limits, columns, rows, tile), noise, columns, rows, tile };
}

const noiseAt = (level: Level, x: number, y: number): number =>
  level.noise[
    Math.min(level.rows - 1, Math.floor(y / level.tile)) * level.columns +
    Math.min(level.columns - 1, Math.floor(x / level.tile))
  ];

/** Middle and slope of 16 samples on a ring around a grid position: what the sky mesh left there. */
function ringLevel(grid: Grid, x: number, y: number, radius: number, scratch: Float64Array): number {
  let n = 0;
  for (let k = 0; k < 16; k++) {
    const angle = k * Math.PI / 8;
    const px = Math.round(x + radius * Math.cos(angle)), py = Math.round(y + radius * Math.sin(angle));
    if (px >= 0 && py >= 0 && px < grid.width && py < grid.height) scratch[n++] = grid.data[py * grid.width + px];
  }
  return n < 6 ? 0 : medianInPlace(scratch, n);
}

/**
 * Whether the light at a probe is one pixel's and not a star's: a star of the frame's width explains more of the light than a
 * single pixel does. Compare the two signal-to-noise ratios: Σ w I / √Σ w² against the peak.
 */
const isSinglePixel = (probe: Probe): boolean => probe.peak > probe.sum / Math.sqrt(probe.weight2);

/** The same with the weight matched to the star, whatever the pitch of the pixels; leaves the probe's sums behind. */
function isOnePixelUnder(sampling: Sampling, probe: Probe, background: number): boolean {
  const { xx, xy, yy } = probe;
  probe.xx = probe.sxx;
  probe.xy = probe.sxy;
  probe.yy = probe.syy;
  weigh(sampling, probe, background);
  const one = isSinglePixel(probe);
  if (xx !== probe.xx || yy !== probe.yy) {
    probe.xx = xx;
    probe.xy = xy;
    probe.yy = yy;
    weigh(sampling, probe, background);
  }
  return one;
}

/** Whether at least three samples round the peak are within half a percent of it: a clipped top. */
function isFlatTopped(sampling: Sampling, at: number, background: number): boolean {
  const { data, width, height, parity } = sampling;
  const x0 = at % width, y0 = (at - x0) / width, top = data[at] - background;
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

/** Places and second moments of the region around a peak that stays above a share of its height; −1 marks when it joins another. */
interface Region {
  readonly area: number;
  readonly x: number;
  readonly y: number;
  readonly xx: number;
  readonly xy: number;
  readonly yy: number;
  /** Label of a region met on the way, else 0. */
  readonly meets: number;
}

const REGION_LIMIT = 20000;

function floodRegion(
  smooth: Grid,
  labels: Int32Array,
  start: number,
  floor: number,
  label: number,
  queue: Int32Array,
): Region {
  const { width, height, data } = smooth;
  let head = 0, tail = 0, meets = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, syy = 0, weight = 0;
  const x0 = start % width, y0 = (start - x0) / width;
  queue[tail++] = start;
  if (labels[start] !== 0) return { area: 1, x: x0, y: y0, xx: 0, xy: 0, yy: 0, meets: labels[start] };
  labels[start] = label;
  while (head < tail && tail < REGION_LIMIT) {
    const i = queue[head++], x = i % width, y = (i - x) / width, dx = x - x0, dy = y - y0, v = data[i];
    sx += v * dx;
    sy += v * dy;
    sxx += v * dx * dx;
    sxy += v * dx * dy;
    syy += v * dy * dy;
    weight += v;
    for (let dyy = -1; dyy <= 1; dyy++) {
      const ny = y + dyy;
      if (ny < 0 || ny >= height) continue;
      for (let dxx = -1; dxx <= 1; dxx++) {
        const nx = x + dxx;
        if (nx < 0 || nx >= width) continue;
        const j = ny * width + nx;
        if (!(data[j] >= floor) || labels[j] === label) continue;
        if (labels[j] !== 0) {
          meets = labels[j];
          continue;
        }
        labels[j] = label;
        if (tail < queue.length) queue[tail++] = j;
      }
    }
  }
  const mx = sx / weight, my = sy / weight;
  return {
    area: tail,
    x: x0 + mx,
    y: y0 + my,
    xx: sxx / weight - mx * mx,
    xy: sxy / weight - mx * my,
    yy: syy / weight - my * my,
    meets,
  };
}

/** Peaks of a level, those that are only humps of a brighter one taken out, with the moments of their regions in pixels. */
interface Start {
  x: number;
  y: number;
  height: number;
  sigmas: number;
  /** Height over the median of eight samples three away, in sigma: large for stars, small for knots of a nebula. */
  contrast: number;
  xx: number;
  xy: number;
  yy: number;
  area: number;
}

/** Eight places three samples away, x and y in turn. */
const AROUND: readonly number[] = [3, 0, 2, 2, 0, 3, -2, 2, -3, 0, -2, -2, 0, -3, 2, -2];

function startsOf(level: Level, most: number): { starts: Start[]; humps: number } {
  const { smooth, binning, peaks } = level;
  const labels = new Int32Array(smooth.data.length), queue = new Int32Array(REGION_LIMIT + 8);
  const starts: Start[] = [], around = new Float64Array(8);
  let humps = 0;
  for (let k = 0; k < peaks.length && starts.length < most; k++) {
    const i = peaks[k], x = i % smooth.width, y = (i - x) / smooth.width, v = smooth.data[i];
    const noise = noiseAt(level, x, y);
    // A second peak is one of its own if the saddle between them lies more than three sigma and a fifth below it.
    const region = floodRegion(smooth, labels, i, Math.max(v - Math.max(3 * noise, 0.2 * v), 0.5 * v), k + 1, queue);
    if (region.meets !== 0) {
      humps++;
      continue;
    }
    // Sub-sample place of the peak by parabolas through it and its neighbours.
    const parabola = (a: number, b: number) => {
      const curve = a + b - 2 * v;
      return curve < 0 ? Math.max(-0.5, Math.min(0.5, (a - b) / (2 * curve))) : 0;
    };
    const long = region.area > 14;
    const px = long ? region.x : x + parabola(smooth.data[i - 1], smooth.data[i + 1]);
    const py = long ? region.y : y + parabola(smooth.data[i - smooth.width], smooth.data[i + smooth.width]);
    const b2 = binning * binning;
    for (let a = 0; a < 8; a++) {
      const rx = Math.max(0, Math.min(smooth.width - 1, x + AROUND[2 * a]));
      const ry = Math.max(0, Math.min(smooth.height - 1, y + AROUND[2 * a + 1]));
      around[a] = smooth.data[ry * smooth.width + rx];
    }
    starts.push({
      x: px * binning + (binning - 1) / 2,
      y: py * binning + (binning - 1) / 2,
      height: v,
      sigmas: v / noise,
      contrast: (v - medianInPlace(around, 8)) / noise,
      xx: region.xx * b2,
      xy: region.xy * b2,
      yy: region.yy * b2,
      area: region.area,
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
  const { data, width, height, parity } = sampling, x0 = at % width, y0 = (at - x0) / width, near: number[] = [];
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      const x = x0 + dx, y = y0 + dy;
      if ((dx === 0 && dy === 0) || x < 0 || y < 0 || x >= width || y >= height) continue;
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      const v = data[y * width + x];
      if (v === v) near.push(v);
    }
  }
  return near.length === 0 ? NaN : medianInPlace(Float64Array.from(near));
}

/** Survey the frame. */
export function survey(given: Sampling, settings: SurveySettings): Survey {
  let sampling = given;
  const { width, height, parity } = sampling;
  const grid = blockMeans(sampling.data, width, height, parity);
  const tile = Math.max(4, Math.min(TILE, grid.width, grid.height));
  const rough = tileStatistics(grid, tile);
  const { columns, rows } = rough;
  const level = smoothMesh(rough.level, columns, rows), tileNoise = smoothMesh(rough.noise, columns, rows);
  const mesh: Mesh = { columns, rows, tile, level, noise: tileNoise };
  subtractMesh(grid, level, columns, rows, tile);
  const gridNoise = medianInPlace(Float64Array.from(tileNoise));
  const rest: Grid = { ...grid, data: grid.data.slice() };
  const fineTile = Math.min(FINE_TILE, tile), fine = tileMedians(grid, fineTile);
  const fineLevel = smoothMesh(fine.level, fine.columns, fine.rows);
  subtractMesh(grid, fineLevel, fine.columns, fine.rows, fineTile);
  const banding = subtractLines(grid, gridNoise);
  const background = medianInPlace(Float64Array.from(level));
  const perPixel = parity === -1 ? 2 : Math.SQRT2;
  const noise = gridNoise * perPixel;
  const turned = { singlePixel: 0, narrow: 0, wide: 0, partOfAnother: 0, border: 0 };
  const base = {
    sampling,
    grid,
    mesh,
    rawLevel: rough.level,
    background,
    noise,
    gridNoise,
    rowBanding: banding.rows,
    columnBanding: banding.columns,
  };
  const none: Survey = {
    ...base,
    width: null,
    searchBinning: 2,
    stars: [],
    truncated: false,
    turnedDown: turned,
  };
  if (!(gridNoise > 0)) return none;

  const noiseHere = (x: number, y: number) =>
    perPixel * tileNoise[
      Math.min(rows - 1, Math.floor(y / (2 * tile))) * columns +
      Math.min(columns - 1, Math.floor(x / (2 * tile)))
    ];
  // Wide stars would be taken for nebula by the small tiles: below, a wider search does without them.
  let followed = true;
  const skyHere = (x: number, y: number) => {
    const gx = (x - 0.5) / 2, gy = (y - 0.5) / 2, sky = meshAt(level, columns, rows, tile, gx, gy);
    return followed ? sky + meshAt(fineLevel, fine.columns, fine.rows, fineTile, gx, gy) : sky;
  };
  const signalToNoise = (probe: Probe, sigma: number): number => {
    const own = settings.electronsPerUnit > 0 ? Math.max(0, probe.weight2Light) / settings.electronsPerUnit : 0;
    return probe.sum / Math.sqrt(probe.weight2 * sigma * sigma + own);
  };
  const ring = new Float64Array(16);
  const limit = Math.max(20, settings.maximumStars) * 4;

  /** First look at the brightest candidates of a level: which settle on a shape, and which. */
  const firstLook = (search: Level, starts: readonly Start[], count: number) => {
    const shapes: { size: number; probe: Probe; snr: number; start: Start }[] = [];
    let tried = 0;
    for (const start of [...starts].sort((a, b) => b.contrast - a.contrast)) {
      if (tried >= count) break;
      const guess = (0.75 * search.binning) ** 2;
      const sky = skyHere(start.x, start.y), sigma = noiseHere(start.x, start.y);
      const probe = createProbe(start.x, start.y, guess);
      if (start.area > 14) {
        probe.sxx = 2 * start.xx + guess;
        probe.sxy = 2 * start.xy;
        probe.syy = 2 * start.yy + guess;
      } else {
        weigh(sampling, probe, sky);
        if (isSinglePixel(probe)) continue;
      }
      tried++;
      const reach = Math.max(3 * search.binning, 1.5 * Math.sqrt(start.xx + start.yy));
      if (!adapt(sampling, probe, sky, reach, 0.12, (width * width + height * height) / 16, 25)) continue;
      const snr = signalToNoise(probe, sigma);
      if (!(snr >= settings.detectionSigma)) continue;
      const raw = sampling.data[probe.peakAt];
      if (raw >= settings.saturationLevel || isFlatTopped(sampling, probe.peakAt, sky)) continue;
      shapes.push({ size: 0.25 * Math.log(probe.sxx * probe.syy - probe.sxy * probe.sxy), probe, snr, start });
    }
    return shapes;
  };

  let search = openLevel(grid, mesh, 2, settings.detectionSigma);
  let found = startsOf(search, limit);
  // A hot pixel next to a star takes the star for its hump, and spoils its shape: fill single pixels, in frame and grids, and look
  // again. Twice, because one may hide another.
  for (let round = 0; round < 2; round++) {
    const single: number[] = [];
    for (const start of found.starts) {
      if (start.area > 14) continue;
      const probe = createProbe(start.x, start.y, 2);
      weigh(sampling, probe, skyHere(start.x, start.y));
      // Noise alone makes a pixel of 5.5 sigma once in 50 million.
      if (probe.peak > 5.5 * noiseHere(start.x, start.y) && isSinglePixel(probe)) single.push(probe.peakAt);
    }
    if (single.length === 0) break;
    const data = round === 0 && sampling === given ? sampling.data.slice() : sampling.data,
      share = parity === -1 ? 0.25 : 0.5;
    for (const at of single) {
      const level = neighbourLevel(sampling, at), x = (at % width) >> 1, y = Math.floor(at / width) >> 1;
      if (level !== level || x >= grid.width || y >= grid.height) continue;
      const excess = data[at] - level;
      data[at] = level;
      grid.data[y * grid.width + x] -= share * excess;
      rest.data[y * grid.width + x] -= share * excess;
    }
    turned.singlePixel += single.length;
    sampling = { ...sampling, data };
    search = openLevel(grid, mesh, 2, settings.detectionSigma);
    found = startsOf(search, limit);
  }
  let shapes = firstLook(search, found.starts, 120);
  // Wide stars (defocus, a long focus) stand out more the wider the blocks: go up while the brightest gain, each at its place, so
  // that a nebula's knots, which the wider search would find as well, have no say.
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
  let up = rest, binning = 2;
  const typicalSize = () => shapes.length === 0 ? 0 : Math.exp(halfSampleMode(shapes.map((each) => each.size)));
  while (binning < 16 && up.width >= 32 && up.height >= 32 && (shapes.length < 5 || typicalSize() > 1.3 * binning)) {
    up = binned(up);
    binning *= 2;
    const wider = openLevel(up, mesh, binning, settings.detectionSigma), wasFollowed: boolean = followed;
    const objects = [...(shapes.length >= 5 ? shapes.map((each) => each.start) : found.starts)]
      .sort((a, b) => b.contrast - a.contrast).slice(0, 20);
    if (objects.length === 0) break;
    const gain = medianInPlace(Float64Array.from(objects, (each) => standOut(wider, each) / each.sigmas));
    // Stars of FWHM 7 pixels gain a quarter by blocks twice as wide; halos of dew make sharp stars gain a little, too.
    if (!(gain > 1.2)) break;
    followed = false;
    const starts = startsOf(wider, limit), look = firstLook(wider, starts.starts, 120);
    if (look.length === 0) {
      followed = wasFollowed;
      break;
    }
    search = wider;
    found = starts;
    shapes = look;
  }
  if (shapes.length === 0) return { ...none, turnedDown: { ...turned, partOfAnother: found.humps } };
  turned.partOfAnother = found.humps;

  // The frame's width: the tightest bunch of sizes, so that neither hot clusters nor nebula knots set it.
  const mode = halfSampleMode(shapes.map((each) => each.size));
  const near = shapes.filter((each) => Math.abs(each.size - mode) < 0.25);
  const middle = (of: (probe: Probe) => number) => medianInPlace(Float64Array.from(near, (each) => of(each.probe)));
  const frame: Width = { xx: middle((p) => p.sxx), xy: middle((p) => p.sxy), yy: middle((p) => p.syy) };
  const frameSize = Math.sqrt(Math.sqrt(frame.xx * frame.yy - frame.xy * frame.xy));
  const frameLong = Math.sqrt((frame.xx + frame.yy) / 2 + Math.hypot((frame.xx - frame.yy) / 2, frame.xy));
  const frameShort2 = (frame.xx + frame.yy) / 2 - Math.hypot((frame.xx - frame.yy) / 2, frame.xy);

  const looked = new Map(shapes.map((each) => [each.start, each.probe]));
  // One or two stars say nothing of what is usual.
  const judged = near.length >= 3;

  // What the mesh left under each star: believed as far as the rings of the frame scatter more than their noise.
  const radius = Math.max(3, 5 * frameLong / 2);
  const ground = followed ? grid : rest;
  const rings = found.starts.map((start) => ringLevel(ground, (start.x - 0.5) / 2, (start.y - 0.5) / 2, radius, ring));
  const ringNoise = 1.2533 * gridNoise / 4;
  const scatter = 1.482602218505602 * medianInPlace(Float64Array.from(rings, Math.abs));
  const excess2 = Math.max(0, scatter * scatter - ringNoise * ringNoise);
  const trust = excess2 / (excess2 + ringNoise * ringNoise);

  const stars: Candidate[] = [];
  const cell = Math.max(2, frameSize * 1.5), cells = new Map<number, Candidate[]>();
  const across = Math.ceil(width / cell) + 2;
  found.starts.forEach((start, k) => {
    const sigma = noiseHere(start.x, start.y);
    const off = Math.abs(rings[k]) > 3 * Math.sqrt(excess2 + ringNoise * ringNoise) ? rings[k] : trust * rings[k];
    const sky = skyHere(start.x, start.y) + off;
    const probe = createProbe(start.x, start.y, frame.xx);
    probe.sxy = frame.xy;
    probe.syy = frame.yy;
    weightFor(sampling, probe);
    const reach = Math.max(2.5, 2 * frameSize, start.area > 14 ? Math.sqrt(start.xx + start.yy) : 0);
    // Most peaks of the grid are noise: one pass tells.
    weigh(sampling, probe, sky);
    if (!(probe.sum > 0.5 * settings.detectionSigma * sigma * Math.sqrt(probe.weight2))) return;
    if (!centre(sampling, probe, sky, reach, 0.01, 12)) return;
    let snr = signalToNoise(probe, sigma);
    if (!(snr >= settings.detectionSigma)) return;
    if (isOnePixelUnder(sampling, probe, sky)) {
      turned.singlePixel++;
      return;
    }
    if (probe.covered < 0.7 || probe.x < 0 || probe.y < 0 || probe.x > width - 1 || probe.y > height - 1) {
      turned.border++;
      return;
    }
    const raw = sampling.data[probe.peakAt];
    const saturated = raw >= settings.saturationLevel || (snr > 50 && isFlatTopped(sampling, probe.peakAt, sky));
    let shaped = false;
    if (snr >= 8) {
      // Where the first look settled on a shape, start from it: an arc or a long trail is far from any other start.
      const seen = looked.get(start);
      const own = createProbe(probe.x, probe.y, seen?.sxx ?? frame.xx);
      own.sxy = seen?.sxy ?? frame.xy;
      own.syy = seen?.syy ?? frame.yy;
      shaped = adapt(
        sampling,
        own,
        sky,
        Math.max(1.5, frameSize),
        0.1 * frameShort2,
        40 * frameLong * frameLong,
        snr > 30 ? 20 : 10,
      );
      if (shaped) {
        const half = (own.sxx + own.syy) / 2, root = Math.hypot((own.sxx - own.syy) / 2, own.sxy);
        const ratio = Math.sqrt(Math.sqrt(half * half - root * root)) / frameSize, doubt = 3 / snr;
        if (!saturated && judged && Math.sqrt((half - root) / frameShort2) < 0.62 - doubt) {
          turned.narrow++;
          return;
        }
        if (!saturated && judged && ratio > 1.6 + 2 * doubt) {
          turned.wide++;
          return;
        }
        Object.assign(probe, own);
        // The weight is the last step's: weigh once more with it for light and peak.
        weigh(sampling, probe, sky);
        snr = signalToNoise(probe, sigma);
      } else if (snr >= 15 && !saturated && judged) {
        turned.wide++;
        return;
      }
    }
    // A peak found twice, from two humps of one star.
    const cx = Math.floor(probe.x / cell) + 1, cy = Math.floor(probe.y / cell) + 1;
    for (let dy = -1; dy <= 1; dy++) {
      for (let dx = -1; dx <= 1; dx++) {
        for (const other of cells.get((cy + dy) * across + cx + dx) ?? []) {
          if ((other.x - probe.x) ** 2 + (other.y - probe.y) ** 2 < frameSize * frameSize) {
            turned.partOfAnother++;
            return;
          }
        }
      }
    }
    const star: Candidate = {
      x: probe.x,
      y: probe.y,
      xx: probe.sxx,
      xy: probe.sxy,
      yy: probe.syy,
      height: gaussianLight(sampling, probe) / (2 * Math.PI * Math.sqrt(probe.sxx * probe.syy - probe.sxy * probe.sxy)),
      peak: probe.peak,
      snr,
      background: sky,
      saturated,
      shaped,
    };
    const key = cy * across + cx, list = cells.get(key);
    if (list === undefined) cells.set(key, [star]);
    else list.push(star);
    stars.push(star);
  });
  const light = (star: Candidate) => star.height * Math.sqrt(star.xx * star.yy - star.xy * star.xy);
  stars.sort((a, b) => light(b) - light(a) || a.y - b.y || a.x - b.x);
  return {
    ...base,
    width: frame,
    searchBinning: search.binning,
    stars: stars.slice(0, settings.maximumStars),
    truncated: stars.length > settings.maximumStars || found.starts.length >= limit,
    turnedDown: turned,
  };
}
