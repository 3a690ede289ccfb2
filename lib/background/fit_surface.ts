/** A smooth surface through the samples that show free sky, with the choice of model explained. */
import { createImage, type Image } from "../core/image.ts";
import type { Recorded } from "../core/history.ts";
import { settle } from "../core/options.ts";
import { expPortable } from "../kernels/elementary.ts";
import {
  fitPolynomialSurface,
  type PolynomialSurface,
  polynomialSurfaceAt,
  renderPolynomialSurface,
} from "../surfaces/polynomial_surface.ts";
import { fitThinPlate } from "../surfaces/fit_thin_plate.ts";
import { renderThinPlate } from "../surfaces/render_thin_plate.ts";
import { type ThinPlate, thinPlateAt } from "../surfaces/thin_plate.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { findSky, type LowShape, type LowSky, roughness } from "./find_sky.ts";
import { fitMesh, meshAt, meshOf, meshPlane, type MeshSurface } from "./mesh_surface.ts";
import type { BackgroundSample, BackgroundSamples } from "./sample_background.ts";

/** A kind of surface that was considered. */
export interface SurfaceCandidate {
  /**
   * Polynomial; the same with the fourth power of the distance from the middle of the field, which vignetting has;
   * thin-plate spline; or a mesh of the boxes themselves.
   */
  readonly model: "polynomial" | "vignetting" | "thin-plate" | "mesh";
  /** Total degree of a polynomial, without the fourth power; 0 for a spline or a mesh. */
  readonly degree: number;
  /** Smoothing of a spline, by generalised cross-validation, coordinates in pixels; 0 for others. */
  readonly smoothing: number;
  /**
   * Root mean square error at samples it was not fitted to, whole blocks of the field left out in turn, over the
   * samples' own error.
   */
  readonly score: number;
  /** Standard error of the score, from its scatter over the blocks. */
  readonly scoreError: number;
  /**
   * How much worse than the best it explains all samples, objects behind and beside the free ones allowed for: a
   * factor in the spread of the sky, from the likelihood of the mixture of sky and objects (Schwarz 1978); near 1 for
   * the best, 1 for a spline and a mesh.
   */
  readonly misfit: number;
  /** Its share of the surface; those of all candidates add up to 1. */
  readonly share: number;
}

/** Options of {@linkcode fitSurface}. */
export interface FitSurfaceOptions {
  /**
   * Which models may be chosen: the best of polynomials, one with vignetting and, where those will not do, a
   * thin-plate spline; or one kind. A mesh takes a value from every free box and so follows whatever is wider than
   * three of them, a faint nebula too; it is for free skies that no other model fits, and is never chosen by itself.
   */
  readonly model: "automatic" | "polynomial" | "vignetting" | "thin-plate" | "mesh";
  /** Largest degree of a polynomial, 0 … 4. */
  readonly maximumDegree: number;
  /** A sample is an object's when it lies more than this many standard deviations above the surface. */
  readonly rejectionSigma: number;
  /** A surface for each channel, or one shape for all, scaled to each. */
  readonly shape: "each" | "shared";
}

/**
 * What {@linkcode fitSurface} uses for an option left out. The limit loses 2.3 % of free sky. Degree 4 is taken only
 * where degree 3 leaves half as much again: a lamp beside the field, never the planes to cubics of our simulations.
 */
export const fitSurfaceDefaults: Readonly<FitSurfaceOptions> = Object.freeze({
  model: "automatic",
  maximumDegree: 4,
  rejectionSigma: 2,
  shape: "each",
});

