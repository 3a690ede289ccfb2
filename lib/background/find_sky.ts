/** Which of many samples show the sky, when an unknown part of the field is covered by something brighter. */
import { randomStream } from "../core/random.ts";
import { expPortable, logPortable } from "../kernels/elementary.ts";
import { legendre, radialTerm } from "../surfaces/polynomial_surface.ts";
import { median } from "../stats/median.ts";
import type { BackgroundSample } from "./sample_background.ts";

/** A kind of polynomial: its total degree, and whether the fourth power of the distance from the middle joins it. */
export interface LowShape {
  /** Total degree. */
  readonly degree: number;
  /** Whether the radial term joins. */
  readonly radial: boolean;
}

/** A surface through the lowest population of samples, and how likely it makes them all. */
export interface LowSky extends LowShape {
  /** Value of the surface at each candidate, in their order. */
  readonly levels: Float64Array;
  /** Samples within the limit of it. */
  readonly free: number;
  /** Standard deviation of the free samples about it. */
  readonly scale: number;
  /** −2 ln likelihood + terms · ln samples (Schwarz 1978): smaller is better. */
  readonly cost: number;
}

/** Shares of the samples that may lie below the first surfaces: from a nearly filled field to one with little in it. */
const LOW_SHARES = [0.03, 0.07, 0.15, 0.3];
/** `madSigmaFactor` to five digits: skies are found with it, and more digits would move their last one. */
const shortMadSigmaFactor = 1.4826;
/** Random starts for each degree. */
const STARTS = 12;

/** Polynomials over the candidates: rows of Legendre products, and weighted least squares by Cholesky's method. */
class Fitter {
  readonly n: number;
  readonly design: Float64Array;
  readonly terms: number;
  readonly #gram: Float64Array;
  readonly #right: Float64Array;

