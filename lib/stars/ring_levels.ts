/** What the sky mesh left under each candidate, from the ring around it. */
import { type Grid, ringMedians } from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianErrorFactor } from "../stats/median_error.ts";
import { medianInPlace } from "../stats/samples.ts";
import { type Ellipse, longVariance } from "./ellipse.ts";
import type { SearchField } from "./search_field.ts";

/** A place in the frame. */
interface Place {
  readonly x: number;
  readonly y: number;
}

/** Error of the sky mesh under the candidates of a frame. */
export interface SkyResiduals {
  /** What to add to the sky under each candidate. */
  readonly offsets: Float64Array;
  /** Standard deviation of the sky's error that is left; 0 where there is no nebula. */
  readonly error: number;
}

/** Samples of a ring. */
const ringSamples = 16;

/** Places on a ring of a radius, x and y in turn, in whole samples. */
const ringPlaces = (radius: number): Int32Array =>
  Int32Array.from(
    { length: 2 * ringSamples },
    (_, k) => Math.round(radius * (k & 1 ? Math.sin : Math.cos)((k >> 1) * Math.PI / 8)),
  );

/** Median of the samples of a ring that lie in the grid; 0 if they are fewer than six. */
function cutRingLevel(grid: Grid, { x: x0, y: y0 }: Place, ring: Int32Array, scratch: Float64Array): number {
  const { width, height, data } = grid;
  let n = 0;
  for (let k = 0; k < 2 * ringSamples; k += 2) {
    const x = x0 + ring[k];
    const y = y0 + ring[k + 1];
    if (x < 0 || y < 0 || x >= width || y >= height) continue;
    // So few numbers are sorted fastest by putting each where it belongs.
    const v = data[y * width + x];
    let i = n++;
    for (; i > 0 && scratch[i - 1] > v; i--) scratch[i] = scratch[i - 1];
    scratch[i] = v;
  }
  return n < 6 ? 0 : n & 1 ? scratch[n >> 1] : (scratch[n / 2 - 1] + scratch[n / 2]) / 2;
}

/** Median of the ring around each of many places of the frame. */
function ringLevels(grid: Grid, places: readonly Place[], ring: Int32Array): Float64Array {
  const { width, height } = grid;
  const reach = Math.max(...ring);
  const levels = new Float64Array(places.length);
  const whole: number[] = [];
  const centres: number[] = [];
  const scratch = new Float64Array(ringSamples);
  for (let k = 0; k < places.length; k++) {
    const x = Math.round((places[k].x - 0.5) / 2);
    const y = Math.round((places[k].y - 0.5) / 2);
    if (Math.min(x, y, width - 1 - x, height - 1 - y) < reach) levels[k] = cutRingLevel(grid, { x, y }, ring, scratch);
    else {
      whole.push(k);
      centres.push(y * width + x);
    }
  }
  const offsets = Int32Array.from({ length: ringSamples }, (_, i) => ring[2 * i + 1] * width + ring[2 * i]);
  const medians = ringMedians(grid, Int32Array.from(centres), offsets);
  for (let i = 0; i < whole.length; i++) levels[whole[i]] = (medians[2 * i] + medians[2 * i + 1]) / 2;
  return levels;
}

/**
 * What the sky mesh left under each candidate: its ring is believed as far as the rings of the frame scatter more than
 * their noise, and wholly where it lies three standard deviations off.
 *
 * @param ground the 2 × 2 means, sky taken off
 * @param shape of the frame's stars
 */
export function skyResiduals(
  { sky }: SearchField,
  ground: Grid,
  places: readonly Place[],
  shape: Ellipse,
): SkyResiduals {
  const radius = Math.max(3, 5 * Math.sqrt(longVariance(shape)) / 2);
  const rings = ringLevels(ground, places, ringPlaces(radius));
  const noise = medianErrorFactor * sky.gridNoise / Math.sqrt(ringSamples);
  const scatter = madSigmaFactor * medianInPlace(rings.map(Math.abs));
  const excess2 = Math.max(0, scatter * scatter - noise * noise);
  const trust = excess2 / (excess2 + noise * noise);
  const far = 3 * Math.sqrt(excess2 + noise * noise);
  return {
    offsets: rings.map((each) => Math.abs(each) > far ? each : trust * each),
    error: sky.structured ? Math.sqrt(excess2 * (1 - trust)) : 0,
  };
}