/** The surface and why it is this one. */
export interface BackgroundSurface extends Recorded {
  /** The surface at every pixel, one plane a channel. */
  readonly image: Image;
  /** Median of the surface over the field for each channel: what stays in the image when it is subtracted. */
  readonly levels: readonly number[];
  /** Highest minus lowest value over the field, for each channel. */
  readonly ranges: readonly number[];
  /** The candidate with the largest share. */
  readonly chosen: SurfaceCandidate;
  /** All that were considered, with their scores and shares. */
  readonly candidates: readonly SurfaceCandidate[];
  /** The samples with their final doubts. */
  readonly samples: readonly BackgroundSample[];
  /** Share of the samples with data that show free sky, 0 … 1. */
  readonly freeShare: number;
  /**
   * Scatter of the free samples about the surface over their own error, the largest over the channels: near 1 for a
   * free sky.
   */
  readonly excess: number;
  /**
   * Standard error of the surface's shape where it is known least (behind a nebula, at a corner), for each channel:
   * from leaving out blocks of the field in turn, and from what the candidates that have a share differ by.
   */
  readonly uncertainty: readonly number[];
  /** Facts a reader should know. */
  readonly notes: readonly string[];
}

interface Field {
  readonly width: number;
  readonly height: number;
  readonly samples: readonly BackgroundSample[];
}

type Kind = Pick<SurfaceCandidate, "model" | "degree" | "smoothing">;
type Scored = Omit<SurfaceCandidate, "share">;
/** A kind and its share of a surface. */
type Part = Kind & Pick<SurfaceCandidate, "share">;

/** What is no polynomial, and how much of it. */
type Bent = (MeshSurface | { readonly kind: "thin-plate"; readonly spline: ThinPlate }) & { readonly share: number };
/** Model of one channel: the polynomials of all parts added up, and the other parts. */
interface Model {
  readonly polynomial: PolynomialSurface;
  readonly bent: readonly Bent[];
}
const modelAt = ({ polynomial, bent }: Model, x: number, y: number): number =>
  bent.reduce(
    (sum, each) => sum + each.share * (each.kind === "mesh" ? meshAt(each, x, y) : thinPlateAt(each.spline, x, y)),
    polynomialSurfaceAt(polynomial, x, y),
  );
function modelPlane({ polynomial, bent }: Model, width: number, height: number): Float32Array {
  const out = renderPolynomialSurface(polynomial);
  for (const each of bent) {
    const plane = each.kind === "mesh" ? meshPlane(each) : renderThinPlate(each.spline, width, height).data;
    for (let i = 0; i < out.length; i++) out[i] += each.share * plane[i];
  }
  return out;
}
/** level + slope × (model − centre). */
const rescaled = ({ polynomial, bent }: Model, level: number, slope: number, centre: number): Model => ({
  polynomial: {
    ...polynomial,
    coefficients: polynomial.coefficients.map((c, k) => slope * c + (k === 0 ? level - slope * centre : 0)),
  },
  bent: bent.map((each) => ({ ...each, share: slope * each.share })),
});

/**
 * Fit each part and add them up by their shares; NaN as the smoothing of a spline lets generalised cross-validation
 * choose it.
 */
function fitModel(
  field: Field,
  parts: readonly Part[],
  index: readonly number[],
  value: (sample: BackgroundSample) => number,
): Model {
  const { samples, width, height } = field;
  const bent: Bent[] = [];
  const points = index.map((i) => ({ x: samples[i].x, y: samples[i].y, value: value(samples[i]) }));
  let degree = 0;
  const coefficients = new Array<number>(15).fill(0);
  const add = (fitted: PolynomialSurface, share: number): void => {
    degree = Math.max(degree, fitted.degree);
    fitted.coefficients.forEach((c, k) => coefficients[k] += share * c);
  };
  for (const { model, degree: own, smoothing, share } of parts) {
    if (model === "mesh") {
      const slope = fitPolynomialSurface(points, { width, height, degree: 1 });
      const trend = (x: number, y: number) => polynomialSurfaceAt(slope, x, y);
      bent.push({ ...fitMesh(samples, index, value, trend, width, height), share });
    } else if (model === "thin-plate") {
      // What a spline bends for at a high price, a polynomial gives for little: that part goes first.
      const low = own === 0 ? null : fitPolynomialSurface(points, { width, height, degree: own });
      const rest = points.map(({ x, y, value }) => low === null ? value : value - polynomialSurfaceAt(low, x, y));
      const spline = fitThinPlate(points.map((p) => p.x), points.map((p) => p.y), rest, {
        smoothing: Number.isNaN(smoothing) ? "gcv" : smoothing,
        maximumDegreesOfFreedom: MOST_FREEDOM,
      });
      bent.push({ kind: "thin-plate", spline, share });
      if (low !== null) add(low, share);
    } else {
      add(fitPolynomialSurface(points, { width, height, degree: own, radial: model === "vignetting" }), share);
    }
  }
  coefficients.length = (degree + 1) * (degree + 2) / 2;
  return { polynomial: { kind: "polynomial", width, height, degree, coefficients }, bent };
}

