/**
 * Which samples of a pixel to leave out when frames are combined. A strip holds the samples of one tile, frame behind frame:
 * sample of frame f at pixel p is samples[f · stride + p]; NaN means the frame has no data there. Every rule writes one
 * verdict a sample, and each pixel is judged from its own samples alone, in float64, so that neither the size of a tile nor
 * the order of the pixels changes anything.
 */

/** Verdicts on a sample. */
export const verdict: Readonly<Record<"keep" | "dimmer" | "brighter" | "missing", number>> = Object.freeze({
  /** Goes into the mean. */
  keep: 0,
  /** Left out, below the others. */
  dimmer: 1,
  /** Left out, above the others. */
  brighter: 2,
  /** No data. */
  missing: 3,
});

/** Samples of one tile, frame behind frame. */
export interface Strip {
  /** frames × stride samples. */
  readonly samples: Float32Array;
  /** Number of frames. */
  readonly frames: number;
  /** Samples from one frame to the next, at least `count`. */
  readonly stride: number;
  /** Pixels of the tile. */
  readonly count: number;
}

/**
 * Fewest samples that must stay of n: half of them, and three of four or more. Of three, two may outvote the third, because
 * so few are judged by the noise of the sensor and not by their own scatter.
 */
export const leastKept = (n: number): number => n < 4 ? Math.ceil(n / 2) : Math.max(3, Math.ceil(n / 2));

/** Huber's corner: deviations beyond this many sigma are clamped (Huber 1964 recommends 1 to 2; 1.5 is his example). */
export const huberCorner: number = 1.5;
/** E[min(z², 1.5²)] of a Gaussian: makes the clamped variance consistent. Closed form. */
export const huberConsistency: number = 0.7784652161;

const block = 64;

/** Work arrays of {@linkcode huberVerdicts}, made once a call. */
function scratch(): Record<"m" | "s" | "sum" | "square" | "low" | "high" | "n" | "done", Float64Array> {
  const make = () => new Float64Array(block);
  return { m: make(), s: make(), sum: make(), square: make(), low: make(), high: make(), n: make(), done: make() };
}

/**
 * Huber's Proposal 2 (Huber 1981, chapter 6) as an outlier test: location m and scale s of each pixel by clamping at
 * m ± 1.5 s until they stand still, then |x − m| > limit · s is left out.
 *
 * @param strip the samples
 * @param limits limit in units of s by number of samples n, index n; pixels with limits[n] = 0 are left to another rule
 * @param floor smallest scale to believe, in the unit of the samples (rounding of integer data)
 * @param verdicts receives frames × stride verdicts; pixels left to another rule get `keep` or `missing`
 */
export function huberVerdicts(strip: Strip, limits: Float64Array, floor: number, verdicts: Uint8Array): void {
  const { samples, frames, stride, count } = strip;
  const { m, s, sum, square, low, high, n, done } = scratch();
  for (let p0 = 0; p0 < count; p0 += block) {
    const size = Math.min(block, count - p0);
    n.fill(0);
    sum.fill(0);
    square.fill(0);
    for (let f = 0; f < frames; f++) {
      for (let i = 0, at = f * stride + p0; i < size; i++, at++) {
        const x = samples[at];
        if (x === x) {
          n[i] += 1;
          sum[i] += x;
        }
      }
    }
    for (let i = 0; i < size; i++) m[i] = sum[i] / n[i];
    for (let f = 0; f < frames; f++) {
      for (let i = 0, at = f * stride + p0; i < size; i++, at++) {
        const d = samples[at] - m[i];
        if (d === d) square[i] += d * d;
      }
    }
    let open = 0;
    for (let i = 0; i < size; i++) {
      s[i] = Math.max(floor, Math.sqrt(square[i] / Math.max(1, n[i] - 1)));
      done[i] = n[i] >= 3 && limits[n[i]] > 0 && s[i] > 0 ? 0 : 1;
      open += 1 - done[i];
    }
    for (let round = 0; round < 60 && open > 0; round++) {
      sum.fill(0);
      square.fill(0);
      for (let i = 0; i < size; i++) {
        low[i] = -huberCorner * s[i];
        high[i] = huberCorner * s[i];
      }
      for (let f = 0; f < frames; f++) {
        for (let i = 0, at = f * stride + p0; i < size; i++, at++) {
          let d = samples[at] - m[i];
          if (d < low[i]) d = low[i];
          else if (d > high[i]) d = high[i];
          else if (d !== d) d = 0;
          sum[i] += d;
          square[i] += d * d;
        }
      }
      for (let i = 0; i < size; i++) {
        if (done[i] === 1) continue;
        const step = sum[i] / n[i];
        // Samples without data were counted as zero deviation, which is what they add to both sums.
        const spread = Math.max(0, square[i] - n[i] * step * step) / (n[i] - 1) / huberConsistency;
        const next = Math.max(floor, Math.sqrt(spread));
        const still = Math.abs(step) <= 1e-4 * next && Math.abs(next - s[i]) <= 1e-4 * next;
        m[i] += step;
        s[i] = next;
        if (still || !(next > 0)) {
          done[i] = 1;
          open--;
        }
      }
    }
    for (let i = 0; i < size; i++) {
      const limit = n[i] >= 3 ? limits[n[i]] : 0;
      // Half a float32 step of slack: equal samples must not be told apart by rounding.
      const reach = limit > 0 ? limit * s[i] + Math.abs(m[i]) * 6e-8 : Infinity;
      low[i] = m[i] - reach;
      high[i] = m[i] + reach;
    }
    markOutside(strip, p0, size, low, high, n, m, verdicts);
  }
}

