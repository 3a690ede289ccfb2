/** The normalisation of a frame at its own samples, for stacks that do not interpolate. */
import type { Region } from "../core/geometry.ts";
import { evaluateNormalisation, type NormalisationSurface } from "../core/normalisation.ts";
import { applyTransform } from "../core/transform.ts";
import type { FrameTask } from "./tile_plan.ts";

/** Distance of the places where a surface is evaluated exactly, pixels of the frame. */
const step = 8;

/** Scale and offset of one plane at every {@linkcode step}-th sample of a region, in pairs, row by row. */
function normalisationNodes(
  frame: FrameTask,
  surface: NormalisationSurface,
  region: Region,
  plane: number,
): Float64Array {
  const across = Math.ceil(region.width / step) + 1;
  const down = Math.ceil(region.height / step) + 1;
  const scale = new Float32Array(1);
  const offset = new Float32Array(1);
  const nodes = new Float64Array(2 * across * down);
  for (let j = 0, k = 0; j < down; j++) {
    for (let i = 0; i < across; i++, k += 2) {
      const at = applyTransform(frame.transform, region.x + i * step, region.y + j * step);
      evaluateNormalisation(surface, plane, { ...at, step: 1, width: 1, height: 1 }, scale, offset);
      nodes[k] = scale[0];
      nodes[k + 1] = offset[0];
    }
  }
  return nodes;
}

/** Scale and offset at the samples of a region. */
export interface SampleNormalisation {
  /** Factors, row by row. */
  readonly scale: Float32Array;
  /** Offsets, unit of the reference. */
  readonly offset: Float32Array;
}

/**
 * Scale and offset at the samples of a region, from the surface on the reference: exact every 8 pixels, linear
 * between. One entry a plane.
 */
export function normalisationOnFrame(
  frame: FrameTask,
  surface: NormalisationSurface,
  region: Region,
  planes: number,
): SampleNormalisation[] {
  const across = Math.ceil(region.width / step) + 1;
  return Array.from({ length: planes }, (_, plane) => {
    const scale = new Float32Array(region.width * region.height);
    const offset = new Float32Array(region.width * region.height);
    const nodes = normalisationNodes(frame, surface, region, plane);
    for (let y = 0, p = 0; y < region.height; y++) {
      const j = Math.floor(y / step);
      const v = (y - j * step) / step;
      for (let x = 0; x < region.width; x++, p++) {
        const i = Math.floor(x / step);
        const u = (x - i * step) / step;
        const k = 2 * (j * across + i);
        const l = k + 2 * across;
        scale[p] = (1 - v) * ((1 - u) * nodes[k] + u * nodes[k + 2]) + v * ((1 - u) * nodes[l] + u * nodes[l + 2]);
        offset[p] = (1 - v) * ((1 - u) * nodes[k + 1] + u * nodes[k + 3]) +
          v * ((1 - u) * nodes[l + 1] + u * nodes[l + 3]);
      }
    }
    return { scale, offset };
  });
}