/** A spline may take at most this share of the samples as its degrees of freedom: a sky is smoother than a nebula. */
const MOST_FREEDOM = 0.3;
/** Samples a spline is scored on, at most; its cost grows with their third power. */
const SCORED_SAMPLES = 160;
/** A spline is tried where the best polynomial's error is more than this many times the samples' own. */
const POOR = 2.5;

/**
 * Which samples show free sky, against a given model or against the best of the low surfaces of degree 1 to 3; and the
 * standard deviation of the free ones.
 */
function freeSky(
  field: Field,
  candidates: readonly number[],
  value: (sample: BackgroundSample) => number,
  error: number,
  limit: number,
  known: { readonly model: Model; readonly scale: number } | null,
  shapes: readonly LowShape[],
): { free: Set<number>; scale: number; share: number; low: readonly LowSky[]; restless: number } {
  const { samples } = field;
  const pitch = pitchOf(samples);
  const list = candidates.map((i) => samples[i]);
  let scale: number;
  let levels: ArrayLike<number>;
  let low: readonly LowSky[] = [];
  if (known === null) {
    low = findSky(list, value, error, limit, shapes, pitch, field.width, field.height);
    const [best] = low;
    levels = best?.levels ?? list.map(() => median(list.map(value)));
    scale = best?.scale ?? error;
  } else {
    levels = list.map((s) => modelAt(known.model, s.x, s.y));
    scale = known.scale;
  }
  const residuals = new Map(candidates.map((i, k) => [i, value(samples[i]) - levels[k]]));
  const free = new Set(candidates.filter((i) => (residuals.get(i) as number) <= limit * scale));
  const share = free.size / candidates.length;
  // The rim of an object: its light has not ended where it is no longer seen. Samples beside objects are left out, as
  // long as enough of the sky remains: two rings of them, the second only where plenty remains.
  for (const keep of [0.2, 0.25]) {
    const rim = [...free].filter((i) => {
      let objects = 0;
      for (const j of candidates) {
        const dx = Math.abs(samples[j].x - samples[i].x);
        const dy = Math.abs(samples[j].y - samples[i].y);
        if (j !== i && dx < 1.5 * pitch && dy < 1.5 * pitch && !free.has(j)) objects++;
      }
      return objects >= 2;
    });
    const enough = free.size - rim.length >= keep * candidates.length;
    for (const i of enough ? rim : rim.filter((i) => (residuals.get(i) as number) > 0.5 * scale)) free.delete(i);
    if (!enough) break;
  }
  const smoothly = candidates.flatMap((i, k) => (residuals.get(i) as number) <= limit * scale ? [k] : []);
  const rough = roughness(
    smoothly.map((k) => list[k]),
    pitch,
    (s) => residuals.get(samples.indexOf(s)) as number,
    error,
  )
    .filter((v) => v === v);
  const restless = known !== null || rough.length < 6 ? 0 : Math.min(
    ramp(scale / error, ...RESTLESS.scatter),
    ramp(median(rough), ...RESTLESS.roughness),
  );
  return { free, scale, share, low, restless };
}

function pitchOf(samples: readonly BackgroundSample[]): number {
  const laidOut = samples.filter((s) => !s.byHand);
  return laidOut.length < 2 ? Infinity : Math.max(1, Math.abs(laidOut[1].x - laidOut[0].x));
}

/** Blocks of the field, four by four, left out in turn. */
const BLOCKS = 16;
/** A sample's block by its place. */
const blockOf = (field: Field, i: number): number => {
  const { x, y } = field.samples[i];
  return Math.min(3, Math.floor(4 * (x + 0.5) / field.width)) +
    4 * Math.min(3, Math.floor(4 * (y + 0.5) / field.height));
};

