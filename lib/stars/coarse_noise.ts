/** Noise where a sensor counts in steps greater than it: most counts are alike there, and no median tells it. */
import type { Raster } from "../core/raster.ts";
import type { Sampling } from "../core/sampling.ts";
import type { Grid, Mesh } from "../kernels/detection.ts";
import { medianInPlace } from "../stats/samples.ts";
import { sigmaClip } from "../stats/sigma_clip.ts";

/** About so many samples tell the step, and so many bends the noise, evenly spread over the plane. */
const stepSamples = 4096;
const noiseSamples = 200_000;

/** A cut nearer than this takes whole steps off. */
const cutSigmas = 5;

/** Terms of the series of what rounding hides, and halvings of the range that the noise lies in. */
const hiddenTerms = 50;
const halvings = 40;

/**
 * The step of counts: the smallest difference of two different samples, when every sample lies a whole number
 * of steps from the lowest; NaN where they do not, or where all are alike.
 */
export function stepOfCounts(data: Float32Array): number {
  const stride = Math.max(1, Math.floor(data.length / stepSamples) | 1);
  const known: number[] = [];
  for (let i = 0; i < data.length; i += stride) if (Number.isFinite(data[i])) known.push(data[i]);
  known.sort((a, b) => a - b);
  let step = Infinity;
  for (let i = 1; i < known.length; i++) {
    if (known[i] > known[i - 1]) step = Math.min(step, known[i] - known[i - 1]);
  }
  return known.every((v) => Number.isInteger((v - known[0]) / step)) && Number.isFinite(step) ? step : NaN;
}

/** Mean square, in squared steps, of the rounding error that neighbours of like level share, for a variance in them. */
function hiddenByRounding(variance: number): number {
  let hidden = 0;
  for (let k = 1; k <= hiddenTerms; k++) {
    hidden += Math.exp(-4 * Math.PI ** 2 * k * k * variance) / (2 * Math.PI ** 2 * k * k);
  }
  return hidden;
}

/**
 * Noise of a pixel with its rounding, from the scatter of neighbours after it. Rounding adds step² / 12, of which
 * neighbours of like level do not show Σ step² / (2 π² k²) exp(−4 π² k² σ² / step²) (Fourier series of the rounding
 * error, averaged over levels; Widrow 1956, IRE Trans. CT-3, 266, from memory).
 */
export function noiseWithRounding(scatter: number, step: number): number {
  const seen = (scatter / step) ** 2;
  let low = 0;
  let high = seen;
  for (let i = 0; i < halvings; i++) {
    const variance = (low + high) / 2;
    if (variance + 1 / 12 - hiddenByRounding(variance) < seen) low = variance;
    else high = variance;
  }
  return step * Math.sqrt(low + 1 / 12);
}

/** Scatter of a sample by the bends 2 v − left − right, to which slopes do not add. */
export function scatterOfBends({ data, width, height }: Raster): number {
  const stride = Math.max(1, Math.floor(width * height / noiseSamples));
  const bends: number[] = [];
  for (let y = 0; y < height; y += stride) {
    for (let i = y * width + 1; i < (y + 1) * width - 1; i++) bends.push(2 * data[i] - data[i - 1] - data[i + 1]);
  }
  return sigmaClip(bends, { rejectBelow: cutSigmas, rejectAbove: cutSigmas }).sdCorrected / Math.sqrt(6);
}

/**
 * A mesh with its noise set right where counts come in steps greater than it; as it is elsewhere.
 *
 * @param grid the 2 × 2 means that the mesh was measured on
 * @param noiseRatio noise of a pixel over that of a sample of the grid
 */
export function withCoarseNoise(mesh: Mesh, grid: Grid, sampling: Sampling, noiseRatio: number): Mesh {
  const typical = medianInPlace(mesh.noise.filter((v) => v === v));
  const step = stepOfCounts(sampling.data);
  if (!(step > noiseRatio * typical)) return mesh;
  const noise = noiseWithRounding(noiseRatio * scatterOfBends(grid), step) / noiseRatio;
  return { ...mesh, noise: mesh.noise.map((v) => v === v ? (typical > 0 ? v * noise / typical : noise) : NaN) };
}