/** Verdicts from an interval a pixel, widened where it would leave too few samples. */
function markOutside(
  strip: Strip,
  p0: number,
  size: number,
  low: Float64Array,
  high: Float64Array,
  n: Float64Array,
  centre: Float64Array,
  verdicts: Uint8Array,
): void {
  const { samples, frames, stride } = strip;
  const kept = new Int32Array(size);
  for (let f = 0; f < frames; f++) {
    for (let i = 0, at = f * stride + p0; i < size; i++, at++) {
      const x = samples[at];
      const v = x < low[i] ? verdict.dimmer : x > high[i] ? verdict.brighter : x === x ? verdict.keep : verdict.missing;
      verdicts[at] = v;
      if (v === verdict.keep) kept[i]++;
    }
  }
  for (let i = 0; i < size; i++) {
    if (kept[i] < leastKept(n[i])) keepNearest(strip, p0 + i, centre[i], leastKept(n[i]), verdicts);
  }
}

/** Keep at least `least` samples of one pixel: those nearest to the centre, ties included. */
function keepNearest(strip: Strip, p: number, centre: number, least: number, verdicts: Uint8Array): void {
  const { samples, frames, stride } = strip;
  const distances: number[] = [];
  for (let f = 0; f < frames; f++) {
    const x = samples[f * stride + p];
    if (x === x) distances.push(Math.abs(x - centre));
  }
  distances.sort((a, b) => a - b);
  const reach = distances[least - 1];
  for (let f = 0; f < frames; f++) {
    const at = f * stride + p, x = samples[at];
    if (Math.abs(x - centre) <= reach) verdicts[at] = verdict.keep;
  }
}

/** What the sensor and the air do to a sample, frame by frame, in the unit of the strip. */
export interface NoiseModel {
  /** Variance of the sky in each frame. */
  readonly skyVariance: Float64Array;
  /** Variance added for each unit of light above the sky: scale / electronsPerAdu of the frame. */
  readonly perUnit: Float64Array;
  /** Level of the sky that `skyVariance` holds for. */
  readonly sky: number;
  /** Share by which the light of a star's core changes from frame to frame with seeing and guiding. */
  readonly seeing: number;
}

/**
 * The sensor-noise test, for too few samples to judge their scatter: a sample is left out when it differs from the median
 * by more than `limit` times what the noise model allows for that level. Of two samples that differ by more than `pairLimit`
 * times the noise of their difference the brighter is left out, because what comes and goes in the sky is bright. A model
 * without noise says nothing and leaves nothing out.
 *
 * @param strip the samples
 * @param model noise of each frame
 * @param limit in sigma
 * @param pairLimit in sigma of the difference of two samples
 * @param most pixels with more samples than this are left alone
 * @param verdicts receives the verdicts of the pixels it judges
 */
export function noiseVerdicts(
  strip: Strip,
  model: NoiseModel,
  limit: number,
  pairLimit: number,
  most: number,
  verdicts: Uint8Array,
): void {
  const { samples, frames, stride, count } = strip;
  const values = new Float64Array(frames), which = new Int32Array(frames);
  for (let p = 0; p < count; p++) {
    let n = 0;
    for (let f = 0; f < frames; f++) {
      const x = samples[f * stride + p];
      if (x === x) {
        // Insertion keeps the few values sorted.
        let k = n++;
        for (; k > 0 && values[k - 1] > x; k--) {
          values[k] = values[k - 1];
          which[k] = which[k - 1];
        }
        values[k] = x;
        which[k] = f;
      }
    }
    if (n > most) continue;
    let last = 0;
    for (let f = 0; f < frames; f++) {
      const x = samples[f * stride + p];
      verdicts[f * stride + p] = x === x ? verdict.keep : verdict.missing;
    }
    if (n < 2) continue;
    const half = n >> 1;
    const centre = n === 2 ? values[0] : n % 2 === 1 ? values[half] : (values[half - 1] + values[half]) / 2;
    const light = Math.max(0, centre - model.sky), air = model.seeing * light;
    const variance = (f: number) => model.skyVariance[f] + model.perUnit[f] * light + air * air;
    if (n === 2) {
      const allowed = pairLimit * Math.sqrt(variance(which[0]) + variance(which[1]));
      if (allowed > 0 && values[1] - values[0] > allowed) verdicts[which[1] * stride + p] = verdict.brighter;
      continue;
    }
    for (let k = 0; k < n; k++) {
      const d = values[k] - centre, allowed = limit * Math.sqrt(variance(which[k]));
      if (!(allowed > 0 && Math.abs(d) > allowed)) continue;
      verdicts[which[k] * stride + p] = d < 0 ? verdict.dimmer : verdict.brighter;
      last++;
    }
    if (n - last < leastKept(n)) keepNearest(strip, p, centre, leastKept(n), verdicts);
  }
}