/**
 * Score of a kind; null with too few samples for it. `spans` are the standard deviations beyond five of which an error
 * counts no more.
 */
function scoreOf(
  field: Field,
  kind: Kind,
  index: readonly number[],
  values: readonly ((sample: BackgroundSample) => number)[],
  errors: readonly number[],
  spans: readonly number[],
): Omit<Scored, "misfit"> | null {
  const sums: number[] = [];
  const counts: number[] = [];
  for (let block = 0; block < BLOCKS; block++) {
    const out = index.filter((i) => blockOf(field, i) === block);
    if (out.length === 0) continue;
    const rest = index.filter((i) => blockOf(field, i) !== block);
    let sum = 0;
    for (let c = 0; c < values.length; c++) {
      const model = unlessTooFew(() => fitModel(field, [{ ...kind, share: 1 }], rest, values[c]));
      if (model === null) return null;
      for (const i of out) {
        const e = values[c](field.samples[i]) - modelAt(model, field.samples[i].x, field.samples[i].y);
        // Held to 5 standard deviations: one odd sample must not decide.
        sum += Math.min(25 * spans[c] * spans[c], e * e) / (errors[c] * errors[c]);
      }
    }
    sums.push(sum);
    counts.push(out.length * values.length);
  }
  const total = counts.reduce((a, b) => a + b, 0);
  if (total === 0) return null;
  const mean = sums.reduce((a, b) => a + b, 0) / total;
  const n = sums.length;
  let scatter = 0;
  for (let k = 0; k < n; k++) scatter += (sums[k] - mean * counts[k]) ** 2;
  const meanError = n < 2 ? mean : Math.sqrt(scatter * n / (n - 1)) / total;
  const score = Math.sqrt(mean);
  return { ...kind, score, scoreError: score > 0 ? meanError / (2 * score) : 0 };
}

/** What a fit gives, or null where it has too few samples. */
function unlessTooFew<T>(fit: () => T): T | null {
  try {
    return fit();
  } catch (cause) {
    if (cause instanceof RangeError) return null;
    throw cause;
  }
}

/**
 * A simpler surface is as good while its error is below this many times the best one's: with samples as sure as a
 * thirtieth of the pixel noise the difference is not seen, while a needless degree bulges where a nebula hides the sky.
 */
const ENOUGH = 1.5;
/** Between this factor below the limit and above it a simpler surface has a share that falls from all to none. */
const SOFT = 1.3;
/**
 * Samples taken for sky that scatter about its best surface by more than these times their own error, and about a
 * plane through their neighbours by more than those, are no free sky but the structure of a nebula: from the first
 * number on some of what bends more than a plane is held back, from the second all. On 21 scenes of ours filled fields
 * gave 6.6 … 35 and 2.4 … 9.4, skies of any shape 1.9 … 4.9 and 1.5 … 2.1.
 */
const RESTLESS = { scatter: [5, 6.5], roughness: [2.05, 2.4] } as const;
/**
 * A surface that is unsure by more than this many times the noise of a pixel is said to be: half of it is what we aim
 * at.
 */
const UNSURE = 0.5;
/** Below this share of free samples the field counts as filled. */
const FILLED = 0.2;

/** Free parameters, to say which of two models is the simpler. */
const complexity = (c: Kind): number =>
  c.model === "polynomial" || c.model === "vignetting"
    ? (c.degree + 1) * (c.degree + 2) / 2 + (c.model === "vignetting" ? 1 : 0)
    : Infinity;
const ramp = (x: number, from: number, to: number): number => Math.max(0, Math.min(1, (x - from) / (to - from)));

/**
 * Shares of the candidates: all of it to the simplest whose error is near enough to the best one's, and near the limit
 * that decides some of it to the next, so that a sky measured again a little differently has a surface a little
 * different.
 */
