/** The Moffat profile (Moffat 1969, A&A 3, 455): I = I₀ (1 + r²/α²)^−β. */
import { solveSymmetric } from "../stats/least_squares.ts";

/** Full width at half maximum over α. */
export const moffatFwhm = (beta: number): number => 2 * Math.sqrt(2 ** (1 / beta) - 1);

/** Radius that holds half of the flux, over α; all of it, to infinity. Needs beta > 1. */
export const moffatHalfFluxRadius = (beta: number): number => Math.sqrt(2 ** (1 / (beta - 1)) - 1);

/** Flux within a radius over I₀ α²; `radius` in units of α. */
export const moffatFlux = (beta: number, radius: number = Infinity): number =>
  Math.PI / (beta - 1) * (1 - (radius === Infinity ? 0 : (1 + radius * radius) ** (1 - beta)));

/** Noise-equivalent area over FWHM²: how many pixels' noise a matched measurement of the flux sees. */
export const moffatNoiseArea = (beta: number): number =>
  Math.PI * (2 * beta - 1) / ((beta - 1) ** 2 * moffatFwhm(beta) ** 2);

/** A circular Moffat profile. */
export interface MoffatProfile {
  /** Height at the centre. */
  readonly height: number;
  /** Scale radius. */
  readonly alpha: number;
  /** Exponent. */
  readonly beta: number;
}

/** A radial profile: levels at radii, each with its weight. */
interface RadialSamples {
  readonly radius: ArrayLike<number>;
  readonly value: ArrayLike<number>;
  readonly weight: ArrayLike<number>;
}

/** What is known of beta beforehand. */
interface ExpectedBeta {
  /** Its value. */
  readonly beta: number;
  /** Half width of its logarithm's distribution. */
  readonly spread: number;
}

/** Most steps of the fit, and most trials of a step with more and more damping. */
const maximumIterations = 60;
const maximumTrials = 12;
/** Range of beta: above it the profile is a Gaussian for any purpose. */
const minimumBeta = 1.2;
const maximumBeta = 60;
/** Relative gain of a step below which the fit is at rest. */
const minimumGain = 1e-9;

/**
 * Weighted squared residuals at the logarithms of height, alpha and beta, and the cost of a beta that is not expected:
 * a prior with wide wings (Cauchy's), which helps where the data do not tell, and gives way where they tell otherwise.
 */
function costOf({ radius, value, weight }: RadialSamples, expected: ExpectedBeta | null, logs: readonly number[]) {
  const height = Math.exp(logs[0]);
  const alpha2 = Math.exp(2 * logs[1]);
  const beta = Math.exp(logs[2]);
  let sum = expected === null ? 0 : Math.log(1 + (logs[2] - Math.log(expected.beta)) ** 2 / expected.spread ** 2);
  for (let i = 0; i < radius.length; i++) {
    sum += weight[i] * (value[i] - height * (1 + radius[i] ** 2 / alpha2) ** -beta) ** 2;
  }
  return sum;
}

/** Normal equations of a step from the logarithms of height, alpha and beta. */
function normalEquations(
  { radius, value, weight }: RadialSamples,
  expected: ExpectedBeta | null,
  logs: readonly number[],
): { matrix: Float64Array; right: Float64Array } {
  const height = Math.exp(logs[0]);
  const alpha2 = Math.exp(2 * logs[1]);
  const beta = Math.exp(logs[2]);
  const matrix = new Float64Array(9);
  const right = new Float64Array(3);
  for (let i = 0; i < radius.length; i++) {
    const s = radius[i] ** 2 / alpha2;
    const model = height * (1 + s) ** -beta;
    const slopes = [model, 2 * beta * model * s / (1 + s), -beta * model * Math.log(1 + s)];
    for (let j = 0; j < 3; j++) {
      right[j] += weight[i] * slopes[j] * (value[i] - model);
      for (let k = 0; k < 3; k++) matrix[3 * j + k] += weight[i] * slopes[j] * slopes[k];
    }
  }
  if (expected === null) return { matrix, right };
  const offset = logs[2] - Math.log(expected.beta);
  const trust = 1 / (expected.spread ** 2 + offset ** 2);
  matrix[8] += trust;
  right[2] += trust * -offset;
  return { matrix, right };
}

/** Where a damped step leads, each logarithm by 1 at most; null if the equations tell no step. */
function dampedStep(
  { matrix, right }: { readonly matrix: Float64Array; readonly right: Float64Array },
  logs: readonly number[],
  damping: number,
): number[] | null {
  const damped = matrix.slice();
  for (let j = 0; j < 3; j++) damped[4 * j] *= 1 + damping;
  const step = solveSymmetric(damped, right);
  if (step === null) return null;
  const next = logs.map((each, j) => each + Math.max(-1, Math.min(1, step[j])));
  next[2] = Math.max(Math.log(minimumBeta), Math.min(Math.log(maximumBeta), next[2]));
  return next;
}

/** Logarithms of height, alpha and beta where the cost is least. */
function minimise(samples: RadialSamples, expected: ExpectedBeta | null, start: readonly number[]): readonly number[] {
  let logs = start;
  let damping = 1e-3;
  let now = costOf(samples, expected, logs);
  for (let iteration = 0; iteration < maximumIterations; iteration++) {
    const equations = normalEquations(samples, expected, logs);
    let gain = 0;
    for (let trial = 0; trial < maximumTrials && gain === 0; trial++) {
      const next = dampedStep(equations, logs, damping);
      const then = next === null ? Infinity : costOf(samples, expected, next);
      if (next === null || !(then < now)) {
        damping *= 5;
        continue;
      }
      gain = (now - then) / now;
      logs = next;
      now = then;
      damping = Math.max(1e-9, damping / 5);
    }
    if (gain < minimumGain) break;
  }
  return logs;
}

/**
 * Fit height, alpha and beta to a radial profile by damped least squares in their logarithms. Beta stays within 1.2 …
 * 60: above it the profile is a Gaussian for any purpose. `null` when the profile does not fall.
 *
 * @param expected what is known of beta beforehand; the weights must be inverse variances then
 */
export function fitMoffatProfile(
  radius: ArrayLike<number>,
  value: ArrayLike<number>,
  weight: ArrayLike<number>,
  expected: ExpectedBeta | null = null,
): MoffatProfile | null {
  let highest = -Infinity;
  for (let i = 0; i < radius.length; i++) if (weight[i] > 0 && value[i] > highest) highest = value[i];
  // Without a sample of weight what is expected is all there is.
  const start = [highest === -Infinity ? 0 : Math.log(highest), Math.log(2), Math.log(3)];
  if (!Number.isFinite(start[0])) return null;
  const [height, alpha, beta] = minimise({ radius, value, weight }, expected, start).map(Math.exp);
  return Number.isFinite(alpha) ? { height, alpha, beta } : null;
}
