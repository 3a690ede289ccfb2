/** Which of many samples show the sky, when an unknown part of the field is covered by something brighter. */
import { randomStream } from "../core/random.ts";
import { expPortable, logPortable } from "../kernels/elementary.ts";
import { median } from "../stats/median.ts";
import { type LowShape, LowSurfaceFitter, termsOf } from "./low_surface_fitter.ts";
import { neighboursOf, roughnessOf } from "./roughness.ts";
import type { SampledField, SampleValue } from "./sample_background.ts";

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

/** Samples of one channel that may show sky. */
export interface SkySamples {
  /** The samples, all of which are candidates, and the field they lie in. */
  readonly field: SampledField;
  /** Level of a sample. */
  readonly value: SampleValue;
  /** Typical standard error of a level. */
  readonly error: number;
  /** Distance of the samples, pixels. */
  readonly pitch: number;
}

/** Quantiles that the first surfaces are drawn through: from a nearly filled field to one with little in it. */
const firstQuantiles = [0.03, 0.07, 0.15, 0.3] as const;
/** Random starts for each kind. */
const randomStarts = 12;
/** Share of the samples inside that may lie below a surface before its spread is taken for too small. */
const maximumShareBelow = 0.04;
/** Difference of two costs that is called very strong evidence (Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773). */
const strongEvidence = 10;
/** `madSigmaFactor` to five digits: skies are found with it, and more digits would move their last one. */
const shortMadSigmaFactor = 1.4826;

/** The search for the lowest population about a polynomial of one kind. */
class LowSkySearch {
  readonly #samples: SkySamples;
  readonly #limit: number;
  readonly #shape: LowShape;
  readonly #n: number;
  readonly #z: Float64Array;
  readonly #near: readonly Int32Array[];
  readonly #fitter: LowSurfaceFitter;
  readonly #weights: Float64Array;
  /** Residuals about the surface that is looked at. */
  readonly #r: Float64Array;
  readonly #next: Float64Array;
  readonly #seen = new Set<string>();
  /** The most likely so far. */
  best: LowSky | null = null;

  constructor(samples: SkySamples, near: readonly Int32Array[], limit: number, shape: LowShape) {
    this.#samples = samples;
    this.#near = near;
    this.#limit = limit;
    this.#shape = shape;
    this.#n = samples.field.samples.length;
    this.#z = Float64Array.from(samples.field.samples, samples.value);
    this.#fitter = new LowSurfaceFitter(samples.field, shape);
    this.#weights = new Float64Array(this.#n);
    this.#r = new Float64Array(this.#n);
    this.#next = new Float64Array(this.#n);
  }

