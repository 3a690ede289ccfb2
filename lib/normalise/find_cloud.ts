/** Thin cloud: a slope of the transparency over the field, from the flux ratios of single stars. */
import { leastSquares } from "../stats/least_squares.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { fTail } from "../stats/special_functions.ts";

/** Flux of one star in the frame over its flux in the reference. */
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

/** A slope of the transparency: ln ratio = a + b (x − centreX) / size + c (y − centreY) / size. */
export interface Cloud {
  /** Change along x. */
  readonly b: number;
  /** Change along y. */
  readonly c: number;
  /** Change over the field. */
  readonly share: number;
}

/** Stars below which no slope is looked for. */
const minimumStars = 30;

/** Chance of taking noise for a slope. */
const significance = 0.01;

/** Iterations of the fit, each without the stars that lie off the one before. */
const maximumIterations = 5;

/** A plane through the logarithms of the ratios. */
interface LogPlane {
  readonly slopes: readonly [number, number];
  /** Weighted residuals of the stars. */
  readonly residual: Float64Array;
  /** Weighted squares about the mean, and about the plane. */
  readonly flat: number;
  readonly bent: number;
}

/** Weighted fit of a plane; null when the stars do not fix one. */
function fitLogPlane(stars: readonly StarFluxRatio[], width: number, height: number): LogPlane | null {
  const n = stars.length;
  const size = Math.max(width, height) / 2;
  const design = new Float64Array(n * 3);
  const right = new Float64Array(n);
  const logs = new Float64Array(n);
  const roots = new Float64Array(n);
  let sw = 0;
  let mean = 0;
  stars.forEach((each, i) => {
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
  return { slopes: [solution[1], solution[2]], residual, flat, bent };
}

/**
 * A plane in the logarithm of the stars' ratios, when the F-test and a change of at least `minimumShare` over the field
 * speak for it; else null.
 */
export function findCloud(
  stars: readonly StarFluxRatio[],
  width: number,
  height: number,
  minimumShare: number,
): Cloud | null {
  let used = stars.filter((each) => each.ratio > 0 && (each.weight ?? 1) > 0);
  const size = Math.max(width, height) / 2;
  for (let iteration = 0; iteration < maximumIterations; iteration++) {
    const n = used.length;
    if (n < minimumStars) return null;
    const plane = fitLogPlane(used, width, height);
    if (plane === null) return null;
    const { slopes: [b, c], residual, flat, bent } = plane;
    const sigma = madSigmaFactor * median(residual.map(Math.abs));
    const kept = used.filter((_, i) => Math.abs(residual[i]) <= 3 * sigma);
    if (kept.length < n && iteration + 1 < maximumIterations) {
      used = kept;
      continue;
    }
    const share = (Math.abs(b) * width + Math.abs(c) * height) / size;
    const real = bent > 0 ? fTail((flat - bent) / 2 / (bent / (n - 3)), 2, n - 3) < significance : flat > 0;
    return real && share > minimumShare ? { b, c, share } : null;
  }
  return null;
}