function sharesOf(scored: readonly Scored[]): Map<Scored, number> {
  const best = scored.reduce((a, b) => b.score < a.score ? b : a);
  const shares = new Map<Scored, number>();
  let left = 1;
  for (const each of scored.toSorted((a, b) => complexity(a) - complexity(b))) {
    const ratio = each === best
      ? 1
      : Math.max(each.misfit / best.misfit, best.score > 0 ? each.score / best.score : Infinity);
    const share = left * (1 - ramp(ratio, ENOUGH / SOFT, ENOUGH * SOFT));
    shares.set(each, share);
    left -= share;
  }
  return shares;
}

/** The same, with a part of the surface, 0 … 1, given to what bends no more than a plane. */
function shareOut(scored: readonly Scored[], held: number): SurfaceCandidate[] {
  const plain = scored.filter((each) => complexity(each) <= 3);
  const free = sharesOf(scored);
  const low = plain.length === 0 ? free : sharesOf(plain);
  return scored.map((each) => ({ ...each, share: (1 - held) * (free.get(each) ?? 0) + held * (low.get(each) ?? 0) }));
}

/** Standard error of a surface's shape where it is largest over the samples' places (Buckland et al. 1997, eq. 9). */
function uncertaintyOf(
  field: Field,
  parts: readonly Part[],
  index: readonly number[],
  value: (sample: BackgroundSample) => number,
): number {
  const { samples } = field;
  const n = samples.length;
  /** Values at all samples' places less their mean: a constant is no error of the shape. */
  const shapeOf = (model: Model): Float64Array => {
    const at = Float64Array.from(samples, ({ x, y }) => modelAt(model, x, y));
    const mean = at.reduce((a, b) => a + b, 0) / n;
    return at.map((v) => v - mean);
  };
  const blocks = Array.from({ length: BLOCKS }, (_, b) => b).filter((b) => index.some((i) => blockOf(field, i) === b));
  const left = blocks.flatMap((b) => {
    const rest = index.filter((i) => blockOf(field, i) !== b);
    const model = unlessTooFew(() => fitModel(field, parts, rest, value));
    return model === null ? [] : [shapeOf(model)];
  });
  const alone = parts.map((part) => ({
    share: part.share,
    at: shapeOf(fitModel(field, [{ ...part, share: 1 }], index, value)),
  }));
  let largest = 0;
  for (let i = 0; i < n; i++) {
    const mean = left.reduce((sum, at) => sum + at[i], 0) / left.length;
    const whole = alone.reduce((sum, { share, at }) => sum + share * at[i], 0);
    const jackknife = left.length < 2
      ? 0
      : left.reduce((sum, at) => sum + (at[i] - mean) ** 2, 0) * (left.length - 1) / left.length;
    const between = alone.reduce((sum, { share, at }) => sum + share * (at[i] - whole) ** 2, 0);
    largest = Math.max(largest, jackknife + between);
  }
  return Math.sqrt(largest);
}

/**
 * Fit a smooth surface to samples of the sky.
 *
 * First the samples that show free sky are found, one-sided because nebulae and stars are positive; a sample that is
 * an object's in one channel is left out of all. Then models are compared by leaving blocks of the field out in turn
 * (four by four), and by how likely each makes all samples, objects allowed for. The simplest whose error in both is
 * less than half as large again as the best one's is taken (after Breiman et al. 1984), and near that limit two share
 * the surface (Buckland et al. 1997). The free samples are found once more against it.
 *
 * @returns the surface with its scores, samples and notes. Cost: some hundred small least-squares problems and one
 *   evaluation over the image
 * @throws {RangeError} if an option is out of range or fewer than three samples show sky
 *
 * @example A plane is recovered
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitSurface, sampleBackground } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.from({ length: 240 * 160 }, (_, i) => 100 + (i % 240) / 10);
 * const image = createImage({ width: 240, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const surface = fitSurface(sampleBackground(image));
 * assert.equal(surface.chosen.degree, 1);
 * assert.ok(Math.abs(surface.ranges[0] - 23.9) < 0.1);
 * ```
 */