  constructor(xs: readonly number[], ys: readonly number[], width: number, height: number, shape: LowShape) {
    const { degree, radial } = shape;
    this.n = xs.length;
    this.terms = (degree + 1) * (degree + 2) / 2 + (radial ? 1 : 0);
    this.design = new Float64Array(this.n * this.terms);
    this.#gram = new Float64Array(this.terms * this.terms);
    this.#right = new Float64Array(this.terms);
    const px = new Float64Array(degree + 1);
    const py = new Float64Array(degree + 1);
    for (let i = 0; i < this.n; i++) {
      legendre(degree, width > 1 ? 2 * xs[i] / (width - 1) - 1 : 0, px);
      legendre(degree, height > 1 ? 2 * ys[i] / (height - 1) - 1 : 0, py);
      let at = i * this.terms;
      for (let order = 0; order <= degree; order++) {
        for (let j = 0; j <= order; j++) this.design[at++] = px[order - j] * py[j];
      }
      if (radial) this.design[at] = radialTerm(xs[i], ys[i], width, height);
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
    for (let i = 0; i < n; i++) {
      let sum = z[i];
      for (let a = 0, at = i * p; a < p; a++) sum -= design[at + a] * right[a];
      residuals[i] = sum;
    }
    return true;
  }
}

/** Neighbours of each sample, itself included: those within one and a half distances. */
function neighboursOf(samples: readonly BackgroundSample[], pitch: number): readonly Int32Array[] {
  return samples.map(({ x, y }) =>
    Int32Array.from(
      samples.flatMap((other, j) =>
        Math.abs(other.x - x) < 1.5 * pitch && Math.abs(other.y - y) < 1.5 * pitch ? [j] : []
      ),
    )
  );
}

/**
 * How rough the surroundings of each sample are: scatter about a plane through it and its neighbours, over the samples'
 * error. A sky is smooth at this scale, a nebula hardly ever. NaN with fewer than six neighbours.
 */
export function roughness(
  samples: readonly BackgroundSample[],
  pitch: number,
  value: (sample: BackgroundSample) => number,
  error: number,
): Float64Array {
  return roughnessOf(samples, neighboursOf(samples, pitch), Float64Array.from(samples, value), error);
}

function roughnessOf(
  samples: readonly BackgroundSample[],
  near: readonly Int32Array[],
  z: Float64Array,
  error: number,
): Float64Array {
  return Float64Array.from(near, (list, i) => {
    const n = list.length;
    if (n < 6) return NaN;
    let sx = 0;
    let sy = 0;
    let sz = 0;
    let sxx = 0;
    let sxy = 0;
    let syy = 0;
    let sxz = 0;
    let syz = 0;
    let szz = 0;
    for (const j of list) {
      const x = samples[j].x - samples[i].x;
      const y = samples[j].y - samples[i].y;
      const v = z[j] - z[i];
      sx += x;
      sy += y;
      sz += v;
      sxx += x * x;
      sxy += x * y;
      syy += y * y;
      sxz += x * v;
      syz += y * v;
      szz += v * v;
    }
    const xx = sxx - sx * sx / n;
    const xy = sxy - sx * sy / n;
    const yy = syy - sy * sy / n;
    const xz = sxz - sx * sz / n;
    const yz = syz - sy * sz / n;
    const zz = szz - sz * sz / n;
    const det = xx * yy - xy * xy;
    if (!(det > 0)) return NaN;
    const a = (xz * yy - yz * xy) / det;
    const b = (yz * xx - xz * xy) / det;
    return Math.sqrt(Math.max(0, zz - a * xz - b * yz) / (n - 3)) / error;
  });
}

/**
 * The sky as the lowest smooth population: for each kind of polynomial many first surfaces (low quantiles of the
 * samples, Koenker & Bassett 1978; and surfaces through random samples, Rousseeuw & Van Driessen 2006), each drawn in
 * until its free samples no longer change; then a mixture of free sky (normal about the surface) and objects (anything
 * above it) says how likely each makes the samples. What is smooth beside its neighbours is more likely sky, what is
 * rough more likely an object. The spread of the sky is widened only when samples lie below the surface, which no
 * object can do.
 *
 * @param samples those that may show sky
 * @param value level of a sample in one channel
 * @param error typical standard error of a level
 * @param limit standard deviations above the surface from which a sample is an object's
 * @param shapes kinds of polynomial that are tried, simplest first
 * @param pitch distance of the samples
 * @returns the best of each kind, best first
 */
export function findSky(
  samples: readonly BackgroundSample[],
  value: (sample: BackgroundSample) => number,
  error: number,
  limit: number,
  shapes: readonly LowShape[],
  pitch: number,
  width: number,
  height: number,
): LowSky[] {
  const n = samples.length;
  const z = Float64Array.from(samples, value);
  const xs = samples.map((s) => s.x);
  const ys = samples.map((s) => s.y);
  const near = neighboursOf(samples, pitch);
  const found: LowSky[] = [];
  for (const { degree, radial } of shapes) {
    const fitter = new Fitter(xs, ys, width, height, { degree, radial });
    const { terms } = fitter;
    if (n < Math.max(3, 4 * terms)) break;
    const weights = new Float64Array(n);
    const r = new Float64Array(n);
    const next = new Float64Array(n);
    let best: LowSky | null = null;
    const seen = new Set<string>();
    /** Draw a first surface, whose residuals stand in r, in until its free samples stay. */
    const settle = (): void => {
      let scale = error;
      // The nearest samples first, as many as fix the surface well.
      const away = Float64Array.from(r, Math.abs).sort();
      const least = Math.max(Math.ceil(2 * terms), Math.ceil(0.1 * n));
      scale = Math.max(error, away[Math.min(n, least) - 1] / limit);
      for (let round = 0; round < 40; round++) {
        let inside = 0;
        for (let i = 0; i < n; i++) {
          weights[i] = Math.abs(r[i]) <= limit * scale ? 1 : 0;
          inside += weights[i];
        }
        if (inside < Math.max(6, 1.5 * terms)) {
          if (inside === n) break;
          scale *= 1.3;
          continue;
        }
        if (!fitter.fit(z, weights, next)) return;
        let below = 0;
        let same = true;
        let squares = 0;
        for (let i = 0; i < n; i++) {
          if (weights[i] > 0) squares += next[i] * next[i];
        }
        // The spread of a normal cut at the limit, at least the samples' error; shrinks by a fifth a round at most.
        const spread = Math.max(error, 1.14 * Math.sqrt(squares / inside), 0.8 * scale);
        for (let i = 0; i < n; i++) {
          if (next[i] < -limit * scale) below++;
          if ((Math.abs(next[i]) <= limit * scale) !== (weights[i] > 0)) same = false;
        }
        r.set(next);
        if (below > 0.04 * inside) scale *= 1.2;
        else if (spread < 0.95 * scale) scale = spread;
        else if (same) break;
      }
      const key = Array.from({ length: 8 }, (_, k) => r[Math.floor((k + 0.5) * n / 8)].toFixed(3)).join(" ");
      if (seen.has(key)) return;
      seen.add(key);
      const rough = roughnessOf(samples, near, r, error);
      const known = rough.filter((v) => v === v);
      // What is smooth: the lower third of the field's own roughness, so that faint stars everywhere count as smooth.
      const typical = known.length < 12 ? 1 : Math.max(1, known.toSorted()[Math.floor(known.length / 6)]);
      let inside = 0;
      let range = 4 * scale;
      for (let i = 0; i < n; i++) {
        if (Math.abs(r[i]) <= limit * scale) inside++;
        if (r[i] > range) range = r[i];
      }
      const share = Math.max(1 / n, Math.min(1 - 1 / n, inside / n));
      const odds = logPortable(share / (1 - share));
      let logLikelihood = 0;
      for (let i = 0; i < n; i++) {
        const u = r[i] / scale;
        const lean = rough[i] === rough[i] ? 2 * (2.5 - rough[i] / typical) : 0;
        const prior = 1 / (1 + expPortable(-(odds + Math.max(-3, Math.min(3, lean)))));
        const sky = prior * expPortable(-0.5 * u * u) / (2.5066 * scale);
        // What lies below the sky is a fault of the surface; the wide normal gives it a finite price.
        const object = r[i] > 0
          ? (1 - prior) / range
          : 1e-4 * expPortable(-0.5 * Math.min(600, (u / 10) * (u / 10))) / scale;
        logLikelihood += logPortable(sky + object);
      }
      const cost = -2 * logLikelihood + terms * logPortable(n);
      if (best === null || cost < best.cost) {
        best = { degree, radial, free: inside, scale, cost, levels: Float64Array.from(z, (v, i) => v - r[i]) };
      }
    };
    for (const low of LOW_SHARES) {
      const middle = median(z);
      for (let i = 0; i < n; i++) r[i] = z[i] - middle;
      let soft = Math.max(error, shortMadSigmaFactor * median(Float64Array.from(r, Math.abs)));
      let good = true;
      for (let round = 0; round < 40 && good; round++) {
        for (let i = 0; i < n; i++) {
          weights[i] = (r[i] > 0 ? low : 1 - low) * soft / Math.sqrt(r[i] * r[i] + soft * soft);
        }
        good = fitter.fit(z, weights, r);
        soft = Math.max(error, 0.7 * soft);
      }
      if (good) settle();
    }
    // What is sky to a simpler kind is a first guess at what is sky to this one.
    for (const { levels } of found) {
      for (let i = 0; i < n; i++) r[i] = z[i] - levels[i];
      settle();
    }
    const random = randomStream(`sky/${degree}${radial ? "+" : ""}`);
    const rough = roughnessOf(samples, near, z, error);
    const smooth = Array.from(rough.keys()).filter((i) => rough[i] === rough[i])
      .sort((a, b) => rough[a] - rough[b]).slice(0, Math.max(4 * terms, Math.ceil(n / 2)));
    const pick = smooth.length >= 3 * terms ? smooth : Array.from({ length: n }, (_, i) => i);
    for (let start = 0; start < STARTS; start++) {
      weights.fill(0);
      for (let k = 0; k < terms + 3; k++) weights[pick[Math.floor(random.uniform() * pick.length)]] = 1;
      if (fitter.fit(z, weights, r)) settle();
    }
    if (best !== null) found.push(best);
  }
  // Of kinds that are as likely the simplest: a difference of 10 is called very strong evidence (Kass & Raftery 1995).
  const least = Math.min(...found.map(({ cost }) => cost));
  const first = found.find(({ cost }) => cost <= least + 10);
  return found.sort((a, b) => Number(b === first) - Number(a === first) || a.cost - b.cost);
}
