/** Resampling of a whole plane. */
import { borrowPlane, memoryOf, returnPlane } from "../core/memory.ts";
import type { Region } from "../core/geometry.ts";
import type { Transform } from "../core/transform.ts";
import { pack, type Packed, unpack } from "./bands.ts";
import { type KernelKind, kernelKind, setKernelKind } from "./machine.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { warpAt, type WarpKernel } from "./warp_tile.ts";
import { tilePlaces } from "./tile_places.ts";

/** Grid of a resampled plane. */
export interface WarpGrid {
  /** Columns of the result. */
  readonly width: number;
  /** Rows of the result. */
  readonly height: number;
  /** Reference coordinates of pixel (0, 0) of the result. */
  readonly originX: number;
  /** See originX. */
  readonly originY: number;
  /** Reference pixels a pixel of the result. */
  readonly scale: number;
}

interface PlaneShare {
  readonly source: Packed;
  readonly width: number;
  readonly height: number;
  readonly inverse: Transform;
  readonly grid: WarpGrid;
  readonly kernel: WarpKernel;
  readonly slack: number;
  readonly out: Packed;
  readonly kind: KernelKind;
}

interface PlaneTile {
  readonly share: PlaneShare;
  readonly tile: Region;
}

/** Columns and rows of a tile: the part of the source that it needs stays in the cache at any rotation. */
const tileWidth = 512;
const tileHeight = 128;

/** Make one tile; runs in a worker. */
export function warpPlaneTile({ share, tile }: PlaneTile): void {
  const { width, height, inverse, grid, kernel, slack, kind } = share;
  setKernelKind(kind);
  const source = unpack<Float32Array>(share.source);
  const out = unpack<Float32Array>(share.out);
  const x = borrowPlane(tileWidth * tileHeight);
  const y = borrowPlane(tileWidth * tileHeight);
  const from = { x: 0, y: 0, width, height };
  const { originX, originY, scale } = grid;
  const plan = { from, frameWidth: width, frameHeight: height, inverse, to: tile, originX, originY, scale };
  const places = tilePlaces(plan, x, y);
  const start = tile.y * grid.width + tile.x;
  const end = start + (tile.height - 1) * grid.width + tile.width;
  warpAt(source, width, height, places, tile.width, kernel, slack, out.subarray(start, end), grid.width);
  returnPlane(x);
  returnPlane(y);
}
const task: PoolTask<PlaneTile, void> = { module: import.meta.url, name: "warpPlaneTile", run: warpPlaneTile };

/**
 * Resample a plane on all processors: a pixel of the result takes the value at the place in the source that `inverse`
 * leads to; see {@linkcode warpAt} for edges, gaps and `slack`.
 *
 * @param source width × height samples
 * @param inverse reference → source
 * @param grid where the result's pixels lie on the reference
 * @param slack how far a result may fall below the lowest of the four nearest samples, unit of the samples; Infinity
 * for any
 * @param out receives the result; a fresh shared plane if left out
 */
export function warpPlane(
  source: Float32Array,
  width: number,
  height: number,
  inverse: Transform,
  grid: WarpGrid,
  kernel: WarpKernel,
  slack: number = Infinity,
  out: Float32Array = borrowPlane(grid.width * grid.height),
): Float32Array {
  // Workers can only fill memory that is shared with them.
  const inline = memoryOf(out.buffer) === undefined || grid.width * grid.height < 2 * tileWidth * tileHeight;
  const [from, to] = inline ? [source, out] : [pack(source), pack(out)];
  const share: PlaneShare = { source: from, width, height, inverse, grid, kernel, slack, out: to, kind: kernelKind() };
  const tiles: PlaneTile[] = [];
  for (let y = 0; y < grid.height; y += tileHeight) {
    for (let x = 0; x < grid.width; x += tileWidth) {
      const tile = { x, y, width: Math.min(tileWidth, grid.width - x), height: Math.min(tileHeight, grid.height - y) };
      tiles.push({ share, tile });
    }
  }
  parallelMap(task, tiles, { inline });
  return out;
}