  /** Start at low quantiles (Koenker & Bassett 1978), by least squares reweighted again and again. */
  fromQuantiles(): void {
    const z = this.#z;
    const r = this.#r;
    const { error } = this.#samples;
    for (const low of firstQuantiles) {
      const middle = median(z);
      for (let i = 0; i < this.#n; i++) r[i] = z[i] - middle;
      let soft = Math.max(error, shortMadSigmaFactor * median(Float64Array.from(r, Math.abs)));
      let good = true;
      for (let iteration = 0; iteration < 40 && good; iteration++) {
        for (let i = 0; i < this.#n; i++) {
          this.#weights[i] = (r[i] > 0 ? low : 1 - low) * soft / Math.sqrt(r[i] * r[i] + soft * soft);
        }
        good = this.#fitter.fit(z, this.#weights, r);
        soft = Math.max(error, 0.7 * soft);
      }
      if (good) this.#settle();
    }
  }

  /** Start at what is sky to a simpler kind: a first guess at what is sky to this one. */
  fromSimpler(found: readonly LowSky[]): void {
    for (const { levels } of found) {
      for (let i = 0; i < this.#n; i++) this.#r[i] = this.#z[i] - levels[i];
      this.#settle();
    }
  }

  /** Start at surfaces through random samples of smooth surroundings (Rousseeuw & Van Driessen 2006). */
  fromRandom(): void {
    const n = this.#n;
    const { terms } = this.#fitter;
    const { degree, radial } = this.#shape;
    const random = randomStream(`sky/${degree}${radial ? "+" : ""}`);
    const rough = roughnessOf(this.#samples.field.samples, this.#near, this.#z, this.#samples.error);
    const smooth = Array.from(rough.keys()).filter((i) => rough[i] === rough[i])
      .sort((a, b) => rough[a] - rough[b]).slice(0, Math.max(4 * terms, Math.ceil(n / 2)));
    const pick = smooth.length >= 3 * terms ? smooth : Array.from({ length: n }, (_, i) => i);
    for (let start = 0; start < randomStarts; start++) {
      this.#weights.fill(0);
      for (let k = 0; k < terms + 3; k++) this.#weights[pick[Math.floor(random.uniform() * pick.length)]] = 1;
      if (this.#fitter.fit(this.#z, this.#weights, this.#r)) this.#settle();
    }
  }

  /** Take a first surface, whose residuals stand in r, to its population, and keep it if it is the most likely. */
  #settle(): void {
    const r = this.#r;
    const n = this.#n;
    const scale = this.#drawIn();
    if (scale === null) return;
    const key = Array.from({ length: 8 }, (_, k) => r[Math.floor((k + 0.5) * n / 8)].toFixed(3)).join(" ");
    if (this.#seen.has(key)) return;
    this.#seen.add(key);
    const { cost, free } = this.#judge(scale);
    if (this.best !== null && !(cost < this.best.cost)) return;
    const { degree, radial } = this.#shape;
    this.best = { degree, radial, free, scale, cost, levels: Float64Array.from(this.#z, (v, i) => v - r[i]) };
  }

  /** Fit the samples near the surface again and again until they stay the same; their spread, or null without a fit. */
  #drawIn(): number | null {
    const r = this.#r;
    const next = this.#next;
    const weights = this.#weights;
    const n = this.#n;
    const limit = this.#limit;
    const { error } = this.#samples;
    const { terms } = this.#fitter;
    // The nearest samples first, as many as fix the surface well.
    const away = Float64Array.from(r, Math.abs).sort();
    const least = Math.max(Math.ceil(2 * terms), Math.ceil(0.1 * n));
    let scale = Math.max(error, away[Math.min(n, least) - 1] / limit);
    for (let iteration = 0; iteration < 40; iteration++) {
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
      if (!this.#fitter.fit(this.#z, weights, next)) return null;
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
      if (below > maximumShareBelow * inside) scale *= 1.2;
      else if (spread < 0.95 * scale) scale = spread;
      else if (same) break;
    }
    return scale;
  }

  /** How likely the mixture of sky and objects makes all samples, and how many are sky. */
  #judge(scale: number): { readonly cost: number; readonly free: number } {
    const r = this.#r;
    const n = this.#n;
    const rough = roughnessOf(this.#samples.field.samples, this.#near, r, this.#samples.error);
    const known = rough.filter((v) => v === v);
    // What is smooth: the lower third of the field's own roughness, so that faint stars everywhere count as smooth.
    const typical = known.length < 12 ? 1 : Math.max(1, known.toSorted()[Math.floor(known.length / 6)]);
    let free = 0;
    let range = 4 * scale;
    for (let i = 0; i < n; i++) {
      if (Math.abs(r[i]) <= this.#limit * scale) free++;
      if (r[i] > range) range = r[i];
    }
    const share = Math.max(1 / n, Math.min(1 - 1 / n, free / n));
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
    return { cost: -2 * logLikelihood + this.#fitter.terms * logPortable(n), free };
  }
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
 * @param limit standard deviations above the surface from which a sample is an object's
 * @param shapes kinds of polynomial that are tried, simplest first
 * @returns the best of each kind, best first
 */
export function findSky(samples: SkySamples, limit: number, shapes: readonly LowShape[]): LowSky[] {
  const list = samples.field.samples;
  const near = neighboursOf(list, samples.pitch);
  const found: LowSky[] = [];
  for (const shape of shapes) {
    if (list.length < Math.max(3, 4 * termsOf(shape))) break;
    const search = new LowSkySearch(samples, near, limit, shape);
    search.fromQuantiles();
    search.fromSimpler(found);
    search.fromRandom();
    if (search.best !== null) found.push(search.best);
  }
  // Of kinds that are as likely the simplest.
  const least = Math.min(...found.map(({ cost }) => cost));
  const first = found.find(({ cost }) => cost <= least + strongEvidence);
  return found.sort((a, b) => Number(b === first) - Number(a === first) || a.cost - b.cost);
}
