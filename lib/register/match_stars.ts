/** Which star of one frame is which star of another, and the map between the frames. */
import type { Point } from "../core/geometry.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { applyTransform, identityTransform, linearPart, type Transform } from "../core/transform.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { weightedMedian } from "../stats/median.ts";
import { fitTransform, type PointPair, type TransformFit, type TransformModel } from "./fit_transform.ts";
import { logBinomialTail } from "../stats/special_functions.ts";
import { PointIndex } from "./point_index.ts";

/** What matching needs to know of a star; every {@linkcode Star} will do. */
export type MatchableStar = Pick<Star, "x" | "y" | "flux"> & Partial<Pick<Star, "snr" | "fwhmPixels">>;

/** Columns and rows of a frame. */
export interface FrameSize {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
}

/** Options of {@linkcode matchStars}. */
export interface MatchStarsOptions {
  /** A map that may hold already, for example that of the frame before; tried first. `null` starts from nothing. */
  readonly initialTransform: Transform | null;
  /** Family of the final map, see {@linkcode fitTransform}. */
  readonly model: TransformModel | "automatic";
  /**
   * Distance within which a moved star counts as found, reference pixels; `null` takes half the stars' FWHM, at least
   * 1.5.
   */
  readonly tolerancePixels: number | null;
  /** Smallest reference pixels a source pixel: how far two rigs may differ in scale. */
  readonly minimumScale: number;
  /** Largest reference pixels a source pixel. */
  readonly maximumScale: number;
  /** Whether a frame may be turned over (a mirror in the light path). */
  readonly mirror: boolean;
  /** Whether both lists come from one sensor, so that hot pixels stand at the same place in both. */
  readonly sameSensor: boolean;
  /** Brightest stars of each list that the final map is fitted to. */
  readonly maximumStars: number;
  /** Expected number of matches by mere chance that is still accepted. */
  readonly falseAlarms: number;
  /** Size of the source frame; `null` takes the box round its stars. */
  readonly sourceSize: FrameSize | null;
  /** Size of the reference frame; `null` takes the box round its stars. */
  readonly referenceSize: FrameSize | null;
}

/**
 * Defaults of {@linkcode matchStars}. One wrong match in 10 000 frames is more than a lifetime of nights can show;
 * 400 stars of 0.1 px each fix the map to 0.01 px; a factor of eight spans a wide-field lens and a long telescope.
 */
export const matchStarsDefaults: Readonly<MatchStarsOptions> = Object.freeze({
  initialTransform: null,
  model: "automatic",
  tolerancePixels: null,
  minimumScale: 1 / 8,
  maximumScale: 8,
  mirror: true,
  sameSensor: true,
  maximumStars: 400,
  falseAlarms: 1e-4,
  sourceSize: null,
  referenceSize: null,
});

/** A star found in both lists. */
export interface StarPair extends PointPair {
  /** Index in the source list as given. */
  readonly sourceIndex: number;
  /** Index in the reference list as given. */
  readonly referenceIndex: number;
  /** 1 / variance of the distance, pixels⁻², from the stars' signal-to-noise; 1 where that is not known. */
  readonly weight: number;
}

