/** Levels of the four pixels of the 2 × 2 block of a mosaic, or of a mono plane. */
import { median } from "../stats/median.ts";

/** Samples a phase that a median is taken of: its error is then below 0.3 % of the pixel-to-pixel scatter. */
const sampleTarget = 262144;

/**
 * Where the samples of a phase lie: columns phase & 1, rows phase >> 1, every `step` pixels; mono has one phase of
 * step 1.
 */
export interface Phases {
  /** Number of phases: 4 for a mosaic, 1 for mono. */
  readonly count: 1 | 4;
  /** Distance of samples of one phase: 2 for a mosaic, 1 for mono. */
  readonly step: 1 | 2;
}

/** Phases of a mosaic or of a mono plane. */
export const phasesOf = (mosaic: boolean): Phases => mosaic ? { count: 4, step: 2 } : { count: 1, step: 1 };

/** Index of the phase of a pixel. */
export const phaseAt = (x: number, y: number, phases: Phases): number => phases.count === 4 ? (y & 1) * 2 + (x & 1) : 0;

/** Median of each phase, of a fixed lattice of at most about 2^18 samples; NaN for a phase without data. */
export function phaseMedians(data: Float32Array, width: number, height: number, mosaic: boolean): number[] {
  const phases = phasesOf(mosaic);
  const { step } = phases;
  const perPhase = width * height / phases.count;
  const thin = Math.max(1, Math.floor(Math.sqrt(perPhase / sampleTarget)));
  return Array.from({ length: phases.count }, (_, phase) => {
    const values: number[] = [];
    for (let y = phase >> 1; y < height; y += step * thin) {
      for (let x = phase & 1; x < width; x += step * thin) values.push(data[y * width + x]);
    }
    return median(values);
  });
}

/** Mean of each phase over all its samples; NaN for a phase without data. */
export function phaseMeans(data: Float32Array, width: number, height: number, mosaic: boolean): number[] {
  const phases = phasesOf(mosaic);
  const sums = new Float64Array(phases.count);
  const counts = new Float64Array(phases.count);
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const value = data[at];
      if (value !== value) continue;
      const phase = phaseAt(x, y, phases);
      sums[phase] += value;
      counts[phase] += 1;
    }
  }
  return Array.from(sums, (sum, phase) => sum / counts[phase]);
}