/**
 * Close trails: in each frame a kept sample with at least `least` of its 8 neighbours left out as brighter is left out as
 * well, which takes the faint edge of a satellite's or a cosmic ray's trail. A pixel that would keep too few samples is left
 * as it was, for all frames.
 *
 * @param width columns of the tile; the tile has count / width rows
 * @returns number of samples left out in addition
 */
export function closeTrails(strip: Strip, width: number, least: number, verdicts: Uint8Array): number {
  const { frames, stride, count } = strip;
  const height = count / width, faint = 4;
  const kept = new Uint16Array(count), seen = new Uint16Array(count);
  let any = false;
  for (let f = 0; f < frames; f++) {
    const base = f * stride;
    for (let p = 0; p < count; p++) {
      const v = verdicts[base + p];
      if (v !== verdict.missing) seen[p]++;
      if (v !== verdict.brighter) continue;
      // Neighbours of a bright sample are the only candidates.
      const x = p % width, y = (p - x) / width;
      for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
        for (let i = Math.max(0, x - 1); i <= Math.min(width - 1, x + 1); i++) {
          const q = j * width + i;
          if (verdicts[base + q] !== verdict.keep) continue;
          let bright = 0;
          for (let b = Math.max(0, j - 1); b <= Math.min(height - 1, j + 1); b++) {
            for (let a = Math.max(0, i - 1); a <= Math.min(width - 1, i + 1); a++) {
              if (verdicts[base + b * width + a] === verdict.brighter) bright++;
            }
          }
          if (bright >= least) {
            verdicts[base + q] = faint;
            any = true;
          }
        }
      }
    }
  }
  if (!any) return 0;
  let total = 0;
  for (let f = 0; f < frames; f++) {
    for (let p = 0, at = f * stride; p < count; p++, at++) if (verdicts[at] === verdict.keep) kept[p]++;
  }
  for (let f = 0; f < frames; f++) {
    for (let p = 0, at = f * stride; p < count; p++, at++) {
      if (verdicts[at] !== faint) continue;
      const enough = kept[p] >= leastKept(seen[p]);
      verdicts[at] = enough ? verdict.brighter : verdict.keep;
      if (enough) total++;
    }
  }
  return total;
}

/** Sums over the kept samples of a tile, one value a pixel, for one half of the frames. */
export interface Sums {
  /** Σ w (x − pivot). */
  readonly value: Float64Array;
  /** Σ w. */
  readonly weight: Float64Array;
  /** Σ w². */
  readonly weight2: Float64Array;
  /** Σ w² (x − pivot). */
  readonly value2: Float64Array;
  /** Σ w² (x − pivot)². */
  readonly square2: Float64Array;
  /** Kept samples. */
  readonly kept: Float64Array;
}

/** Empty sums for `count` pixels. */
export function createSums(count: number): Sums {
  const make = () => new Float64Array(count);
  return { value: make(), weight: make(), weight2: make(), value2: make(), square2: make(), kept: make() };
}

/**
 * Add the kept samples of frames start, start + step … to the sums.
 *
 * @param pivot a value near the samples, one a pixel, that keeps the squares small
 * @param weights weight of each frame
 */
export function addKept(
  strip: Strip,
  verdicts: Uint8Array,
  weights: Float64Array,
  pivot: Float32Array,
  start: number,
  step: number,
  sums: Sums,
): void {
  const { samples, frames, stride, count } = strip;
  const { value, weight, weight2, value2, square2, kept } = sums;
  for (let f = start; f < frames; f += step) {
    const w = weights[f], w2 = w * w;
    for (let p = 0, at = f * stride; p < count; p++, at++) {
      if (verdicts[at] !== verdict.keep) continue;
      const d = samples[at] - pivot[p];
      value[p] += w * d;
      weight[p] += w;
      weight2[p] += w2;
      value2[p] += w2 * d;
      square2[p] += w2 * d * d;
      kept[p] += 1;
    }
  }
}