export function fitSurface(samples: BackgroundSamples, options: Partial<FitSurfaceOptions> = {}): BackgroundSurface {
  const used = settle("fitSurface", fitSurfaceDefaults, options);
  const { model, maximumDegree, rejectionSigma, shape } = used;
  if (!["automatic", "polynomial", "vignetting", "thin-plate", "mesh"].includes(model)) {
    throw new RangeError(
      `fitSurface: model must be "automatic", "polynomial", "vignetting", "thin-plate" or "mesh", but got ${
        JSON.stringify(model)
      }`,
    );
  }
  if (!(Number.isInteger(maximumDegree) && maximumDegree >= 0 && maximumDegree <= 4)) {
    throw new RangeError(`fitSurface: degree must be a whole number of 0 … 4, but got ${maximumDegree}`);
  }
  if (!(rejectionSigma > 0)) throw new RangeError(`fitSurface: rejectionSigma must be > 0, but got ${rejectionSigma}`);
  if (shape !== "each" && shape !== "shared") {
    throw new RangeError(`fitSurface: shape must be "each" or "shared", but got ${JSON.stringify(shape)}`);
  }
  const { width, height, channels } = samples;
  const list = samples.samples;
  const field: Field = { width, height, samples: list };
  if (model === "mesh" && meshOf(list) === null) {
    throw new RangeError(
      "fitSurface: a mesh must have boxes that were laid out, but got points chosen by hand only; name another model",
    );
  }
  const notes: string[] = [];
  const usable = list.flatMap((s, i) => s.doubt === "" || s.doubt === "uneven" ? [i] : []);
  const start = usable.filter((i) => list[i].doubt === "");
  if (start.length < 3) {
    throw new RangeError(
      `fitSurface: at least 3 samples must show sky, but got ${start.length}; exclude less, or place points by hand`,
    );
  }
  const values = channels.map((_, c) => (s: BackgroundSample) => s.levels[c]);
  const errors = channels.map((_, c) => median(start.map((i) => list[i].errors[c])));
  const floor = channels.map((_, c) =>
    Math.max(errors[c], 1e-9 * Math.abs(median(start.map((i) => list[i].levels[c]))))
  );
  const kinds: Kind[] = model === "thin-plate" || model === "mesh" ? [] : [
    ...(model === "vignetting" ? [] : Array.from(
      { length: maximumDegree + 1 },
      (_, d): Kind => ({ model: "polynomial", degree: d, smoothing: 0 }),
    )),
    ...(model === "polynomial" || maximumDegree < 2
      ? []
      : [{ model: "vignetting", degree: Math.min(3, maximumDegree), smoothing: 0 } as const]),
  ];
  // What is tried before it is known which samples show the sky: no less than degree 3, or a low surface asked for
  // would take what it does not fit for objects.
  const lowShapes: readonly LowShape[] = [
    ...Array.from({ length: Math.max(3, maximumDegree) + 1 }, (_, d) => ({ degree: d, radial: false })),
    { degree: 3, radial: true },
  ].sort((a, b) => a.degree - b.degree);
  let low: readonly (readonly LowSky[])[] = [];
  /** Misfit of a kind, mean of the channels; 1 where it is not known. */
  const misfitOf = ({ model, degree }: Kind): number => {
    const excesses = low.flatMap((found) => {
      const own = found.find((each) => each.degree === degree && each.radial === (model === "vignetting"));
      return own === undefined ? [] : [(own.cost - found[0].cost) / found[0].free];
    });
    return model === "thin-plate" || model === "mesh" || excesses.length === 0
      ? 1
      : expPortable(excesses.reduce((a, b) => a + b, 0) / excesses.length / 2);
  };
  let free: number[] = [];
  let scales: number[] = [];
  let candidates: SurfaceCandidate[] = [];
  let models: Model[] = [];
  let freeShare = 0;
  let excess = NaN;
  let restless = 0;
  /** Scatter of the free samples about a surface, over their own error. */
  const excessOf = (found: readonly Model[]): number =>
    Math.max(...values.map((value, c) => {
      const left = free.map((i) => Math.abs(value(list[i]) - modelAt(found[c], list[i].x, list[i].y)));
      return madSigmaFactor * median(left) / Math.max(floor[c], Number.MIN_VALUE);
    }));
  const partsOf = (all: readonly SurfaceCandidate[]) => all.filter(({ share }) => share > 0);
  /** Samples a spline is scored on. */
  const thinned = (): number[] => {
    const step = Math.max(1, free.length / SCORED_SAMPLES);
    return Array.from({ length: Math.floor(free.length / step) }, (_, k) => free[Math.floor(k * step)]);
  };
  const tiny = floor.map((each) => Math.max(each, Number.MIN_VALUE));
  const score = (kind: Kind, index: readonly number[]): Scored | null => {
    const found = scoreOf(field, kind, index, values, tiny, scales);
    return found === null ? null : { ...found, misfit: misfitOf(kind) };
  };
  for (let round = 0; round < 3; round++) {
    const byHand = start.filter((i) => list[i].byHand);
    const found = channels.map((_, c) =>
      freeSky(
        field,
        start,
        values[c],
        tiny[c],
        rejectionSigma,
        round === 0 ? null : { model: models[c], scale: scales[c] },
        lowShapes,
      )
    );
    const next = [...new Set([...start.filter((i) => found.every((f) => f.free.has(i))), ...byHand])].sort((a, b) =>
      a - b
    );
    const same = next.length === free.length && next.every((v, k) => v === free[k]);
    if (same) break;
    free = next;
    if (free.length < 3) {
      free = start;
      notes.push("no sample stands out as free sky; all of them were used");
    }
    scales = found.map((f) => f.scale);
    if (round === 0) low = found.map((f) => f.low);
    let scored = kinds.flatMap((kind) => score(kind, free) ?? []);
    if (model === "thin-plate" || model === "automatic" && !scored.some((each) => each.score <= POOR)) {
      const thin = thinned();
      if (thin.length >= 12) {
        const under = model === "thin-plate" ? 0 : Math.min(3, Math.max(0, ...scored.map((each) => each.degree)));
        const first = fitModel(
          field,
          [{ model: "thin-plate", degree: under, smoothing: NaN, share: 1 }],
          thin,
          values[0],
        );
        const smoothing = first.bent[0].kind === "thin-plate" ? first.bent[0].spline.smoothing : NaN;
        const spline = score({ model: "thin-plate", degree: under, smoothing }, thin);
        if (spline !== null) scored = [...scored, spline];
      }
    }
    if (model === "mesh") {
      const mesh = score({ model, degree: 0, smoothing: 0 }, free);
      if (mesh === null) {
        throw new RangeError("fitSurface: a mesh must have free boxes all over the field; exclude less");
      }
      scored = [mesh];
    }
    if (scored.length === 0) {
      scored = [{ model: "polynomial", degree: 0, smoothing: 0, score: 1, scoreError: 0, misfit: 1 }];
    }
    if (round === 0) freeShare = Math.min(...found.map((f) => f.share)) * start.length / usable.length;
    candidates = shareOut(scored, 0);
    models = values.map((value) => fitModel(field, partsOf(candidates), free, value));
    excess = excessOf(models);
    if (round === 0) restless = Math.max(...found.map((f) => f.restless));
    const hold = model !== "automatic" ? 0 : Math.max(restless, ramp(-freeShare, -1.2 * FILLED, -FILLED));
    if (hold > 0) {
      candidates = shareOut(scored, hold);
      models = values.map((value) => fitModel(field, partsOf(candidates), free, value));
    }
  }
  const parts = partsOf(candidates);
  const final = parts.reduce((a, b) => b.share > a.share ? b : a);
  if (shape === "shared" && channels.length > 1) models = sharedShape(field, parts, free, values);
  if (freeShare < FILLED) {
    notes.push(
      `only ${(100 * freeShare).toFixed(0)} % of the samples show free sky: the field is filled with objects, ` +
        "and no more than a plane was taken off; place points by hand where you know the sky to be free",
    );
  }
  if (model === "automatic" && restless > 0) {
    notes.push(
      `the samples taken for sky scatter ${
        Math.max(...scales.map((scale, c) => scale / tiny[c])).toFixed(1)
      } times more about the best surface than their noise: nebula may ` +
        `fill the field, and ${restless < 1 ? "part of what bends more" : "no more"} than a plane was ${
          restless < 1 ? "left in" : "taken off"
        }; name the model yourself if you know that the sky is free`,
    );
  }
  const known = parts.some((part) => part.model === "thin-plate") ? thinned() : free;
  const uncertainty = values.map((value) => uncertaintyOf(field, parts, known, value));
  const noise = channels.map((_, c) => median(free.map((i) => list[i].spreads[c])));
  const unsure = uncertainty.map((each, c) => each / noise[c]);
  const most = unsure.indexOf(Math.max(...unsure));
  if (unsure[most] > UNSURE) {
    notes.push(
      `where it is known least the surface is unsure by ${uncertainty[most].toPrecision(2)}, ${
        unsure[most].toPrecision(2)
      } times the noise of a pixel: compare it with another model, or place points by hand where you know the sky to be free`,
    );
  }
  const taken = new Set(free);
  const planes = models.map((each, c) => ({ channel: channels[c], data: modelPlane(each, width, height) }));
  const ranges = planes.map(({ data }) => {
    let low = Infinity;
    let high = -Infinity;
    for (let i = 0; i < data.length; i++) {
      if (data[i] < low) low = data[i];
      if (data[i] > high) high = data[i];
    }
    return high - low;
  });
  const levels = planes.map(({ data }) => {
    const thin: number[] = [];
    for (let i = 0; i < data.length; i += Math.max(1, Math.floor(data.length / 50_000) | 1)) thin.push(data[i]);
    return median(thin);
  });
  notes.unshift(
    `${
      parts.map((part) => `${describe(part)}${parts.length > 1 ? ` (${Math.round(100 * part.share)} %)` : ""}`).join(
        " and ",
      )
    } on ${free.length} of ${list.length} samples; range ${ranges.map((r) => r.toPrecision(3)).join(", ")}`,
  );
  const image = createImage(
    { width, height, unit: samples.unit, geometry: samples.geometry, planes },
    { step: "fitSurface", options: used, notes },
    [samples],
  );
  return {
    image,
    levels,
    ranges,
    chosen: final,
    candidates,
    samples: list.map((s, i) => ({ ...s, doubt: taken.has(i) ? "" : s.doubt === "" ? "object" : s.doubt })),
    freeShare,
    excess,
    uncertainty,
    notes,
    history: image.history,
  };
}

