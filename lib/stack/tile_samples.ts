/** The samples of one region of a frame: read, calibrated, repaired, in the colours of the stack. */
import type { Region } from "../core/geometry.ts";
import { maskBit } from "../core/mask.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { readRegion, readShortsFrom, type RegionSource } from "../io/read_region.ts";
import { correctSamples, shortAt } from "../kernels/correct.ts";
import { demosaicTile, limitRings, redPosition, repairReach, repairTile } from "../kernels/mosaic.ts";
import { type WarpKernel, warpReach } from "../kernels/warp_tile.ts";
import type { FrameTask } from "./tile_plan.ts";

/** Pixels around a tile's places that a frame must give: the warp's taps, the demosaic's, and those of a repair. */
export function marginOf(frame: FrameTask, kernel: WarpKernel): number {
  const mosaic = frame.bayer !== null;
  const repairs = frame.correction !== null;
  return warpReach(kernel) + 1 + (mosaic ? 2 : 0) + (repairs ? repairReach * (mosaic ? 2 : 1) : 0);
}

/** Planes for the samples of a region, used again from frame to frame of a tile: regions differ by a few rows. */
export class RegionPlanes {
  readonly #planes: Float32Array[] = [];

  /** Plane `index` with room for at least `size` samples; its content is arbitrary. */
  take(index: number, size: number): Float32Array {
    const old = this.#planes[index];
    if (old === undefined || old.length < size) {
      if (old !== undefined) returnPlane(old);
      // Rounded up, so that sizes which differ little are one size to the memory's keeper.
      this.#planes[index] = borrowPlane(Math.ceil(1.02 * size / 65_536) * 65_536);
    }
    return this.#planes[index].subarray(0, size);
  }

  /** Give everything back. */
  release(): void {
    for (const each of this.#planes) if (each !== undefined) returnPlane(each);
    this.#planes.length = 0;
  }
}

function readPlane(frame: FrameTask, region: Region, plane: number, room: RegionPlanes): Float32Array {
  const size = region.width * region.height;
  const out = room.take(plane, size);
  if (!Array.isArray(frame.pixels)) return readRegion(frame.pixels as RegionSource, region, plane, out);
  const data: Float32Array = frame.pixels[plane];
  for (let y = 0; y < region.height; y++) {
    const from = (region.y + y) * frame.width + region.x;
    out.set(data.subarray(from, from + region.width), y * region.width);
  }
  return out;
}

/** First of `count` raw samples from `p` on that reaches the level; `count` when none does. */
function nextSaturated(raw: Float32Array | Uint8Array, level: number, p: number, count: number): number {
  if (raw instanceof Uint8Array) {
    // the upper byte tells for nearly all of them
    const upper = level > 65_535 ? 256 : Math.max(0, Math.ceil(level)) >> 8;
    for (; p < count; p++) if ((raw[2 * p] ^ 0x80) >= upper && shortAt(raw, p) >= level) return p;
    return count;
  }
  while (p < count && !(raw[p] >= level)) p++;
  return p;
}

/** Bits of the region: saturated raw samples. null when there is none. */
function saturatedBits(frame: FrameTask, region: Region, raw: Float32Array | Uint8Array): Uint8Array | null {
  const level = frame.correction?.saturationLevel ?? null;
  const size = region.width * region.height;
  let bits: Uint8Array | null = null;
  const mark = (p: number) => {
    bits ??= new Uint8Array(size);
    bits[p] = maskBit.saturated;
  };
  if (level !== null) {
    for (let p = nextSaturated(raw, level, 0, size); p < size; p = nextSaturated(raw, level, p + 1, size)) mark(p);
  }
  if (frame.mask !== null) {
    for (let y = 0, p = 0; y < region.height; y++) {
      const row = (region.y + y) * frame.width + region.x;
      for (let x = 0; x < region.width; x++, p++) if ((frame.mask[row + x] & maskBit.saturated) !== 0) mark(p);
    }
  }
  return bits;
}

/** Defects of a region. */
export function defectsOf(frame: FrameTask, region: Region): Uint8Array | null {
  const defects = frame.correction?.defects ?? null;
  if (defects === null) return null;
  const out = new Uint8Array(region.width * region.height);
  for (let y = 0; y < region.height; y++) {
    const from = (region.y + y) * frame.width + region.x;
    out.set(defects.subarray(from, from + region.width), y * region.width);
  }
  return out;
}

/** Calibrated samples of one stored plane of a region, defects and all, and its saturated ones. */
export function rawPlane(
  frame: FrameTask,
  region: Region,
  plane: number,
  room: RegionPlanes,
): { readonly samples: Float32Array; readonly saturated: Uint8Array | null } {
  const { correction } = frame;
  if (correction !== null && !Array.isArray(frame.pixels)) {
    // Decoded and calibrated in one where the file holds what cameras write.
    const size = region.width * region.height;
    const half = room.take(4, Math.ceil(size / 2));
    const bytes = new Uint8Array(half.buffer, half.byteOffset, 2 * size);
    if (readShortsFrom(frame.pixels as RegionSource, region, plane, bytes)) {
      const samples = room.take(plane, size);
      const saturated = saturatedBits(frame, region, bytes);
      correctSamples(bytes, correction, region, samples);
      return { samples, saturated };
    }
  }
  const samples = readPlane(frame, region, plane, room);
  const saturated = saturatedBits(frame, region, samples);
  if (correction !== null) correctSamples(samples, correction, region, samples);
  return { samples, saturated };
}

/**
 * Calibrated planes of a region of one frame, in the colours of the stack.
 *
 * @param bits receives the mask of each plane that has saturated samples
 */
export function preparedPlanes(
  frame: FrameTask,
  region: Region,
  room: RegionPlanes,
  bits: (found: Uint8Array) => void,
): Float32Array[] {
  const { correction, bayer } = frame;
  const { width, height } = region;
  if (bayer === null) {
    return Array.from({ length: frame.planes }, (_, plane) => {
      const { samples, saturated } = rawPlane(frame, region, plane, room);
      if (saturated !== null) bits(saturated);
      if (correction !== null) repairTile(samples, width, height, defectsOf(frame, region), 255, 1);
      return samples;
    });
  }
  const { samples: raw, saturated } = rawPlane(frame, region, 0, room);
  if (saturated !== null) bits(saturated);
  if (correction !== null) repairTile(raw, width, height, defectsOf(frame, region), 255, 2);
  const red = redPosition(bayer);
  const size = width * height;
  const rx = (red.x + region.x) & 1;
  const ry = (red.y + region.y) & 1;
  const planes: [Float32Array, Float32Array, Float32Array] = [
    room.take(1, size),
    room.take(2, size),
    room.take(3, size),
  ];
  demosaicTile(raw, width, height, rx, ry, "gradient", ...planes);
  if (saturated !== null) limitRings(raw, width, height, rx, ry, saturated, maskBit.saturated, planes);
  return planes;
}
