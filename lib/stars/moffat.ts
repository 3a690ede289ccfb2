/** The Moffat profile (Moffat 1969, A&A 3, 455): I = I₀ (1 + r²/α²)^−β. */
import { solveSymmetric } from "../stats/least_squares.ts";

/** Full width at half maximum over α. */
export const moffatFwhm = (beta: number): number => 2 * Math.sqrt(2 ** (1 / beta) - 1);

/** Radius that holds half of the light, over α; all light, to infinity. Needs beta > 1. */
export const moffatHalfFluxRadius = (beta: number): number => Math.sqrt(2 ** (1 / (beta - 1)) - 1);

/** Light within a radius over I₀ α²; `radius` in units of α. */
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

/**
 * Fit height, alpha and beta to a radial profile by damped least squares in their logarithms. Beta stays within 1.2 …
 * 60: above it the profile is a Gaussian for any purpose. `null` when the profile does not fall.
 *
 * @param expected what is known of beta beforehand: its value and the half width of its logarithm's distribution; the
 * weights must be inverse variances then
 */
export function fitMoffatProfile(
  radius: ArrayLike<number>,
  value: ArrayLike<number>,
  weight: ArrayLike<number>,
  expected: { readonly beta: number; readonly spread: number } | null = null,
): MoffatProfile | null {
  const n = radius.length;
  let p = [0, Math.log(2), Math.log(3)];
  let damping = 1e-3;
  for (let i = 0, most = -Infinity; i < n; i++) if (weight[i] > 0 && value[i] > most) p[0] = Math.log(most = value[i]);
  if (!Number.isFinite(p[0])) return null;
  // A prior with wide wings (Cauchy's): it helps where the data do not tell, and gives way where they tell otherwise.
  const usual = expected === null ? 0 : Math.log(expected.beta);
  const spread2 = expected === null ? 0 : expected.spread ** 2;
  const doubt = (q: readonly number[]) => expected === null ? 0 : Math.log(1 + (q[2] - usual) ** 2 / spread2);
  const cost = (q: readonly number[]) => {
    const height = Math.exp(q[0]);
    const a2 = Math.exp(2 * q[1]);
    const beta = Math.exp(q[2]);
    let sum = doubt(q);
    for (let i = 0; i < n; i++) sum += weight[i] * (value[i] - height * (1 + radius[i] ** 2 / a2) ** -beta) ** 2;
    return sum;
  };
  let now = cost(p);
  for (let round = 0; round < 60; round++) {
    const height = Math.exp(p[0]);
    const a2 = Math.exp(2 * p[1]);
    const beta = Math.exp(p[2]);
    const normal = new Float64Array(9);
    const right = new Float64Array(3);
    for (let i = 0; i < n; i++) {
      const s = radius[i] ** 2 / a2;
      const model = height * (1 + s) ** -beta;
      const d = [model, 2 * beta * model * s / (1 + s), -beta * model * Math.log(1 + s)];
      for (let j = 0; j < 3; j++) {
        right[j] += weight[i] * d[j] * (value[i] - model);
        for (let k = 0; k < 3; k++) normal[3 * j + k] += weight[i] * d[j] * d[k];
      }
    }
    const trust = expected === null ? 0 : 1 / (spread2 + (p[2] - usual) ** 2);
    normal[8] += trust;
    right[2] += trust * (usual - p[2]);
    let better = false;
    for (let attempt = 0; attempt < 12 && !better; attempt++) {
      const damped = normal.slice();
      for (let j = 0; j < 3; j++) damped[4 * j] *= 1 + damping;
      const step = solveSymmetric(damped, right);
      if (step !== null) {
        const next = p.map((each, j) => each + Math.max(-1, Math.min(1, step[j])));
        next[2] = Math.max(Math.log(1.2), Math.min(Math.log(60), next[2]));
        const then = cost(next);
        if (then < now) {
          const gain = (now - then) / now;
          p = next;
          now = then;
          damping = Math.max(1e-9, damping / 5);
          better = true;
          if (gain < 1e-9) round = 60;
          continue;
        }
      }
      damping *= 5;
    }
    if (!better) break;
  }
  const result = { height: Math.exp(p[0]), alpha: Math.exp(p[1]), beta: Math.exp(p[2]) };
  return Number.isFinite(result.alpha) ? result : null;
}