/** Result of {@linkcode matchStars}. */
export interface StarMatch {
  /** The pairs the map was fitted to. */
  readonly pairs: readonly StarPair[];
  /** Source pixel → reference pixel. */
  readonly transform: Transform;
  /** Family of the map. */
  readonly model: TransformModel;
  /** Number of pairs. */
  readonly matched: number;
  /** Root mean square distance of the pairs, reference pixels. */
  readonly rmsPixels: number;
  /** Share of the stars that ought to be in both lists and were found (the poorer list decides), 0 … 1. */
  readonly share: number;
  /** log10 of the number of equally good matches that chance would give. */
  readonly logFalseAlarms: number;
  /** Whether the frame is turned over. */
  readonly mirrored: boolean;
  /** Whether the seed held, so that nothing was searched. */
  readonly seeded: boolean;
  /** Whether the matched points stand still on the sensor: well-guided stars, or the sensor's fixed pattern. */
  readonly standing: boolean;
  /** Number of detections left out because they stand still while the stars move. */
  readonly patternPoints: number;
  /**
   * Median ratio of flux, source / reference, over the pairs, each by the root of its flux; NaN when fluxes are not
   * positive.
   */
  readonly fluxRatio: number;
  /** Relative scatter of that ratio for one star (1.4826 × MAD / median). */
  readonly fluxRatioScatter: number;
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

/** Why two lists could not be matched; short, stable codes. */
export type RegistrationFailure = "too-few-stars" | "no-match" | "fixed-pattern" | "no-overlap";

/**
 * Two frames cannot be brought together. A night collects these and goes on.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { RegistrationError } from "faintlight";
 * import { matchStars } from "faintlight/geometry";
 *
 * assert.throws(() => matchStars([{ x: 1, y: 1, flux: 5 }], []), RegistrationError);
 * ```
 */
export class RegistrationError extends Error {
  /** Stable reason code. */
  readonly reason: RegistrationFailure;
  /** An error with its code and a sentence for a person. */
  constructor(reason: RegistrationFailure, message: string) {
    super(message);
    this.name = "RegistrationError";
    this.reason = reason;
  }
}

/** A list as columns, brightest first. */
interface Columns {
  readonly n: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly index: Int32Array;
}

interface Box {
  readonly x0: number;
  readonly y0: number;
  readonly x1: number;
  readonly y1: number;
}

/** Upright (a, b) or mirrored similarity as complex numbers: q = a p + t or q = a p* + t. */
interface Similarity {
  readonly re: number;
  readonly im: number;
  readonly tx: number;
  readonly ty: number;
  readonly mirrored: boolean;
}

interface Hypothesis {
  readonly transform: Transform;
  readonly logFalseAlarms: number;
  readonly matched: number;
}

interface Settings {
  readonly tolerance: number;
  readonly smallest: number;
  readonly largest: number;
  readonly mirror: boolean;
  readonly logAccept: number;
  readonly area: Box;
}

function columnsOf(stars: readonly MatchableStar[], keep?: (index: number) => boolean): Columns {
  const order: number[] = [];
  for (let i = 0; i < stars.length; i++) {
    if (Number.isFinite(stars[i].x + stars[i].y) && (keep === undefined || keep(i))) order.push(i);
  }
  const light = (i: number) => Number.isFinite(stars[i].flux) ? stars[i].flux : 0;
  order.sort((i, j) => light(j) - light(i) || i - j);
  return {
    n: order.length,
    x: Float64Array.from(order, (i) => stars[i].x),
    y: Float64Array.from(order, (i) => stars[i].y),
    index: Int32Array.from(order),
  };
}

const brightest = (list: Columns, count: number): Columns =>
  list.n <= count ? list : {
    n: count,
    x: list.x.subarray(0, count),
    y: list.y.subarray(0, count),
    index: list.index.subarray(0, count),
  };

function subset(list: Columns, keep: (i: number) => boolean): Columns {
  const at: number[] = [];
  for (let i = 0; i < list.n; i++) if (keep(i)) at.push(i);
  return {
    n: at.length,
    x: Float64Array.from(at, (i) => list.x[i]),
    y: Float64Array.from(at, (i) => list.y[i]),
    index: Int32Array.from(at, (i) => list.index[i]),
  };
}

function boxOf(list: Columns, size: FrameSize | null): Box {
  if (size !== null) return { x0: -0.5, y0: -0.5, x1: size.width - 0.5, y1: size.height - 0.5 };
  let x0 = Infinity;
  let y0 = Infinity;
  let x1 = -Infinity;
  let y1 = -Infinity;
  for (let i = 0; i < list.n; i++) {
    x0 = Math.min(x0, list.x[i]);
    x1 = Math.max(x1, list.x[i]);
    y0 = Math.min(y0, list.y[i]);
    y1 = Math.max(y1, list.y[i]);
  }
  return { x0, y0, x1, y1 };
}

const contains = (box: Box, p: Point, margin: number): boolean =>
  p.x >= box.x0 - margin && p.x <= box.x1 + margin && p.y >= box.y0 - margin && p.y <= box.y1 + margin;

const move = (s: Similarity, x: number, y: number): Point => {
  const v = s.mirrored ? -y : y;
  return { x: s.re * x - s.im * v + s.tx, y: s.im * x + s.re * v + s.ty };
};

const asTransform = (s: Similarity): Transform => ({
  kind: "similarity",
  matrix: s.mirrored ? [s.re, s.im, s.tx, s.im, -s.re, s.ty, 0, 0, 1] : [s.re, -s.im, s.tx, s.im, s.re, s.ty, 0, 0, 1],
});

function similarityOf(
  from: Columns,
  to: Columns,
  i: ArrayLike<number>,
  j: ArrayLike<number>,
  count: number,
  mirrored: boolean,
): Similarity | null {
  let mx = 0;
  let my = 0;
  let mu = 0;
  let mv = 0;
  for (let k = 0; k < count; k++) {
    mx += from.x[i[k]];
    my += mirrored ? -from.y[i[k]] : from.y[i[k]];
    mu += to.x[j[k]];
    mv += to.y[j[k]];
  }
  mx /= count;
  my /= count;
  mu /= count;
  mv /= count;
  let norm = 0;
  let re = 0;
  let im = 0;
  for (let k = 0; k < count; k++) {
    const px = from.x[i[k]] - mx;
    const py = (mirrored ? -from.y[i[k]] : from.y[i[k]]) - my;
    const qx = to.x[j[k]] - mu;
    const qy = to.y[j[k]] - mv;
    norm += px * px + py * py;
    re += qx * px + qy * py;
    im += qy * px - qx * py;
  }
  if (!(norm > 0)) return null;
  re /= norm;
  im /= norm;
  return { re, im, tx: mu - re * mx + im * my, ty: mv - im * mx - re * my, mirrored };
}

/** Triangles of stars in a form that shift, rotation and scale do not change. */
interface Triangles {
  readonly count: number;
  /**
   * Third corner in the frame where the longest side runs from (0, 0) to (1, 0), the nearer end first; sign of the
   * height apart.
   */
  readonly along: Float64Array;
  readonly height: Float64Array;
  readonly upright: Uint8Array;
  readonly longest: Float64Array;
  /** Corners: nearer end, farther end, third. */
  readonly corners: Int32Array;
}

/**
 * Triangles from each star and pairs of its nearest brighter neighbours: of two lists of different depth the deeper one
 * holds the triangles of the other as well, because fainter stars do not come between.
 */
function trianglesOf(
  list: Columns,
  neighbours: number,
  leastSide: number,
  positionError: number,
  both: boolean,
): Triangles {
  const along: number[] = [];
  const height: number[] = [];
  const upright: number[] = [];
  const longest: number[] = [];
  const corners: number[] = [];
  const { x, y } = list;
  const near = new Int32Array(neighbours);
  const far = new Float64Array(neighbours);
  const add = (a: number, b: number, c: number, slack: number) => {
    const bx = x[b] - x[a];
    const by = y[b] - y[a];
    const cx = x[c] - x[a];
    const cy = y[c] - y[a];
    const norm = bx * bx + by * by;
    const u = (cx * bx + cy * by) / norm;
    const v = (cy * bx - cx * by) / norm;
    if (u > 0.5 + slack || (1 - u) ** 2 + v * v > 1 + 2 * slack || u * u + v * v > 1 + 2 * slack) return;
    // a flat triangle does not tell a mirror image, a close pair not its own direction
    if (Math.abs(v) < 0.03 || u * u + v * v < 0.01) return;
    along.push(u);
    height.push(Math.abs(v));
    upright.push(v > 0 ? 1 : 0);
    longest.push(Math.sqrt(norm));
    corners.push(a, b, c);
  };
  for (let i = 2; i < list.n; i++) {
    let held = 0;
    for (let j = 0; j < i; j++) {
      const d = (x[j] - x[i]) ** 2 + (y[j] - y[i]) ** 2;
      if (held < neighbours || d < far[held - 1]) {
        let at = held < neighbours ? held++ : held - 1;
        while (at > 0 && far[at - 1] > d) {
          far[at] = far[at - 1];
          near[at] = near[at - 1];
          at--;
        }
        far[at] = d;
        near[at] = j;
      }
    }
    for (let p = 0; p < held; p++) {
      for (let q = p + 1; q < held; q++) {
        const a = near[p];
        const b = near[q];
        const side = Math.max(far[p], far[q], (x[a] - x[b]) ** 2 + (y[a] - y[b]) ** 2);
        const size = Math.sqrt(side);
        if (size < leastSide) continue;
        // where two sides are equal within their error, one list is entered in both orders
        const slack = both ? 3 * positionError / size : 0;
        const [first, second, third] = [i, a, b];
        add(first, second, third, slack);
        add(second, first, third, slack);
        add(first, third, second, slack);
        add(third, first, second, slack);
        add(second, third, first, slack);
        add(third, second, first, slack);
      }
    }
  }
  return {
    count: along.length,
    along: Float64Array.from(along),
    height: Float64Array.from(height),
    upright: Uint8Array.from(upright),
    longest: Float64Array.from(longest),
    corners: Int32Array.from(corners),
  };
}

/** Part of the shape error that comes from optics rather than from the stars' positions: 0.2 % of a side. */
const distortionShare = 0.002;
/** Widest shape error looked up; triangles so small that theirs is larger are not used. */
const widestShape = 0.03;
/** Triangle matches kept at most; beyond this the lists are so crowded that more would not help. */
const mostMatches = 300_000;

/** Logarithm of the number of hypotheses a pair of stars in each list can make within the allowed scales. */
function logHypotheses(source: Columns, reference: Columns, settings: Settings): number {
  const lengths = (list: Columns) => {
    const out: number[] = [];
    for (let i = 0; i < list.n; i++) {
      for (let j = 0; j < i; j++) out.push(Math.hypot(list.x[i] - list.x[j], list.y[i] - list.y[j]));
    }
    return Float64Array.from(out).sort();
  };
  const a = lengths(source);
  const b = lengths(reference);
  let low = 0;
  let high = 0;
  let total = 0;
  for (const each of a) {
    while (low < b.length && b[low] < each * settings.smallest) low++;
    while (high < b.length && b[high] <= each * settings.largest) high++;
    total += Math.max(0, high - low);
  }
  // either end first, and turned over
  return Math.log(Math.max(1, total * 2 * (settings.mirror ? 2 : 1)));
}

/**
 * How surprising the agreement is: the expected number of hypotheses that would do as well among points thrown at
 * random, after Moisan & Stival (2004, IJCV 57, 201). Density is taken locally, so that a cluster does not look like a
 * match; unequal chances are replaced by their mean, which is on the safe side (Hoeffding 1956). Three radii are
 * tried.
 */
function surprise(
  transform: Transform,
  source: Columns,
  reference: Columns,
  index: PointIndex,
  settings: Settings,
  logTests: number,
  free: number,
): Hypothesis {
  const { area, tolerance } = settings;
  const surface = Math.max(1, (area.x1 - area.x0) * (area.y1 - area.y0));
  const wide = 10 * tolerance;
  const taken = new Uint8Array(reference.n);
  let expected = 0;
  let crowd = 0;
  const hits = [0, 0, 0];
  for (let i = 0; i < source.n; i++) {
    const p = applyTransform(transform, source.x[i], source.y[i]);
    if (!contains(area, p, tolerance)) continue;
    expected++;
    const found = index.nearest(p.x, p.y, tolerance);
    const local = Math.max(0, index.countWithin(p.x, p.y, wide) - (found >= 0 ? 1 : 0)) / (Math.PI * wide * wide);
    crowd += Math.max(reference.n / surface, local);
    if (found < 0 || taken[found]) continue;
    taken[found] = 1;
    const r = Math.hypot(reference.x[found] - p.x, reference.y[found] - p.y);
    for (let k = 0; k < 3; k++) if (r <= tolerance / 2 ** k) hits[k]++;
  }
  let best = 0;
  for (let k = 0; k < 3; k++) {
    const radius = tolerance / 2 ** k;
    const chance = Math.min(1, Math.PI * radius * radius * crowd / Math.max(1, expected));
    const value = logTests + Math.log(3) + logBinomialTail(hits[k] - free, expected - free, chance);
    best = Math.min(best, value);
  }
  return { transform, logFalseAlarms: best, matched: hits[0] };
}

/** From a first guess that is good near `at`, gather stars outwards and fit again. */
function grow(
  start: Similarity,
  at: Point,
  reach: number,
  source: Columns,
  reference: Columns,
  index: PointIndex,
  settings: Settings,
  patient: boolean,
): Similarity | null {
  const { tolerance, area } = settings;
  const density = Math.PI * reference.n / Math.max(1, (area.x1 - area.x0) * (area.y1 - area.y0));
  let map = start;
  const i = new Int32Array(source.n);
  const j = new Int32Array(source.n);
  for (let round = 0; round < 4; round++) {
    let count = 0;
    let expected = 0;
    for (let k = 0; k < source.n; k++) {
      // a wrong guess shows early: the brightest must hold more than the triangle itself and what chance gives
      if (round === 0 && k === 40 && !patient && count < 4 + 2 * expected) return null;
      if (round === 0 && k === 80 && count < 4 + 2 * expected) return null;
      const p = move(map, source.x[k], source.y[k]);
      const distance = Math.hypot(source.x[k] - at.x, source.y[k] - at.y);
      // the error of a small triangle grows with the distance from it
      const radius = round === 0
        ? tolerance * Math.min(6, 0.5 + 0.5 * distance / reach)
        : tolerance * (round === 1 ? 2 : round === 2 ? 1.5 : 1);
      expected += density * radius * radius;
      const found = index.nearest(p.x, p.y, radius);
      if (found < 0) continue;
      i[count] = k;
      j[count++] = found;
    }
    if (count < 3) return null;
    const next = similarityOf(source, reference, i, j, count, start.mirrored);
    if (next === null) return null;
    map = next;
  }
  const scale = Math.hypot(map.re, map.im);
  return scale >= settings.smallest && scale <= settings.largest ? map : null;
}

/** How much one attempt looks at. */
interface Effort {
  /** Brightest stars of each list. */
  readonly stars: number;
  /** Brighter neighbours that make triangles with a star. */
  readonly neighbours: number;
  /** Triangle matches that are grown and judged. */
  readonly verifications: number;
  /** Whether unpromising matches are followed for longer. */
  readonly patient: boolean;
}

/**
 * The attempts, cheap ones first; the last serves lists that share one star in five, and a narrow field in a wide one.
 */
const attempts: readonly Effort[] = [
  { stars: 40, neighbours: 6, verifications: 60, patient: false },
  { stars: 90, neighbours: 7, verifications: 300, patient: false },
  { stars: 200, neighbours: 8, verifications: 1500, patient: false },
  { stars: 400, neighbours: 9, verifications: 3000, patient: true },
];

/** One attempt with the brightest stars of each list. */
function attempt(source: Columns, reference: Columns, effort: Effort, settings: Settings): Hypothesis | null {
  const { neighbours, verifications, patient } = effort;
  if (source.n < 3 || reference.n < 3) return null;
  const { tolerance } = settings;
  const positionError = tolerance / 3;
  const here = trianglesOf(source, neighbours, positionError * 30, positionError, true);
  const there = trianglesOf(reference, neighbours, positionError * 30, positionError, false);
  const cell = 0.01;
  const columns = 54;
  const rows = 92;
  const cellOf = (u: number, v: number) =>
    Math.min(rows - 1, Math.floor(v / cell)) * columns + Math.min(columns - 1, Math.max(0, Math.floor(u / cell)));
  const start = new Int32Array(columns * rows + 1);
  for (let k = 0; k < there.count; k++) start[cellOf(there.along[k], there.height[k]) + 1]++;
  for (let c = 0; c < columns * rows; c++) start[c + 1] += start[c];
  const fill = start.slice();
  const items = new Int32Array(there.count);
  for (let k = 0; k < there.count; k++) items[fill[cellOf(there.along[k], there.height[k])]++] = k;

  const mine: number[] = [];
  const theirs: number[] = [];
  const votes = [new Uint16Array(source.n * reference.n), new Uint16Array(source.n * reference.n)];
  for (let k = 0; k < here.count && mine.length < mostMatches; k++) {
    const u = here.along[k];
    const v = here.height[k];
    const own = distortionShare + positionError / here.longest[k];
    const i0 = Math.max(0, Math.floor((u - widestShape) / cell));
    const i1 = Math.min(columns - 1, Math.floor((u + widestShape) / cell));
    const j0 = Math.max(0, Math.floor((v - widestShape) / cell));
    const j1 = Math.min(rows - 1, Math.floor((v + widestShape) / cell));
    for (let j = j0; j <= j1; j++) {
      for (let m = start[j * columns + i0]; m < start[j * columns + i1 + 1]; m++) {
        const t = items[m];
        const du = there.along[t] - u;
        const dv = there.height[t] - v;
        const limit = Math.min(widestShape, own + positionError / there.longest[t]);
        if (du * du + dv * dv > limit * limit) continue;
        const scale = there.longest[t] / here.longest[k];
        if (!(scale >= settings.smallest * 0.97 && scale <= settings.largest * 1.03)) continue;
        const turned = there.upright[t] === here.upright[k] ? 0 : 1;
        if (turned === 1 && !settings.mirror) continue;
        mine.push(k);
        theirs.push(t);
        const table = votes[turned];
        for (let c = 0; c < 3; c++) table[here.corners[k * 3 + c] * reference.n + there.corners[t * 3 + c]]++;
      }
    }
  }
  const scores = new Float64Array(mine.length);
  const order = new Uint32Array(mine.length);
  for (let k = 0; k < mine.length; k++) {
    const turned = there.upright[theirs[k]] === here.upright[mine[k]] ? 0 : 1;
    let sum = 0;
    let least = Infinity;
    for (let c = 0; c < 3; c++) {
      const vote = votes[turned][here.corners[mine[k] * 3 + c] * reference.n + there.corners[theirs[k] * 3 + c]];
      sum += vote;
      least = Math.min(least, vote);
    }
    // all three corners must be believed; the sum decides among equals
    scores[k] = least * 1000 + Math.min(999, sum);
    order[k] = k;
  }
  order.sort((a, b) => scores[b] - scores[a] || a - b);
  const index = new PointIndex(reference.x, reference.y, tolerance * 4);
  const logTests = logHypotheses(source, reference, settings);
  let best: Hypothesis | null = null;
  const cornersHere = new Int32Array(3);
  const cornersThere = new Int32Array(3);
  for (let k = 0; k < Math.min(order.length, verifications); k++) {
    const a = mine[order[k]];
    const b = theirs[order[k]];
    for (let c = 0; c < 3; c++) {
      cornersHere[c] = here.corners[a * 3 + c];
      cornersThere[c] = there.corners[b * 3 + c];
    }
    const turned = there.upright[b] !== here.upright[a];
    const first = similarityOf(source, reference, cornersHere, cornersThere, 3, turned);
    if (first === null) continue;
    const at = {
      x: (source.x[cornersHere[0]] + source.x[cornersHere[1]] + source.x[cornersHere[2]]) / 3,
      y: (source.y[cornersHere[0]] + source.y[cornersHere[1]] + source.y[cornersHere[2]]) / 3,
    };
    const grown = grow(first, at, here.longest[a] / 2, source, reference, index, settings, patient);
    if (grown === null) continue;
    const judged = surprise(asTransform(grown), source, reference, index, settings, logTests, 2);
    if (best === null || judged.logFalseAlarms < best.logFalseAlarms) best = judged;
    // ten orders below the limit nothing better is worth looking for
    if (best.logFalseAlarms < settings.logAccept - 23) break;
  }
  return best;
}

function search(source: Columns, reference: Columns, settings: Settings): Hypothesis | null {
  let best: Hypothesis | null = null;
  let before = "";
  for (const effort of attempts) {
    const a = brightest(source, effort.stars);
    const b = brightest(reference, effort.stars);
    const size = `${a.n}/${b.n}`;
    // small lists have shown all they hold, unless more neighbours or more patience can help
    if (size === before && !effort.patient) continue;
    before = size;
    const found = attempt(a, b, effort, settings);
    if (found !== null && (best === null || found.logFalseAlarms < best.logFalseAlarms)) best = found;
    if (best !== null && best.logFalseAlarms < settings.logAccept) return best;
  }
  return best;
}

/** Pairs that are each other's nearest within the radius. */
function mutualPairs(
  transform: Transform,
  source: Columns,
  reference: Columns,
  index: PointIndex,
  radius: number,
): { readonly from: number[]; readonly to: number[] } {
  const nearestSource = new Int32Array(reference.n).fill(-1);
  const distance = new Float64Array(reference.n).fill(Infinity);
  for (let i = 0; i < source.n; i++) {
    const p = applyTransform(transform, source.x[i], source.y[i]);
    const j = index.nearest(p.x, p.y, radius);
    if (j < 0) continue;
    const d = (reference.x[j] - p.x) ** 2 + (reference.y[j] - p.y) ** 2;
    if (d < distance[j]) {
      distance[j] = d;
      nearestSource[j] = i;
    }
  }
  const from: number[] = [];
  const to: number[] = [];
  for (let j = 0; j < reference.n; j++) {
    if (nearestSource[j] >= 0) {
      from.push(nearestSource[j]);
      to.push(j);
    }
  }
  return { from, to };
}

/** Scatter of positions that remains for the brightest stars (seeing, pixel phase), pixels; a floor, not a fit. */
const positionFloorPixels = 0.05;

/** FWHM over sigma to five digits, as the weights of the pairs are defined; `fwhmPerSigma` would move their last digits. */
const shortFwhmPerSigma = 2.3548;

/** Variance of one coordinate of a star: √2 s / SNR in the sky limit (King 1983, PASP 95, 163), and the floor. */
function positionVariance(star: MatchableStar): number {
  const { snr, fwhmPixels } = star;
  if (!(snr !== undefined && snr > 0 && fwhmPixels !== undefined && fwhmPixels > 0)) return NaN;
  return 2 * (fwhmPixels / shortFwhmPerSigma / snr) ** 2 + positionFloorPixels ** 2;
}

const medianOf = (values: readonly number[]): number => {
  const sorted = Float64Array.from(values).sort();
  const n = sorted.length;
  return n === 0 ? NaN : n % 2 === 1 ? sorted[(n - 1) / 2] : (sorted[n / 2 - 1] + sorted[n / 2]) / 2;
};

const fwhmOf = (stars: readonly MatchableStar[]): number =>
  medianOf(stars.map((each) => each.fwhmPixels ?? NaN).filter((each) => each > 0));

/** Points closer than this at no shift at all may be the same sensor pixel. */
const standingPixels = 0.75;

/** Fit to the full lists, step by step more freely while the distance allowed shrinks. */
function refine(
  start: Transform,
  source: Columns,
  reference: Columns,
  stars: readonly MatchableStar[],
  referenceStars: readonly MatchableStar[],
  options: Readonly<MatchStarsOptions>,
  settings: Settings,
): { readonly fit: TransformFit; readonly pairs: StarPair[]; readonly expected: number } | null {
  const { tolerance, area } = settings;
  const margin = 2 * tolerance;
  const inside = (transform: Transform) =>
    brightest(
      subset(source, (i) => contains(area, applyTransform(transform, source.x[i], source.y[i]), margin)),
      options.maximumStars,
    );
  const ownBox = boxOf(source, options.sourceSize);
  const backed = invertAt(start, ownBox);
  const theirs = brightest(
    backed === null
      ? reference
      : subset(reference, (j) => contains(ownBox, backed(reference.x[j], reference.y[j]), margin)),
    options.maximumStars,
  );
  const index = new PointIndex(theirs.x, theirs.y, tolerance * 4);
  let transform = start;
  let result: { fit: TransformFit; pairs: StarPair[]; expected: number } | null = null;
  let radius = 2 * tolerance;
  const { a, b, c, d } = scaleAt(start, ownBox);
  const square = Math.abs(a * d - b * c);
  for (let round = 0; round < 5; round++) {
    const own = inside(transform);
    const { from, to } = mutualPairs(transform, own, theirs, index, radius);
    const variances = from.map((i, k) => {
      const mine = positionVariance(stars[own.index[i]]);
      const other = positionVariance(referenceStars[theirs.index[to[k]]]);
      return mine * square + other;
    });
    const known = variances.every((each) => each > 0);
    const pairs = from.map((i, k): StarPair => ({
      source: { x: own.x[i], y: own.y[i] },
      reference: { x: theirs.x[to[k]], y: theirs.y[to[k]] },
      sourceIndex: own.index[i],
      referenceIndex: theirs.index[to[k]],
      weight: known ? 1 / variances[k] : 1,
    }));
    if (pairs.length < 2) return result;
    const free = round === 0 ? "similarity" : options.model;
    const needed = free === "affine" ? 3 : free === "homography" ? 4 : free === "polynomial" ? 10 : 2;
    let fit: TransformFit;
    try {
      fit = fitTransform(pairs, {
        model: pairs.length > needed ? free : "similarity",
        mirror: options.mirror,
        sourceSize: options.sourceSize,
      });
    } catch (error) {
      if (error instanceof RangeError) return result;
      throw error;
    }
    transform = fit.transform;
    result = { fit, pairs: pairs.filter((_, k) => fit.kept[k]), expected: Math.min(own.n, theirs.n) };
    // a good pair lies within four sigma a coordinate; never below half a pixel, never beyond the tolerance
    radius = Math.max(0.5, Math.min(tolerance, 4 * fit.rmsPixels / Math.SQRT2));
    if (round === 0) radius = 1.5 * tolerance;
  }
  return result;
}

function scaleAt(transform: Transform, box: Box): { a: number; b: number; c: number; d: number } {
  const m = linearPart(transform, { x: (box.x0 + box.x1) / 2, y: (box.y0 + box.y1) / 2 });
  return { a: m[0], b: m[1], c: m[3], d: m[4] };
}

/** The map back from the linear part at the frame's centre: enough to tell which stars can overlap. */
function invertAt(transform: Transform, box: Box): ((x: number, y: number) => Point) | null {
  const at = { x: (box.x0 + box.x1) / 2, y: (box.y0 + box.y1) / 2 };
  const m = linearPart(transform, at);
  const det = m[0] * m[4] - m[1] * m[3];
  if (!(Math.abs(det) > 1e-12)) return null;
  return (x, y) => {
    const u = x - m[2];
    const v = y - m[5];
    return { x: (m[4] * u - m[1] * v) / det, y: (m[0] * v - m[3] * u) / det };
  };
}

/**
 * Find which stars of two frames are the same, and the map between the frames: any shift, rotation (meridian flip,
 * alt-az field rotation) and scale, turned over or not.
 *
 * Triangles of bright stars are compared by shape (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119), pairs
 * of stars collect votes, the best-voted triangles give similarities that are grown over the frame and judged by how
 * often chance would do as well (Moisan & Stival 2004, IJCV 57, 201). A frame is refused rather than matched wrongly.
 * When many detections stand at the same sensor pixels in both lists, a match of the others is looked for first: stars
 * cannot move and stand still at once, so what stands is the sensor's fixed pattern.
 *
 * Cost: some milliseconds with a seed that holds, 5 to 50 ms without; the lists may be of any length.
 *
 * @param source stars of the frame to be moved, pixels, any order
 * @param reference stars of the reference frame
 * @param options seed, tolerance, allowed scales, family of the map
 * @throws {RegistrationError} `too-few-stars` below 3 in either list, `no-match` when nothing better than chance is
 * found, `fixed-pattern` when only points as sharp as single pixels agree, and only at zero shift
 * @throws {RangeError} if an option is out of range
 *
 * @example A frame turned by 180 degrees after the meridian flip
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyTransform, matchStars } from "faintlight/geometry";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(5);
 * const reference = Array.from({ length: 40 }, () => ({
 *   x: 1000 * random.uniform(), y: 800 * random.uniform(), flux: 1000 / (0.01 + random.uniform()),
 * }));
 * const source = reference.map(({ x, y, flux }) => ({ x: 1004 - x, y: 790 - y, flux }));
 * const { transform, matched } = matchStars(source, reference);
 * const centre = applyTransform(transform, 502, 395);
 * assert.ok(matched >= 38 && Math.hypot(centre.x - 502, centre.y - 395) < 1e-6);
 * ```
 */
export function matchStars(
  source: readonly MatchableStar[],
  reference: readonly MatchableStar[],
  options: Partial<MatchStarsOptions> = {},
): StarMatch {
  const used = settle("matchStars", matchStarsDefaults, options);
  const { initialTransform, minimumScale, maximumScale, mirror, sameSensor, falseAlarms, maximumStars } = used;
  if (!(minimumScale > 0 && maximumScale >= minimumScale)) {
    throw new RangeError(
      `matchStars: minimumScale must be > 0 and not above maximumScale, but got ${minimumScale} and ${maximumScale}`,
    );
  }
  if (!(falseAlarms > 0 && falseAlarms < 1)) {
    throw new RangeError(`matchStars: falseAlarms must lie between 0 and 1, but got ${falseAlarms}`);
  }
  if (!(Number.isInteger(maximumStars) && maximumStars >= 3)) {
    throw new RangeError(`matchStars: maximumStars must be a whole number from 3, but got ${maximumStars}`);
  }
  if (used.tolerancePixels !== null && !(used.tolerancePixels > 0)) {
    throw new RangeError(`matchStars: tolerancePixels must be > 0, but got ${used.tolerancePixels}`);
  }
  let mine = columnsOf(source);
  let theirs = columnsOf(reference);
  if (mine.n < 3 || theirs.n < 3) {
    throw new RegistrationError(
      "too-few-stars",
      `matchStars: both lists must hold at least 3 stars, but got ${mine.n} and ${theirs.n}; lower the detection threshold`,
    );
  }
  const fwhm = fwhmOf(reference);
  const settings: Settings = {
    tolerance: used.tolerancePixels ?? Math.max(1.5, fwhm > 0 ? fwhm / 2 : 1.5),
    smallest: minimumScale,
    largest: maximumScale,
    mirror,
    logAccept: Math.log(falseAlarms),
    area: boxOf(theirs, used.referenceSize),
  };
  const notes: string[] = [];
  const bright = (list: Columns) => brightest(list, 200);
  const judge = (transform: Transform, free: number): Hypothesis => {
    const b = bright(theirs);
    return surprise(transform, bright(mine), b, new PointIndex(b.x, b.y, settings.tolerance * 4), settings, 0, free);
  };

  // what stands still on the sensor, and whether there is enough of it to be more than chance
  const standingHere = new Set<number>();
  const standingThere = new Set<number>();
  if (sameSensor) {
    const index = new PointIndex(theirs.x, theirs.y, 4);
    const { from, to } = mutualPairs(identityTransform, mine, theirs, index, standingPixels);
    const surface = Math.max(1, (settings.area.x1 - settings.area.x0) * (settings.area.y1 - settings.area.y0));
    const chance = Math.min(1, Math.PI * standingPixels ** 2 * theirs.n / surface);
    if (from.length >= 4 && logBinomialTail(from.length, mine.n, chance) < Math.log(1e-3)) {
      from.forEach((i) => standingHere.add(i));
      to.forEach((j) => standingThere.add(j));
    }
  }
  const accepted = (found: Hypothesis | null): found is Hypothesis =>
    found !== null && found.logFalseAlarms < settings.logAccept;
  const isStill = (transform: Transform): boolean => {
    const { x0, y0, x1, y1 } = boxOf(mine, used.sourceSize);
    return [[x0, y0], [x1, y0], [x0, y1], [x1, y1]].every(([x, y]) => {
      const p = applyTransform(transform, x, y);
      return Math.hypot(p.x - x, p.y - y) < 2 * standingPixels;
    });
  };

  let found: Hypothesis | null = null;
  let seeded = false;
  let patternPoints = 0;
  if (initialTransform !== null) {
    const tried = judge(initialTransform, 0);
    // 70 % of the poorer list: the rest may be faint, blended or beyond the edge
    const most = Math.min(bright(mine).n, bright(theirs).n);
    if (accepted(tried) && tried.matched >= 0.7 * most && (standingHere.size === 0 || !isStill(initialTransform))) {
      found = tried;
      seeded = true;
    }
  }
  if (found === null && standingHere.size > 0) {
    const movingHere = subset(mine, (i) => !standingHere.has(i));
    const movingThere = subset(theirs, (j) => !standingThere.has(j));
    const moving = search(movingHere, movingThere, settings);
    if (accepted(moving) && !isStill(moving.transform)) {
      found = moving;
      patternPoints = standingHere.size;
      mine = movingHere;
      theirs = movingThere;
      notes.push(
        `${patternPoints} detections stand still on the sensor while ${moving.matched} stars move: taken for fixed pattern and left out`,
      );
    }
  }
  if (found === null && standingHere.size > 0) {
    const still = judge(identityTransform, 0);
    if (accepted(still)) found = still;
  }
  if (found === null) {
    const searched = search(mine, theirs, settings);
    if (accepted(searched)) found = searched;
    else if (initialTransform !== null) {
      const tried = judge(initialTransform, 0);
      if (accepted(tried)) {
        found = tried;
        seeded = true;
      }
    }
  }
  if (found === null) {
    throw new RegistrationError(
      "no-match",
      `matchStars: the lists must show one arrangement of stars, but among ${mine.n} and ${theirs.n} nothing agrees better than chance; check that both frames show the same field, or lower the detection threshold`,
    );
  }
  const refined = refine(found.transform, mine, theirs, source, reference, used, settings);
  if (refined === null || refined.pairs.length < 3) {
    throw new RegistrationError(
      "no-match",
      "matchStars: a map must hold for at least 3 stars, but the best one does not; check that both frames show the same field",
    );
  }
  const { fit, pairs, expected } = refined;
  const last = seeded ? judge(fit.transform, 0) : found;
  const standing = sameSensor && standingHere.size > 0 && isStill(fit.transform);
  if (standing) {
    const sharp = medianOf(
      pairs.map(({ sourceIndex }) => source[sourceIndex].fwhmPixels ?? NaN).filter((each) => each > 0),
    );
    // a single hot pixel measures about one pixel across; no optics make stars of that width
    if (sharp < 1.1) {
      throw new RegistrationError(
        "fixed-pattern",
        `matchStars: stars must move or be wider than a pixel, but the ${pairs.length} points that agree stand still and are ${
          sharp.toFixed(2)
        } px wide: hot pixels; subtract the dark`,
      );
    }
  }
  const { a, b, c, d } = scaleAt(fit.transform, boxOf(mine, used.sourceSize));
  const compared = pairs.map(({ sourceIndex, referenceIndex }) => ({
    ratio: source[sourceIndex].flux / reference[referenceIndex].flux,
    flux: reference[referenceIndex].flux,
  })).filter(({ ratio, flux }) => ratio > 0 && Number.isFinite(ratio) && flux > 0);
  const ratios = compared.map(({ ratio }) => ratio);
  // By the root of the flux: faint stars know little of the ratio, and of those only the ones that noise brightened
  // are listed.
  const fluxRatio = ratios.length === 0 ? NaN : weightedMedian(ratios, compared.map(({ flux }) => Math.sqrt(flux)));
  const share = expected > 0 ? Math.min(1, pairs.length / expected) : 0;
  if (share < 0.3) {
    notes.push(`only ${pairs.length} of ${expected} stars that both frames should show were matched`);
  }
  if (a * d - b * c < 0) notes.push("the frame is turned over (mirrored) against the reference");
  notes.push(...fit.notes);
  return {
    pairs,
    transform: fit.transform,
    model: fit.model,
    matched: pairs.length,
    rmsPixels: fit.rmsPixels,
    share,
    logFalseAlarms: Math.min(found.logFalseAlarms, last.logFalseAlarms) / Math.LN10,
    mirrored: a * d - b * c < 0,
    seeded,
    standing,
    patternPoints,
    fluxRatio,
    fluxRatioScatter: madSigmaFactor * medianOf(ratios.map((each) => Math.abs(each - fluxRatio))) / fluxRatio,
    notes,
  };
}
