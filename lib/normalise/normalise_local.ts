/**
 * Local normalisation: brings a frame's level, and where thin cloud asks for it its contrast, to those of a reference,
 * from place to place. Only the smooth difference of the two is fitted, so what both show (the nebula) stays.
 */
import {
  allocatePlane,
  createImage,
  derive,
  type Image,
  requireLinear,
  requireSameSize,
  type Unit,
} from "../core/image.ts";
import { evaluateNormalisation, type NormalisationSurface } from "../core/normalisation.ts";
import { settle } from "../core/options.ts";
import { applyTransform, identityTransform, invertTransform, type Transform } from "../core/transform.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { fitThinPlate } from "../surfaces/fit_thin_plate.ts";
import { thinPlateAt } from "../surfaces/thin_plate.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median, weightedMedian } from "../stats/median.ts";
import { medianInPlace } from "../stats/samples.ts";
import { leastSquares } from "../stats/least_squares.ts";
import { fTail } from "../stats/special_functions.ts";

/** Light of one star in the frame over its light in the reference. */
export interface StarFluxRatio {
  /** Column in the reference. */
  readonly x: number;
  /** Row in the reference. */
  readonly y: number;
  /** Flux in the frame / flux in the reference. */
  readonly ratio: number;
  /** Relative trust; 1 when left out. */
  readonly weight?: number;
}

/** Options of {@linkcode prepareNormalisation}. */
export interface PrepareNormalisationOptions {
  /** Side of a tile, reference pixels, whole; `null` takes a sixteenth of the longer side, at least 48. */
  readonly tilePixels: number | null;
  /** Samples looked at in a tile, about. */
  readonly samplesPerTile: number;
  /**
   * A sample counts as star when it, or a sample up to `starPixels` away, stands out of its tile by this many sigma.
   */
  readonly starSigma: number;
  /** How far the light of a star reaches, pixels: about two FWHM. */
  readonly starPixels: number;
}

/**
 * Defaults of {@linkcode prepareNormalisation}. Sixteen tiles on the long side follow a gradient that bends over a
 * quarter of the field; 4096 samples know a tile's level to 0.02 sigma; at 4 sigma one sky sample in 30 000 is taken
 * for a star.
 */
export const prepareNormalisationDefaults: Readonly<PrepareNormalisationOptions> = Object.freeze({
  tilePixels: null,
  samplesPerTile: 4096,
  starSigma: 4,
  starPixels: 6,
});

/** One plane of a reference, thinned to the samples that tell its sky. */
export interface ReferencePlane {
  /** Channel. */
  readonly channel: string;
  /** Columns of the samples. */
  readonly x: Int32Array;
  /** Rows of the samples. */
  readonly y: Int32Array;
  /** The samples. */
  readonly value: Float32Array;
  /** First sample of each tile, and one more. */
  readonly start: Int32Array;
}

/** A reference made ready for many frames. */
export interface NormalisationReference {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Nodes along x. */
  readonly gridWidth: number;
  /** Nodes along y. */
  readonly gridHeight: number;
  /** Side of a tile, pixels. */
  readonly tilePixels: number;
  /** Samples, one entry a plane. */
  readonly planes: readonly ReferencePlane[];
}

/** Options of {@linkcode fitNormalisation}. */
export interface FitNormalisationOptions extends PrepareNormalisationOptions {
  /** Frame pixel → reference pixel; `null` when the frame lies on the reference's grid. */
  readonly transform: Transform | null;
  /**
   * Light of the frame over that of the reference, one number or one a plane: the flux ratio of the matched stars.
   * `null` takes it from `stars`, and without those as 1.
   */
  readonly fluxRatio: number | readonly number[] | null;
  /** Ratios of single stars; with 30 or more of them thin cloud is looked for. */
  readonly starFluxRatios: readonly StarFluxRatio[] | null;
  /** Least change of the ratio over the field that is taken for cloud rather than error. */
  readonly cloudShare: number;
  /** Least share of a tile's samples that must be left for it to count. */
  readonly minimumSamplesShare: number;
  /** How the offsets are smoothed: a thin-plate spline whose stiffness the data choose, a plane, or one constant. */
  readonly shape: "spline" | "plane" | "constant";
}

/**
 * Defaults of {@linkcode fitNormalisation}: a change of transparency below 1 % over the field is within what flux
 * ratios of a few dozen stars tell; a tile that is two thirds star or gap knows too little of its sky.
 */
