/** The strips of a tile: for each plane of the stack every frame's samples, one frame after the other. */
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { evaluateNormalisation, type NormalisationSurface, type ReferenceRaster } from "../core/normalisation.ts";
import { applyTransform } from "../core/transform.ts";
import { warpAt } from "../kernels/warp_tile.ts";
import { sourceRegion, tilePlaces } from "../kernels/tile_places.ts";
import type { FrameFailure, FrameTask, TilePlan } from "./tile_plan.ts";
import { marginOf, preparedPlanes, RegionPlanes } from "./tile_samples.ts";

/** How many samples lie from frame to frame: an odd number of cache lines keeps them out of each other's cache sets. */
export const strideOf = (pixels: number): number => Math.ceil(pixels / 32) * 32 + 16;

/** Where the frame's samples of an area of the canvas lie. */
export const placeOf = (plan: TilePlan, frame: FrameTask, area: Region) => ({
  to: area,
  frameWidth: frame.width,
  frameHeight: frame.height,
  inverse: frame.inverse,
  originX: plan.originX,
  originY: plan.originY,
  scale: plan.scale,
});

/** Saturated samples of a region of a frame. */
interface SaturatedRegion {
  readonly region: Region;
  readonly bits: Uint8Array;
}

/** Count, for each pixel of the area, frames that were saturated there. */
function markSaturated(
  plan: TilePlan,
  frame: FrameTask,
  { region, bits }: SaturatedRegion,
  area: Region,
  counts: Uint16Array,
): void {
  const seen = new Set<number>();
  for (let p = 0; p < bits.length; p++) {
    if (bits[p] === 0) continue;
    const sx = region.x + p % region.width;
    const sy = region.y + Math.floor(p / region.width);
    const at = applyTransform(frame.transform, sx, sy);
    const x = (at.x - plan.originX) / plan.scale - area.x;
    const y = (at.y - plan.originY) / plan.scale - area.y;
    // Every canvas pixel that a saturated sample touches.
    for (let j = Math.ceil(y - 0.75); j <= Math.floor(y + 0.75); j++) {
      for (let i = Math.ceil(x - 0.75); i <= Math.floor(x + 0.75); i++) {
        if (i >= 0 && j >= 0 && i < area.width && j < area.height) seen.add(j * area.width + i);
      }
    }
  }
  for (const p of seen) counts[p]++;
}

/** The points of the reference that the pixels of an area stand for. */
const rasterOf = ({ originX, originY, scale }: TilePlan, area: Region): ReferenceRaster => ({
  x: originX + area.x * scale,
  y: originY + area.y * scale,
  step: scale,
  width: area.width,
  height: area.height,
});

/** Scale and offset of one plane in place. */
function normaliseSamples(
  surface: NormalisationSurface,
  plane: number,
  raster: ReferenceRaster,
  samples: Float32Array,
  work: readonly [Float32Array, Float32Array],
): void {
  const [factor, offset] = work;
  evaluateNormalisation(surface, plane, raster, factor, offset);
  for (let p = 0; p < samples.length; p++) samples[p] = samples[p] * factor[p] + offset[p];
}

/** Planes and columns of work that the frames of a tile share. */
interface FillRoom {
  readonly planes: RegionPlanes;
  readonly columns: Float32Array;
  readonly lines: Float32Array;
  /** Frames that were saturated, for each pixel of the area. */
  readonly saturated: Uint16Array;
  /** Factors and offsets of a normalisation, made when the first frame has one. */
  surface: readonly [Float32Array, Float32Array] | null;
}

/** One frame's samples of an area, one view a plane; NaN where it has none. */
function fillFrame(
  plan: TilePlan,
  frame: FrameTask,
  area: Region,
  views: readonly Float32Array[],
  room: FillRoom,
): void {
  const { kernel } = plan;
  const place = placeOf(plan, frame, area);
  const region = sourceRegion(place, marginOf(frame, kernel));
  if (region === null) {
    for (const view of views) view.fill(NaN);
    return;
  }
  let bits: Uint8Array | null = null;
  const prepared = preparedPlanes(frame, region, room.planes, (found) => bits = found);
  if (bits !== null) markSaturated(plan, frame, { region, bits }, area, room.saturated);
  const places = tilePlaces({ ...place, from: region }, room.columns, room.lines);
  prepared.forEach((samples, plane) => {
    const slack = plan.ringLimit * frame.noise[plane];
    const view = views[plane];
    warpAt(samples, region.width, region.height, places, area.width, kernel, slack, view);
    if (frame.normalisation === null) return;
    room.surface ??= [new Float32Array(view.length), new Float32Array(view.length)];
    normaliseSamples(frame.normalisation, plane, rasterOf(plan, area), view, room.surface);
  });
}

/**
 * Read, calibrate, resample and normalise every frame's samples of an area.
 *
 * @param stride samples from frame to frame, see {@linkcode strideOf}
 * @param strips one a plane of the stack, receive the samples
 * @param saturated receives, for each pixel, the number of frames that were saturated there
 * @returns frames that broke off; `plan.failed` is set for each
 */
export function fillStrips(
  plan: TilePlan,
  area: Region,
  stride: number,
  strips: readonly Float32Array[],
  saturated: Uint16Array,
): FrameFailure[] {
  const count = area.width * area.height;
  const room: FillRoom = {
    planes: new RegionPlanes(),
    columns: borrowPlane(plan.largest),
    lines: borrowPlane(plan.largest),
    saturated,
    surface: null,
  };
  const failures: FrameFailure[] = [];
  plan.frames.forEach((frame, f) => {
    const views = strips.map((strip) => strip.subarray(f * stride, f * stride + count));
    if (plan.failed[f] !== 0) {
      for (const view of views) view.fill(NaN);
      return;
    }
    try {
      fillFrame(plan, frame, area, views, room);
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      plan.failed[f] = 1;
      failures.push({ frame: f, reason: error.message });
      for (const view of views) view.fill(NaN);
    }
  });
  room.planes.release();
  returnPlane(room.columns);
  returnPlane(room.lines);
  return failures;
}
