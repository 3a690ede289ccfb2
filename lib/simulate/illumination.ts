/** How evenly the optics light the sensor: vignetting and the shadows of dust. */
import { square } from "./square.ts";
import { randomStream } from "../core/random.ts";
import type { Rig } from "./rig.ts";

/** Shadow of a grain of dust. */
export interface DustShadow {
  /** Column of its centre. */
  readonly x: number;
  /** Row of its centre. */
  readonly y: number;
  /** Radius, pixels: height above the sensor / (2 × focal ratio × pixel). */
  readonly radius: number;
  /** Light lost inside, share. */
  readonly depth: number;
}

/**
 * Dust of a rig in front of its sensor. `where` names a filter; grains on the sensor's window are common to all.
 *
 * @param rig the rig
 * @param where filter, or any other name for a set of grains
 * @param moved whether the grains have moved since (another set of places)
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { dustOf, longRig } from "faintlight/simulate";
 *
 * assert.deepEqual(dustOf(longRig, "sensor"), dustOf(longRig, "sensor"));
 * ```
 */
export function dustOf(rig: Rig, where: string, moved = false): readonly DustShadow[] {
  const perMm = 1000 / (2 * (rig.focalLengthMm / rig.apertureMm) * rig.pixelMicrometres);
  const shadows: DustShadow[] = [];
  const scatter = (name: string, count: number, heightMm: number, depth: number) => {
    const random = randomStream(`${rig.seed} dust ${name}${moved ? " moved" : ""}`);
    for (let i = 0; i < count; i++) {
      shadows.push({
        x: random.uniform() * rig.width,
        y: random.uniform() * rig.height,
        radius: heightMm * perMm * (0.8 + 0.4 * random.uniform()),
        depth: depth * (0.35 + 0.65 * random.uniform()),
      });
    }
  };
  scatter("window", 6, 1.6, 0.05);
  scatter(where, 4, 5, 0.025);
  return shadows;
}

/** Options of {@linkcode illumination}. */
export interface IlluminationOptions {
  /** Set of dust grains: the filter's name. */
  readonly filter: string;
  /** Whether the dust has moved. */
  readonly dustMoved: boolean;
}

/**
 * Share of the light that reaches each pixel, 1 in the middle of the field: 1 − loss ρ² with ρ = 1 at the corners,
 * times the dust. A grain before an obstructed telescope throws a ring, before a refractor a disc.
 */
export function illumination(rig: Rig, options: IlluminationOptions): Float32Array {
  const { width, height, vignetting, obstruction } = rig;
  const map = new Float32Array(width * height);
  const xc = (width - 1) / 2;
  const yc = (height - 1) / 2;
  const corner2 = xc * xc + yc * yc || 1;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const r2 = (square(x - xc) + square(y - yc)) / corner2;
      map[y * width + x] = 1 - vignetting * r2 * (0.8 + 0.2 * r2);
    }
  }
  for (const grain of dustOf(rig, options.filter, options.dustMoved)) {
    const soft = 0.04 * grain.radius + 1.2;
    const hole = obstruction * grain.radius;
    const reach = grain.radius + 2 * soft;
    const y0 = Math.max(0, Math.ceil(grain.y - reach));
    const y1 = Math.min(height - 1, Math.floor(grain.y + reach));
    const x0 = Math.max(0, Math.ceil(grain.x - reach));
    const x1 = Math.min(width - 1, Math.floor(grain.x + reach));
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        const r = Math.sqrt(square(x - grain.x) + square(y - grain.y));
        const outer = edge((grain.radius - r) / soft);
        const inner = hole === 0 ? 1 : edge((r - hole) / soft);
        map[y * width + x] *= 1 - grain.depth * outer * inner;
      }
    }
  }
  return map;
}

/** 0 below −1, 1 above 1, smooth between. */
function edge(t: number): number {
  const s = Math.min(1, Math.max(0, 0.5 + 0.5 * t));
  return s * s * (3 - 2 * s);
}
