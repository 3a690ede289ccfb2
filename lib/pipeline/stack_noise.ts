/** Whether a stack is as deep as its frames promise: the noise of two independent halves against the sum of weights. */
import type { Image } from "../core/image.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { type CheckedLight, starFluxRatio } from "./check_lights.ts";

/** Noise of a stack, in its unit. */
export interface StackNoise {
  /** A typical frame, before resampling. */
  readonly frame: number;
  /** What the frames and their weights promise for a pixel of the stack. */
  readonly expected: number;
  /** Measured from the two halves; null for a single frame. */
  readonly measured: number | null;
}

/**
 * Mean over all positions between pixels of the standard deviation that Lanczos-3 interpolation leaves of white noise:
 * the root of the variance factor 0.798 in two dimensions (sum of squared weights, averaged over the phase).
 */
const interpolationFactor = Math.sqrt(0.79811);

/** Differences taken for the noise: enough for 1 %, spread evenly. */
const mostSamples = 40_000;

/** Half the difference of two halves, thinned. */
function halfDifferences(a: Image, b: Image, coverage: Image, plane: number): number[] {
  const first = a.planes[plane].data;
  const second = b.planes[plane].data;
  const [{ data: count }] = coverage.planes;
  const most = count.reduce((high, n) => n > high ? n : high, 0);
  const step = Math.max(1, Math.floor(first.length / mostSamples));
  const found: number[] = [];
  for (let p = 0; p < first.length; p += step) {
    const half = (first[p] - second[p]) / 2;
    if (half === half && count[p] === most) found.push(half);
  }
  return found;
}

/**
 * Noise of a stack; of a colour stack its green plane, on which the frames were measured.
 *
 * @param lights frames of the stack
 * @param planes planes of the stack
 * @param read gives the stack's halves and coverage; null for a single frame
 */
export function stackNoise(
  lights: readonly CheckedLight[],
  planes: number,
  read: ((part: "half-a" | "half-b" | "coverage") => Image) | null,
): StackNoise {
  const reference = lights.reduce((a, b) => b.weight > a.weight ? b : a);
  let weights = 0;
  let squares = 0;
  const scaled = lights.map((each) => (each.quality?.noise ?? NaN) * starFluxRatio(reference) / starFluxRatio(each));
  lights.forEach((each, at) => {
    weights += each.weight;
    squares += (each.weight * scaled[at]) ** 2;
  });
  const plane = planes === 3 ? 1 : 0;
  const differences = read === null ? [] : halfDifferences(read("half-a"), read("half-b"), read("coverage"), plane);
  return {
    frame: median(scaled),
    expected: interpolationFactor * Math.sqrt(squares) / weights,
    measured: differences.length === 0 ? null : madSigma(differences),
  };
}