export const fitNormalisationDefaults: Readonly<FitNormalisationOptions> = Object.freeze({
  ...prepareNormalisationDefaults,
  transform: null,
  fluxRatio: null,
  starFluxRatios: null,
  cloudShare: 0.01,
  minimumSamplesShare: 0.33,
  shape: "spline",
});

/** What the fit of one plane found. */
export interface NormalisationPlaneFit {
  /** Channel. */
  readonly channel: string;
  /** Factor in the middle of the field. */
  readonly scale: number;
  /** Tiles that counted. */
  readonly tiles: number;
  /** Effective number of coefficients of the offset. */
  readonly degreesOfFreedom: number;
  /** Scatter of the tiles about the surface, reference unit. */
  readonly scatter: number;
  /** Largest less smallest offset over the nodes, reference unit. */
  readonly range: number;
}

/** A surface with the evidence behind it. */
export interface FittedNormalisation extends NormalisationSurface {
  /** One entry a plane. */
  readonly planes: readonly NormalisationPlaneFit[];
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

/** Reads one colour of an image: a plane, or the pixels of a mosaic with that colour. */
interface Reader {
  readonly channel: string;
  readonly data: Float32Array;
  readonly width: number;
  readonly height: number;
  /**
   * Step from a pixel to the one of this colour in its 2 × 2 block, by parity of row and column; null for a full
   * plane.
   */
  readonly step: Int32Array | null;
}

function readersOf(image: Image): Reader[] {
  const { width, height, planes, geometry: { bayer } } = image;
  if (bayer === null || planes.length !== 1) {
    return planes.map(({ channel, data }) => ({ channel, data, width, height, step: null }));
  }
  return ["R", "G", "B"].map((channel) => {
    const step = new Int32Array(4);
    for (let p = 0; p < 4; p++) {
      const x = p & 1;
      const y = p >> 1;
      if (bayer[p] === channel) continue;
      // a neighbour in the same row or column when it has the colour (green), else the diagonal one
      const beside = bayer[y * 2 + 1 - x] === channel;
      const below = bayer[(1 - y) * 2 + x] === channel;
      const dx = beside || !below ? 1 - 2 * x : 0;
      const dy = beside ? 0 : 1 - 2 * y;
      step[p] = dx + dy * width;
    }
    return { channel, data: planes[0].data, width, height, step };
  });
}

function read(reader: Reader, x: number, y: number): number {
  const { data, width, height, step } = reader;
  if (x < 0 || y < 0 || x >= width || y >= height) return NaN;
  const at = y * width + x;
  if (step === null) return data[at];
  const to = at + step[(y & 1) * 2 + (x & 1)];
  return to >= 0 && to < data.length ? data[to] : NaN;
}

/** Places looked at round a sample: eight directions at the given distance and at half of it. */
function ringOf(radius: number): [number, number][] {
  const places: [number, number][] = [];
  for (const r of [radius / 2, radius]) {
    for (let k = 0; k < 8; k++) {
      const x = Math.round(r * Math.cos(k * Math.PI / 4));
      const y = Math.round(r * Math.sin(k * Math.PI / 4));
      places.push([x, y]);
    }
  }
  return places;
}

function checkPreparation(step: string, used: PrepareNormalisationOptions): void {
  const { tilePixels, samplesPerTile, starSigma, starPixels } = used;
  if (tilePixels !== null && !(Number.isInteger(tilePixels) && tilePixels >= 8)) {
    throw new RangeError(`${step}: tilePixels must be a whole number from 8, but got ${tilePixels}`);
  }
  if (!(samplesPerTile >= 16)) throw new RangeError(`${step}: samplesPerTile must be ≥ 16, but got ${samplesPerTile}`);
  if (!(starSigma > 0)) throw new RangeError(`${step}: starSigma must be > 0, but got ${starSigma}`);
  if (!(starPixels >= 0)) throw new RangeError(`${step}: starPixels must be ≥ 0, but got ${starPixels}`);
}

/**
 * Thin a reference to the samples that tell its sky and nebula, stars left out; do it once for the frames of a night.
 *
 * @param reference linear image, best the mean of a few frames with the lowest sky; a colour mosaic is read colour by
 * colour
 * @param options tiles, samples, stars
 * @throws {TypeError} if the image is a finished picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { prepareNormalisation } from "faintlight/parts";
 *
 * const ready = prepareNormalisation(constantImage(96, 64, 5), { tilePixels: 32 });
 * assert.deepEqual([ready.gridWidth, ready.gridHeight], [3, 2]);
 * ```
 */
export function prepareNormalisation(
  reference: Image,
  options: Partial<PrepareNormalisationOptions> = {},
): NormalisationReference {
  const used = settle("prepareNormalisation", prepareNormalisationDefaults, options);
  checkPreparation("prepareNormalisation", used);
  requireLinear("prepareNormalisation", reference);
  const { width, height } = reference;
  const { samplesPerTile, starSigma, starPixels } = used;
  const tilePixels = used.tilePixels ?? Math.max(48, Math.round(Math.max(width, height) / 16));
  const gridWidth = Math.max(1, Math.round(width / tilePixels));
  const gridHeight = Math.max(1, Math.round(height / tilePixels));
  const stride = Math.max(1, Math.ceil(tilePixels / Math.sqrt(samplesPerTile)));
  const ring = ringOf(starPixels);
  const ringX = Int32Array.from(ring, ([dx]) => dx);
  const ringY = Int32Array.from(ring, ([, dy]) => dy);
  const planes = readersOf(reference).map((reader): ReferencePlane => {
    const xs: number[] = [];
    const ys: number[] = [];
    const values: number[] = [];
    const start = [0];
    for (let j = 0; j < gridHeight; j++) {
      for (let i = 0; i < gridWidth; i++) {
        // what is left over at the right and below belongs to the last tile
        const x1 = i + 1 === gridWidth ? width : (i + 1) * tilePixels;
        const y1 = j + 1 === gridHeight ? height : (j + 1) * tilePixels;
        const room = Math.ceil((x1 - i * tilePixels) / stride) * Math.ceil((y1 - j * tilePixels) / stride);
        const px = new Int32Array(room);
        const py = new Int32Array(room);
        const samples = new Float32Array(room);
        let found = 0;
        for (let y = j * tilePixels + (stride >> 1); y < y1; y += stride) {
          for (let x = i * tilePixels + (stride >> 1); x < x1; x += stride) {
            const value = read(reader, x, y);
            if (value !== value) continue;
            px[found] = x;
            py[found] = y;
            samples[found++] = value;
          }
        }
        const all = samples.subarray(0, found);
        const middle = median(all);
        const limit = middle + starSigma * madSigmaFactor * median(all.map((each) => Math.abs(each - middle)));
        search: for (let k = 0; k < found; k++) {
          const x = px[k];
          const y = py[k];
          const value = samples[k];
          if (value > limit) continue;
          for (let n = 0; n < ringX.length; n++) {
            if (read(reader, x + ringX[n], y + ringY[n]) > limit) continue search;
          }
          xs.push(x);
          ys.push(y);
          values.push(value);
        }
        start.push(xs.length);
      }
    }
    return {
      channel: reader.channel,
      x: Int32Array.from(xs),
      y: Int32Array.from(ys),
      value: Float32Array.from(values),
      start: Int32Array.from(start),
    };
  });
  return { width, height, gridWidth, gridHeight, tilePixels, planes };
}

/** Level of one tile's difference. */
interface TileLevel {
  readonly x: number;
  readonly y: number;
  readonly level: number;
  readonly error: number;
}

/**
 * Median differences of the tiles of one plane, outliers (trails, stars that differ in seeing, cosmic rays) cut at 3
 * sigma.
 */
function tileLevels(
  reader: Reader,
  plane: ReferencePlane,
  inverse: Transform,
  scaleAt: (x: number, y: number) => number,
  full: number,
  minimumSamplesShare: number,
): TileLevel[] {
  const { x, y, value, start } = plane;
  const levels: TileLevel[] = [];
  const most = start.reduce((best, each, t) => Math.max(best, t === 0 ? 0 : each - start[t - 1]), 1);
  const d = new Float32Array(most);
  const deviation = new Float32Array(most);
  const still = inverse === identityTransform;
  const straight = inverse.kind === "similarity" || inverse.kind === "affine" ? inverse.matrix : null;
  for (let t = 0; t + 1 < start.length; t++) {
    let n = 0;
    let sx = 0;
    let sy = 0;
    const scale = start[t + 1] > start[t] ? scaleAt(x[start[t]], y[start[t]]) : 1;
    for (let k = start[t]; k < start[t + 1]; k++) {
      let px = x[k];
      let py = y[k];
      if (straight !== null && !still) {
        const rx = px;
        const ry = py;
        px = Math.round(straight[0] * rx + straight[1] * ry + straight[2]);
        py = Math.round(straight[3] * rx + straight[4] * ry + straight[5]);
      } else if (!still) {
        const p = applyTransform(inverse, px, py);
        px = Math.round(p.x);
        py = Math.round(p.y);
      }
      const sample = read(reader, px, py);
      if (sample !== sample) continue;
      d[n++] = scale * sample - value[k];
      sx += x[k];
      sy += y[k];
    }
    if (n < Math.max(8, minimumSamplesShare * full)) continue;
    let centre = medianInPlace(d, n);
    let sigma = 0;
    let left = n;
    for (let round = 0; round < 2; round++) {
      for (let k = 0; k < left; k++) deviation[k] = Math.abs(d[k] - centre);
      sigma = madSigmaFactor * medianInPlace(deviation, left);
      let kept = 0;
      for (let k = 0; k < left; k++) if (Math.abs(d[k] - centre) <= 3 * sigma) d[kept++] = d[k];
      if (kept === left || kept === 0) break;
      left = kept;
      centre = medianInPlace(d, left);
    }
    // the median of many costs √(π/2) in error
    levels.push({ x: sx / n, y: sy / n, level: centre, error: 1.2533 * sigma / Math.sqrt(left) });
  }
  return levels;
}

interface Cloud {
  /** ln ratio = a + b (x − centreX) / size + c (y − centreY) / size. */
  readonly b: number;
  readonly c: number;
  readonly share: number;
}

/** A plane in the logarithm of the stars' ratios, when the F-test at 1 % and the least share speak for it. */
function findCloud(stars: readonly StarFluxRatio[], width: number, height: number, least: number): Cloud | null {
  let used = stars.filter((each) => each.ratio > 0 && (each.weight ?? 1) > 0);
  const size = Math.max(width, height) / 2;
  for (let round = 0; round < 5; round++) {
    const n = used.length;
    if (n < 30) return null;
    const design = new Float64Array(n * 3);
    const right = new Float64Array(n);
    const logs = new Float64Array(n);
    const roots = new Float64Array(n);
    let sw = 0;
    let mean = 0;
    used.forEach((each, i) => {
      const w = each.weight ?? 1;
      roots[i] = Math.sqrt(w);
      logs[i] = Math.log(each.ratio);
      sw += w;
      mean += w * logs[i];
      design.set([roots[i], roots[i] * (each.x - width / 2) / size, roots[i] * (each.y - height / 2) / size], i * 3);
      right[i] = roots[i] * logs[i];
    });
    mean /= sw;
    const plane = design.slice();
    const solution = leastSquares(design, right, n, 3, 1);
    if (solution === null) return null;
    let flat = 0;
    let bent = 0;
    const residual = new Float64Array(n);
    for (let i = 0; i < n; i++) {
      const w = roots[i];
      const model = plane[i * 3] * solution[0] + plane[i * 3 + 1] * solution[1] + plane[i * 3 + 2] * solution[2];
      residual[i] = w * logs[i] - model;
      bent += residual[i] ** 2;
      flat += (w * (logs[i] - mean)) ** 2;
    }
    const sigma = madSigmaFactor * median(residual.map(Math.abs));
    const kept = used.filter((_, i) => Math.abs(residual[i]) <= 3 * sigma);
    if (kept.length < n && round < 4) {
      used = kept;
      continue;
    }
    const share = (Math.abs(solution[1]) * width + Math.abs(solution[2]) * height) / size;
    const real = bent > 0 ? fTail((flat - bent) / 2 / (bent / (n - 3)), 2, n - 3) < 0.01 : flat > 0;
    return real && share > least ? { b: solution[1], c: solution[2], share } : null;
  }
  return null;
}

/** Weighted quadratic surface through the tiles' levels; null when they do not fix one. */
function fitBowl(
  levels: readonly TileLevel[],
  weights: readonly number[],
  ready: NormalisationReference,
): ((x: number, y: number) => number) | null {
  const n = levels.length;
  const size = Math.max(ready.width, ready.height) / 2;
  const terms = (x: number, y: number) => {
    const u = (x - ready.width / 2) / size;
    const v = (y - ready.height / 2) / size;
    return [1, u, v, u * u, u * v, v * v];
  };
  const design = new Float64Array(n * 6);
  const right = new Float64Array(n);
  levels.forEach((each, i) => {
    const root = Math.sqrt(weights[i]);
    design.set(terms(each.x, each.y).map((term) => root * term), i * 6);
    right[i] = root * each.level;
  });
  const c = leastSquares(design, right, n, 6, 1);
  return c === null ? null : (x, y) => terms(x, y).reduce((sum, term, k) => sum + c[k] * term, 0);
}

/** Nodes of a smooth surface through the tiles' levels. */
function smoothNodes(
  levels: readonly TileLevel[],
  ready: NormalisationReference,
  shape: FitNormalisationOptions["shape"],
): { readonly nodes: Float64Array; readonly freedom: number; readonly scatter: number } {
  const { gridWidth, gridHeight, tilePixels } = ready;
  const nodes = new Float64Array(gridWidth * gridHeight);
  const errors = Float64Array.from(levels, (each) => each.error);
  const typical = median(errors);
  // no tile may count ten times as much as a typical one: its error is an estimate too
  const weights = levels.map((each) => typical > 0 ? 1 / Math.max(each.error, typical / 3) ** 2 : 1);
  const place = (k: number) => (tilePixels - 1) / 2 + k * tilePixels;
  const scatterOf = (model: (x: number, y: number) => number) =>
    madSigmaFactor * median(Float64Array.from(levels, (each) => Math.abs(each.level - model(each.x, each.y))));
  const draw = (model: (x: number, y: number) => number, freedom: number) => {
    for (let j = 0; j < gridHeight; j++) {
      for (let i = 0; i < gridWidth; i++) nodes[j * gridWidth + i] = model(place(i), place(j));
    }
    return { nodes, freedom, scatter: scatterOf(model) };
  };
  const x = levels.map((each) => each.x);
  const y = levels.map((each) => each.y);
  const z = levels.map((each) => each.level);
  if (shape !== "constant" && levels.length >= 4) {
    try {
      if (shape === "plane" || levels.length < 9) {
        // a very stiff spline is the weighted plane
        const stiff = fitThinPlate(x, y, z, { weights, smoothing: 1e9 * Math.max(ready.width, ready.height) ** 2 });
        return draw((px, py) => thinPlateAt(stiff, px, py), 3);
      }
      // most gradients are parabolic, which a spline only follows at many coefficients' cost: that part goes first
      const bowl = levels.length < 24 ? null : fitBowl(levels, weights, ready);
      const rest = bowl === null ? z : levels.map((each) => each.level - bowl(each.x, each.y));
      const spline = fitThinPlate(x, y, rest, { weights, maximumDegreesOfFreedom: 0.6 });
      const model = bowl === null
        ? (px: number, py: number) => thinPlateAt(spline, px, py)
        : (px: number, py: number) => bowl(px, py) + thinPlateAt(spline, px, py);
      return draw(model, spline.degreesOfFreedom + (bowl === null ? 0 : 3));
    } catch (error) {
      // tiles in one line fix no plane
      if (!(error instanceof RangeError)) throw error;
    }
  }
  const constant = weightedMedian(Float64Array.from(z), Float64Array.from(weights));
  return draw(() => constant, 1);
}

const isPrepared = (value: Image | NormalisationReference): value is NormalisationReference => "tilePixels" in value;

/**
 * Find how a frame's level and contrast differ from a reference's, from place to place.
 *
 * The stars' light fixes the factor. The frame times the factor less the reference is then all sky: its median over
 * each tile (stars left out, outliers cut), weighted by its error, is smoothed by a thin-plate spline whose stiffness
 * generalised cross-validation chooses. The nebula is in both and cancels. Published relatives: Alard & Lupton (1998,
 * ApJ 503, 325); background matching of the Stripe 82 coadds (Annis et al. 2014, ApJ 794, 120). The factor varies over
 * the field only when 30 or more stars show a significant slope of more than `cloudShare`.
 *
 * The frame need not be resampled: with `transform` its nearest samples are looked up. A colour mosaic gives three
 * planes. Cost: 4096 samples a tile, 30 ms a plane of any size, and the reference once.
 *
 * @param image linear frame, calibrated
 * @param reference image on the reference grid, or one made ready by {@linkcode prepareNormalisation} (its options
 * then hold)
 * @param options transform, light ratio, stars, shape
 * @returns the surface on the reference grid with its evidence
 * @throws {TypeError} if an image is a finished picture or the channels differ in number
 * @throws {RangeError} if an option is out of range, sizes differ without a transform, or no tile has enough samples
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, fitNormalisation } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const reference = constantImage(256, 192, 100);
 * const data = Float32Array.from({ length: 256 * 192 }, (_, i) => 0.8 * 100 + 0.05 * (i % 256));
 * const frame = createImage({ width: 256, height: 192, unit: "adu", planes: [{ channel: "L", data }] });
 * const surface = fitNormalisation(frame, reference, { fluxRatio: 0.8 });
 * assert.equal(surface.scale[0][0], 1.25);
 * assert.ok(Math.abs(surface.planes[0].range - 1.25 * 0.05 * 192) < 0.5); // five nodes, 48 px apart
 * ```
 */
export function fitNormalisation(
  image: Image,
  reference: Image | NormalisationReference,
  options: Partial<FitNormalisationOptions> = {},
): FittedNormalisation {
  const used = settle("fitNormalisation", fitNormalisationDefaults, options);
  const { transform, fluxRatio, starFluxRatios, cloudShare, minimumSamplesShare, shape } = used;
  checkPreparation("fitNormalisation", used);
  requireLinear("fitNormalisation", image);
  if (!(minimumSamplesShare > 0 && minimumSamplesShare <= 1)) {
    throw new RangeError(
      `fitNormalisation: minimumSamplesShare must be above 0 and at most 1, but got ${minimumSamplesShare}`,
    );
  }
  if (!(cloudShare >= 0)) throw new RangeError(`fitNormalisation: cloudShare must be ≥ 0, but got ${cloudShare}`);
  if (!["spline", "plane", "constant"].includes(shape)) {
    throw new RangeError(`fitNormalisation: shape must be spline, plane or constant, but got ${shape}`);
  }
  const { tilePixels, samplesPerTile, starSigma, starPixels } = used;
  const ready = isPrepared(reference)
    ? reference
    : prepareNormalisation(reference, { tilePixels, samplesPerTile, starSigma, starPixels });
  if (transform === null) requireSameSize("fitNormalisation", image, ready);
  const readers = readersOf(image);
  if (readers.length !== ready.planes.length) {
    throw new TypeError(
      `fitNormalisation: image must have as many channels as the reference, ${ready.planes.length}, but has ${readers.length}`,
    );
  }
  const notes: string[] = [];
  const { width, height, gridWidth, gridHeight } = ready;
  const tile = ready.tilePixels;
  const inverse = transform === null ? identityTransform : invertTransform(transform);
  const starRatio = starFluxRatios === null ? NaN : weightedMedian(
    Float64Array.from(starFluxRatios, (each) => each.ratio),
    Float64Array.from(starFluxRatios, (each) => each.weight ?? 1),
  );
  const cloud = starFluxRatios === null ? null : findCloud(starFluxRatios, width, height, cloudShare);
  if (cloud !== null) {
    notes.push(`transparency changes by ${(100 * cloud.share).toFixed(1)} % over the field: the factor follows it`);
  }
  const ratioOf = (plane: number): number => {
    const given = typeof fluxRatio === "number" || fluxRatio === null ? fluxRatio : fluxRatio[plane];
    const ratio = given ?? (starRatio > 0 ? starRatio : 1);
    if (!(ratio > 0)) throw new RangeError(`fitNormalisation: fluxRatio must be > 0, but got ${ratio}`);
    return ratio;
  };
  if (fluxRatio === null && !(starRatio > 0)) {
    notes.push("no light ratio was given: contrast is left as it is, only the level is matched");
  }
  const size = Math.max(width, height) / 2;
  const scale: Float32Array[] = [];
  const offset: Float32Array[] = [];
  const planes = readers.map((reader, k): NormalisationPlaneFit => {
    const own = 1 / ratioOf(k);
    const scaleAt = (x: number, y: number): number =>
      cloud === null ? own : own * Math.exp(-cloud.b * (x - width / 2) / size - cloud.c * (y - height / 2) / size);
    const { start } = ready.planes[k];
    const counts = Float64Array.from({ length: start.length - 1 }, (_, t) => start[t + 1] - start[t]);
    const full = counts.reduce((a, b) => Math.max(a, b), 0);
    const levels = tileLevels(reader, ready.planes[k], inverse, scaleAt, full, minimumSamplesShare);
    if (levels.length === 0) {
      throw new RangeError(
        `fitNormalisation: frame and reference must share sky, but no tile of channel ${reader.channel} has enough samples; check the transform`,
      );
    }
    const { nodes, freedom, scatter } = smoothNodes(levels, ready, shape);
    scale.push(
      Float32Array.from(
        nodes,
        (_, at) =>
          scaleAt((tile - 1) / 2 + (at % gridWidth) * tile, (tile - 1) / 2 + Math.floor(at / gridWidth) * tile),
      ),
    );
    offset.push(Float32Array.from(nodes, (each) => -each));
    let low = Infinity;
    let high = -Infinity;
    for (const each of nodes) {
      low = Math.min(low, each);
      high = Math.max(high, each);
    }
    const all = gridWidth * gridHeight;
    if (levels.length < all / 2) {
      notes.push(`${reader.channel}: only ${levels.length} of ${all} tiles could be compared`);
    }
    return {
      channel: reader.channel,
      scale: own,
      tiles: levels.length,
      degreesOfFreedom: freedom,
      scatter,
      range: high - low,
    };
  });
  return { gridWidth, gridHeight, tilePixels: tile, scale, offset, planes, notes };
}

interface ApplyJob {
  readonly surface: NormalisationSurface;
  readonly plane: number;
  readonly width: number;
  readonly x: number;
  readonly y: number;
  readonly step: number;
  readonly from: number;
  readonly to: number;
  readonly source: Float32Array;
  readonly out: Float32Array;
  readonly variance: Float32Array | null;
  readonly outVariance: Float32Array | null;
}

/** Apply a surface to rows `from` to `to` of a plane; runs in a worker. */
export function applyNormalisationRows(job: ApplyJob): void {
  const { surface, plane, width, x, y, step, from, to, source, out, variance, outVariance } = job;
  // the surface is smooth: it is evaluated exactly where it is needed, a strip that stays in the cache at a time
  const rows = Math.max(1, Math.floor(65536 / width));
  const scale = new Float32Array(rows * width);
  const offset = new Float32Array(rows * width);
  for (let first = from; first < to; first += rows) {
    const count = Math.min(rows, to - first);
    const at = first * width;
    const size = count * width;
    evaluateNormalisation(surface, plane, { x, y: y + first * step, step, width, height: count }, scale, offset);
    for (let i = 0; i < size; i++) out[at + i] = source[at + i] * scale[i] + offset[i];
    if (variance !== null && outVariance !== null) {
      for (let i = 0; i < size; i++) outVariance[at + i] = variance[at + i] * scale[i] * scale[i];
    }
  }
}

const applyTask: PoolTask<ApplyJob, void> = {
  module: import.meta.url,
  name: "applyNormalisationRows",
  run: applyNormalisationRows,
};

/** Options of {@linkcode applyNormalisation}: where the image lies on the reference grid. */
export interface ApplyNormalisationOptions {
  /** Reference column of the image's first pixel. */
  readonly originX: number;
  /** Reference row of the image's first pixel. */
  readonly originY: number;
  /** Reference pixels a pixel of the image. */
  readonly scale: number;
}

/** Defaults of {@linkcode applyNormalisation}: the image lies on the reference's own grid. */
export const applyNormalisationDefaults: Readonly<ApplyNormalisationOptions> = Object.freeze({
  originX: 0,
  originY: 0,
  scale: 1,
});

/**
 * Bring an image that lies on the reference grid to the reference's level and contrast: sample × scale + offset.
 *
 * NaN stays NaN, variance follows the square of the factor. Cost: some nanoseconds a pixel, on all processors.
 *
 * @param image linear image on the reference grid (resampled)
 * @param surface from {@linkcode fitNormalisation}
 * @param options place on the reference grid, for a crop or another scale
 * @throws {TypeError} if the image is a finished picture or has another number of planes than the surface
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyNormalisation, constantImage } from "faintlight";
 *
 * const surface = {
 *   gridWidth: 1, gridHeight: 1, tilePixels: 8, scale: [Float32Array.of(2)], offset: [Float32Array.of(-1)],
 * };
 * assert.equal(applyNormalisation(constantImage(4, 4, 3), surface).planes[0].data[5], 5);
 * ```
 */
export function applyNormalisation(
  image: Image,
  surface: NormalisationSurface,
  options: Partial<ApplyNormalisationOptions> = {},
): Image {
  const used = settle("applyNormalisation", applyNormalisationDefaults, options);
  requireLinear("applyNormalisation", image);
  const { width, height } = image;
  if (image.planes.length !== surface.scale.length) {
    throw new TypeError(
      `applyNormalisation: image must have one plane for each of the surface's ${surface.scale.length}, but has ${image.planes.length}`,
    );
  }
  if (!(used.scale > 0)) throw new RangeError(`applyNormalisation: scale must be > 0, but got ${used.scale}`);
  const planes = image.planes.map((plane) => ({ ...plane, data: allocatePlane(width, height) }));
  const variance = image.variance === null ? null : image.variance.map(() => allocatePlane(width, height));
  const { gridWidth, gridHeight, tilePixels, scale, offset } = surface;
  const band = Math.max(16, Math.ceil(height / 16));
  const jobs: ApplyJob[] = [];
  image.planes.forEach(({ data }, plane) => {
    for (let from = 0; from < height; from += band) {
      jobs.push({
        surface: { gridWidth, gridHeight, tilePixels, scale, offset },
        plane,
        width,
        x: used.originX,
        y: used.originY,
        step: used.scale,
        from,
        to: Math.min(height, from + band),
        source: data,
        out: planes[plane].data,
        variance: image.variance?.[plane] ?? null,
        outVariance: variance?.[plane] ?? null,
      });
    }
  });
  parallelMap(applyTask, jobs, { inline: width * height < 1 << 16 });
  const lists = (part: readonly Float32Array[]) => part.map((each) => Array.from(each));
  return derive(image, { planes, variance }, {
    step: "applyNormalisation",
    options: { ...used, surface: { gridWidth, gridHeight, tilePixels, scale: lists(scale), offset: lists(offset) } },
  });
}

/**
 * Normalise a registered image against a reference: fit, then apply.
 *
 * @param image linear image on the reference's grid
 * @param reference linear image of the same size
 * @param options as for {@linkcode fitNormalisation}; the transform must be left out, since the image is registered
 * @returns the normalised image and the surface that did it
 * @throws {RangeError} if sizes differ or a transform is given
 *
 * @example A sky that brightens to the right is brought to the reference
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, normaliseLocal } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const reference = constantImage(256, 192, 100);
 * const data = Float32Array.from({ length: 256 * 192 }, (_, i) => 140 + 0.1 * (i % 256));
 * const frame = createImage({ width: 256, height: 192, unit: "adu", planes: [{ channel: "L", data }] });
 * const { image } = normaliseLocal(frame, reference, { fluxRatio: 1 });
 * assert.ok(image.planes[0].data.every((each) => Math.abs(each - 100) < 0.2));
 * ```
 */
export function normaliseLocal(
  image: Image,
  reference: Image,
  options: Partial<FitNormalisationOptions> = {},
): { readonly image: Image; readonly surface: FittedNormalisation } {
  if (options.transform !== undefined && options.transform !== null) {
    throw new RangeError(
      "normaliseLocal: transform must be left out, because the image is taken as registered; resample it first",
    );
  }
  const surface = fitNormalisation(image, reference, options);
  return { image: applyNormalisation(image, surface), surface };
}

/**
 * A surface as an image to look at: its offset or its factor on every pixel.
 *
 * @param surface from {@linkcode fitNormalisation}
 * @param width columns of the reference
 * @param height rows of the reference
 * @param part what to draw
 * @param unit unit of the reference, in which offsets are
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { normalisationImage } from "faintlight/parts";
 *
 * const surface = {
 *   gridWidth: 2, gridHeight: 1, tilePixels: 4, scale: [Float32Array.of(1, 1)], offset: [Float32Array.of(0, 4)],
 * };
 * assert.equal(normalisationImage(surface, 8, 4).planes[0].data[2], 0.5); // nodes lie at 1.5 and 5.5
 * ```
 */
export function normalisationImage(
  surface: NormalisationSurface,
  width: number,
  height: number,
  part: "offset" | "scale" = "offset",
  unit: Unit = "adu",
): Image {
  if (part !== "offset" && part !== "scale") {
    throw new RangeError(`normalisationImage: part must be offset or scale, but got ${part}`);
  }
  const planes = surface.scale.map((_, k) => {
    const scale = allocatePlane(width, height);
    const offset = allocatePlane(width, height);
    evaluateNormalisation(surface, k, { x: 0, y: 0, step: 1, width, height }, scale, offset);
    return { channel: surface.scale.length === 1 ? part : `${part} ${k}`, data: part === "scale" ? scale : offset };
  });
  return createImage({ width, height, planes, unit }, { step: "normalisationImage", options: { width, height, part } });
}