const describe = (c: Kind): string =>
  c.model === "polynomial"
    ? [
      "a constant",
      "a plane",
      "a polynomial of degree 2",
      "a polynomial of degree 3",
      "a polynomial of degree 4",
    ][c.degree]
    : c.model === "vignetting"
    ? `a polynomial of degree ${c.degree} with vignetting`
    : c.model === "mesh"
    ? "a mesh of the boxes"
    : `a thin-plate spline with smoothing ${c.smoothing.toPrecision(2)}`;

/** One shape for all channels: the mean of the channels is fitted, and each channel takes a multiple of it. */
function sharedShape(
  field: Field,
  parts: readonly Part[],
  free: readonly number[],
  values: readonly ((sample: BackgroundSample) => number)[],
): Model[] {
  const mean = (s: BackgroundSample) => values.reduce((sum, value) => sum + value(s), 0) / values.length;
  const shape = fitModel(field, parts, free, mean);
  const at = free.map((i) => modelAt(shape, field.samples[i].x, field.samples[i].y));
  const centre = at.reduce((a, b) => a + b, 0) / at.length;
  return values.map((_, c) => {
    let top = 0;
    let bottom = 0;
    let level = 0;
    free.forEach((i, k) => {
      const v = values[c](field.samples[i]);
      top += (at[k] - centre) * v;
      bottom += (at[k] - centre) * (at[k] - centre);
      level += v / free.length;
    });
    return rescaled(shape, level, bottom > 0 ? top / bottom : 0, centre);
  });
}
