/** What defocus makes of a picture. */
import type { Raster } from "../core/raster.ts";
import { square } from "./square.ts";

/** Weight of a pixel of the defocused image of a point. */
export interface DefocusTap {
  /** Offset along x, pixels. */
  readonly dx: number;
  /** Offset along y, pixels. */
  readonly dy: number;
  /** Weight; the weights add up to 1. */
  readonly weight: number;
}

/** Ring of defocus: evenly bright between obstruction × radius and radius, edges antialiased, sum 1. */
export function defocusRing(radius: number, obstruction: number): DefocusTap[] {
  const reach = Math.ceil(radius + 0.5);
  const fine = 8;
  const taps: DefocusTap[] = [];
  let total = 0;
  for (let dy = -reach; dy <= reach; dy++) {
    for (let dx = -reach; dx <= reach; dx++) {
      let weight = 0;
      for (let j = 0; j < fine; j++) {
        for (let i = 0; i < fine; i++) {
          const r2 = square(dx + (i + 0.5) / fine - 0.5) + square(dy + (j + 0.5) / fine - 0.5);
          if (r2 <= radius * radius && r2 >= square(obstruction * radius)) weight += 1;
        }
      }
      if (weight > 0) taps.push({ dx, dy, weight });
      total += weight;
    }
  }
  return taps.map((tap) => ({ ...tap, weight: tap.weight / total }));
}

/** Convolution of a raster, its margin of `pad` pixels cut off. */
export function convolveCut(padded: Raster, pad: number, taps: readonly DefocusTap[]): Float32Array {
  const width = padded.width - 2 * pad;
  const height = padded.height - 2 * pad;
  const out = new Float32Array(width * height);
  for (const { dx, dy, weight } of taps) {
    for (let y = 0; y < height; y++) {
      let from = (y + pad - dy) * padded.width + pad - dx;
      for (let at = y * width; at < (y + 1) * width; at++, from++) out[at] += weight * padded.data[from];
    }
  }
  return out;
}
