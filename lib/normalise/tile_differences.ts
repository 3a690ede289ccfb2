/** How far a frame lies above its reference, tile by tile. */
import { applyTransform, identityTransform, type Transform } from "../core/transform.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianErrorFactor } from "../stats/median_error.ts";
import { medianInPlace } from "../stats/samples.ts";
import { type ChannelReader, sampleAt } from "./channel_reader.ts";
import type { ReferencePlane } from "./prepare_normalisation.ts";

/** Level of one tile's difference. */
export interface TileLevel {
  /** Mean reference column of its samples. */
  readonly x: number;
  /** Mean reference row of its samples. */
  readonly y: number;
  /** Median difference, reference unit. */
  readonly level: number;
  /** Its error. */
  readonly error: number;
}

/** Samples of a tile that lie farther from its median than this are no sky of both frames, sigma. */
const clipSigma = 3;

/** Median and its error of the first `n` differences, outliers cut; `work` is as long. */
function clippedMedian(
  differences: Float32Array,
  work: Float32Array,
  n: number,
): { readonly level: number; readonly error: number } {
  let level = medianInPlace(differences, n);
  let sigma = 0;
  let left = n;
  for (let iteration = 0; iteration < 2; iteration++) {
    for (let k = 0; k < left; k++) work[k] = Math.abs(differences[k] - level);
    sigma = madSigmaFactor * medianInPlace(work, left);
    let kept = 0;
    for (let k = 0; k < left; k++) {
      if (Math.abs(differences[k] - level) <= clipSigma * sigma) differences[kept++] = differences[k];
    }
    if (kept === left || kept === 0) break;
    left = kept;
    level = medianInPlace(differences, left);
  }
  return { level, error: medianErrorFactor * sigma / Math.sqrt(left) };
}

/** Samples in the fullest tile of a plane. */
export const fullestTile = ({ start }: ReferencePlane): number =>
  start.reduce((best, each, t) => Math.max(best, t === 0 ? 0 : each - start[t - 1]), 0);

/**
 * Median differences of the tiles of one plane, frame × factor less reference; outliers (trails, stars that differ in
 * seeing, cosmic rays) are cut.
 *
 * @param inverse reference pixel → frame pixel; the identity itself when the frame lies on the reference's grid
 * @param scaleAt factor at a place of the reference
 * @param minimumSamples samples that a tile must have to count
 */
export function tileDifferences(
  reader: ChannelReader,
  plane: ReferencePlane,
  inverse: Transform,
  scaleAt: (x: number, y: number) => number,
  minimumSamples: number,
): TileLevel[] {
  const { x, y, value, start } = plane;
  const levels: TileLevel[] = [];
  const most = Math.max(1, fullestTile(plane));
  const differences = new Float32Array(most);
  const work = new Float32Array(most);
  const still = inverse === identityTransform;
  const straight = inverse.kind === "similarity" || inverse.kind === "affine" ? inverse.matrix : null;
  for (let t = 0; t + 1 < start.length; t++) {
    let n = 0;
    let sumX = 0;
    let sumY = 0;
    const scale = start[t + 1] > start[t] ? scaleAt(x[start[t]], y[start[t]]) : 1;
    for (let k = start[t]; k < start[t + 1]; k++) {
      let px = x[k];
      let py = y[k];
      if (straight !== null && !still) {
        const rx = px;
        const ry = py;
        px = Math.round(straight[0] * rx + straight[1] * ry + straight[2]);
        py = Math.round(straight[3] * rx + straight[4] * ry + straight[5]);
      } else if (!still) {
        const p = applyTransform(inverse, px, py);
        px = Math.round(p.x);
        py = Math.round(p.y);
      }
      const sample = sampleAt(reader, px, py);
      if (sample !== sample) continue;
      differences[n++] = scale * sample - value[k];
      sumX += x[k];
      sumY += y[k];
    }
    if (n < minimumSamples) continue;
    levels.push({ x: sumX / n, y: sumY / n, ...clippedMedian(differences, work, n) });
  }
  return levels;
}
