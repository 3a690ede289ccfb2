/** Cutting a canvas into tiles that a worker can hold for all frames at once. */
import type { Region } from "../core/geometry.ts";
import type { Matrix3 } from "../core/transform.ts";

/** What the shape of tiles depends on. */
export interface TileDemand {
  /** Columns of the canvas. */
  readonly width: number;
  /** Rows of the canvas. */
  readonly height: number;
  /** Pixels that fit into a worker's memory. */
  readonly pixels: number;
  /** Linear parts of the maps canvas → frame, a sample of the frames. */
  readonly maps: readonly Matrix3[];
  /** Pixels of margin each side that frames are read with. */
  readonly margin: number;
  /** Columns of a frame when each of its rows is compressed as a whole, else 0. */
  readonly wholeRows: number;
}

/** Work a row of a region costs beyond its pixels, in pixels: one positioned read. */
const rowCost = 200;

/**
 * Tiles of one size (smaller at the right and lower edge), row by row: whole-width bands while the frames lie
 * straight, squarer ones when they are turned, because a thin band of a turned field touches many times the input that
 * a square does.
 */
export function planTiles(demand: TileDemand): Region[] {
  const { width, height, pixels, maps, margin, wholeRows } = demand;
  let best = { cost: Infinity, w: width, h: height };
  for (let parts = 1; parts <= width; parts++) {
    const w = Math.ceil(width / parts);
    const h = Math.min(height, Math.floor(pixels / (w + 4)) - 4);
    if (h < 1) continue;
    let cost = 0;
    for (const [a, b, , c, d] of maps) {
      const wide = (w + 4) * Math.abs(a) + (h + 4) * Math.abs(b) + 2 * margin;
      const tall = (w + 4) * Math.abs(c) + (h + 4) * Math.abs(d) + 2 * margin;
      // Resampling and judging cost some times what reading and calibrating do.
      cost += (wide * tall + 3 * (w + 4) * (h + 4) + tall * (rowCost + wholeRows * 0.5)) / (w * h);
    }
    if (cost < best.cost * 0.999) best = { cost, w, h };
    if (w < h / 4 || w < 16) break;
  }
  if (best.cost === Infinity) best = { cost: 0, w: Math.min(width, 16), h: 1 };
  const tiles: Region[] = [];
  for (let y = 0; y < height; y += best.h) {
    for (let x = 0; x < width; x += best.w) {
      tiles.push({ x, y, width: Math.min(best.w, width - x), height: Math.min(best.h, height - y) });
    }
  }
  return tiles;
}
