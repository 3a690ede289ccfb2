/** Smooth random fields in the plane: the grain of clouds and filaments. */
import { cosPortable, sinPortable } from "../kernels/elementary.ts";
import { randomStream } from "../core/random.ts";

/** A field of about −1 … 1 with detail of about unit size. */
export type Field = (x: number, y: number) => number;

/**
 * Gradient noise (Perlin 1985, Computer Graphics 19, 287; fifth-order fade after Perlin 2002), repeating after 256.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { gradientNoise } from "faintlight/simulate";
 *
 * const field = gradientNoise("mist");
 * assert.equal(field(3, 5), 0); // lattice points are zeros of the field
 * assert.equal(field(0.3, 0.7), gradientNoise("mist")(0.3, 0.7));
 * ```
 */
export function gradientNoise(seed: number | string): Field {
  const random = randomStream(`noise ${seed}`);
  const order = new Uint8Array(512);
  const gx = new Float64Array(256);
  const gy = new Float64Array(256);
  for (let i = 0; i < 256; i++) order[i] = i;
  for (let i = 255; i > 0; i--) {
    const j = Math.floor(random.uniform() * (i + 1));
    const kept = order[i];
    order[i] = order[j];
    order[j] = kept;
  }
  for (let i = 0; i < 256; i++) {
    order[i + 256] = order[i];
    gx[i] = 1.5 * cosPortable(2 * Math.PI * (i + 0.5) / 256);
    gy[i] = 1.5 * sinPortable(2 * Math.PI * (i + 0.5) / 256);
  }
  return (x, y) => {
    const fx = Math.floor(x);
    const fy = Math.floor(y);
    const i = fx & 255;
    const j = fy & 255;
    const u = x - fx;
    const v = y - fy;
    const a = order[i] + j;
    const b = order[i + 1 & 255] + j;
    const g00 = order[a];
    const g01 = order[a + 1];
    const g10 = order[b];
    const g11 = order[b + 1];
    const n00 = gx[g00] * u + gy[g00] * v;
    const n10 = gx[g10] * (u - 1) + gy[g10] * v;
    const n01 = gx[g01] * u + gy[g01] * (v - 1);
    const n11 = gx[g11] * (u - 1) + gy[g11] * (v - 1);
    const su = u * u * u * (u * (6 * u - 15) + 10);
    const sv = v * v * v * (v * (6 * v - 15) + 10);
    const top = n00 + su * (n10 - n00);
    const bottom = n01 + su * (n11 - n01);
    return top + sv * (bottom - top);
  };
}

// each octave is turned by about 37° and shifted, so that lattices do not line up
const turnCos = 0.8;
const turnSin = 0.6;

/** Sum of octaves, each twice as fine and `gain` as high; gain 0.5 gives a power spectrum of about k⁻³ in the plane. */
export function octaves(field: Field, x: number, y: number, count: number, gain = 0.5): number {
  let sum = 0;
  let height = 1;
  for (let i = 0; i < count; i++) {
    sum += height * field(x, y);
    const nx = 2.03 * (turnCos * x - turnSin * y) + 17.3;
    y = 2.03 * (turnSin * x + turnCos * y) + 5.7;
    x = nx;
    height *= gain;
  }
  return sum;
}

/**
 * Ridges, 0 … about 1: crests where the field crosses zero, finer crests riding on coarser ones (after Musgrave 1994).
 */
export function ridges(field: Field, x: number, y: number, count: number, gain = 0.55): number {
  let sum = 0;
  let height = 1;
  let total = 0;
  let carry = 1;
  for (let i = 0; i < count; i++) {
    const crest = Math.max(0, 1 - 1.7 * Math.abs(field(x, y)));
    const sharp = crest * crest;
    sum += height * sharp * carry;
    total += height;
    carry = Math.min(1, 0.25 + 1.3 * sharp);
    const nx = 2.03 * (turnCos * x - turnSin * y) + 17.3;
    y = 2.03 * (turnSin * x + turnCos * y) + 5.7;
    x = nx;
    height *= gain;
  }
  return sum / total;
}
