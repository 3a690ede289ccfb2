/** Least squares of low polynomials through the same samples with ever other weights. */
import { legendre, radialTerm } from "../surfaces/polynomial_surface.ts";
import type { SampledField } from "./sample_background.ts";

/** A kind of polynomial: its total degree, and whether the fourth power of the distance from the middle joins it. */
export interface LowShape {
  /** Total degree. */
  readonly degree: number;
  /** Whether the radial term joins. */
  readonly radial: boolean;
}

/** Terms of a kind of polynomial. */
export const termsOf = ({ degree, radial }: LowShape): number => (degree + 1) * (degree + 2) / 2 + (radial ? 1 : 0);

/** Polynomials over the samples: rows of Legendre products, and weighted least squares by Cholesky's method. */
export class LowSurfaceFitter {
  /** Samples. */
  readonly n: number;
  /** Value of each term at each sample, sample by sample. */
  readonly design: Float64Array;
  /** Terms. */
  readonly terms: number;
  readonly #gram: Float64Array;
  readonly #right: Float64Array;

  constructor({ samples, width, height }: SampledField, shape: LowShape) {
    const { degree, radial } = shape;
    this.n = samples.length;
    this.terms = termsOf(shape);
    this.design = new Float64Array(this.n * this.terms);
    this.#gram = new Float64Array(this.terms * this.terms);
    this.#right = new Float64Array(this.terms);
    const px = new Float64Array(degree + 1);
    const py = new Float64Array(degree + 1);
    for (let i = 0; i < this.n; i++) {
      const { x, y } = samples[i];
      legendre(degree, width > 1 ? 2 * x / (width - 1) - 1 : 0, px);
      legendre(degree, height > 1 ? 2 * y / (height - 1) - 1 : 0, py);
      let at = i * this.terms;
      for (let order = 0; order <= degree; order++) {
        for (let j = 0; j <= order; j++) this.design[at++] = px[order - j] * py[j];
      }
      if (radial) this.design[at] = radialTerm(x, y, width, height);
    }
  }

  /** Residuals about the surface fitted with weights; false when those do not fix one. */
  fit(z: Float64Array, weights: Float64Array, residuals: Float64Array): boolean {
    const { n, terms: p, design } = this;
    const gram = this.#gram.fill(0);
    const right = this.#right.fill(0);
    for (let i = 0; i < n; i++) {
      const w = weights[i];
      const at = i * p;
      if (!(w > 0)) continue;
      for (let a = 0; a < p; a++) {
        const wa = w * design[at + a];
        right[a] += wa * z[i];
        for (let b = 0; b <= a; b++) gram[a * p + b] += wa * design[at + b];
      }
    }
    if (!solveSymmetric(gram, right)) return false;
    for (let i = 0; i < n; i++) {
      let sum = z[i];
      for (let a = 0, at = i * p; a < p; a++) sum -= design[at + a] * right[a];
      residuals[i] = sum;
    }
    return true;
  }
}

/** Solve a symmetric positive system in place by Cholesky's method; false when it fixes no solution. */
function solveSymmetric(gram: Float64Array, right: Float64Array): boolean {
  const p = right.length;
  for (let a = 0; a < p; a++) {
    for (let b = 0; b <= a; b++) {
      let sum = gram[a * p + b];
      for (let k = 0; k < b; k++) sum -= gram[a * p + k] * gram[b * p + k];
      if (a === b) {
        if (!(sum > 1e-9 * gram[a * p + a] && sum > 0)) return false;
        gram[a * p + a] = Math.sqrt(sum);
      } else gram[a * p + b] = sum / gram[b * p + b];
    }
  }
  for (let a = 0; a < p; a++) {
    for (let k = 0; k < a; k++) right[a] -= gram[a * p + k] * right[k];
    right[a] /= gram[a * p + a];
  }
  for (let a = p - 1; a >= 0; a--) {
    for (let k = a + 1; k < p; k++) right[a] -= gram[k * p + a] * right[k];
    right[a] /= gram[a * p + a];
  }
  return true;
}
