/** Ionising photons on rays from the exciting stars through a sheet of gas. */
import { atan2Portable, cosPortable, sinPortable } from "../kernels/elementary.ts";
import { lamp, type ModelGrid, smooth } from "./lantern_gas.ts";
import { square } from "./square.ts";

/** Directions that are followed. */
const angles = 2400;

/** State of the gas and the photons on rays from the lamp. */
export interface IonisingRays {
  /** Steps of a ray. */
  readonly radii: number;
  /** Length of a step. */
  readonly step: number;
  /** Ionised share of the gas, ray by ray. */
  readonly ionised: Float32Array;
  /** Share of the gas whose oxygen is doubly ionised. */
  readonly hard: Float32Array;
}

/**
 * Photons scattered and re-emitted by the gas reach into the shadows: a tenth of the mean over a wedge of directions.
 */
function scatter(ionised: Float32Array, dense: Float32Array, radii: number): void {
  const wedge = Math.round(angles / 24);
  const ring = new Float64Array(angles);
  for (let k = 0; k < radii; k++) {
    let sum = 0;
    for (let a = -wedge; a <= wedge; a++) sum += ionised[((a + angles) % angles) * radii + k];
    for (let a = 0; a < angles; a++) {
      ring[a] = Math.max(0, sum) / (2 * wedge + 1); // the running sum may end a rounding below 0
      sum += ionised[((a + wedge + 1) % angles) * radii + k] - ionised[((a - wedge + angles) % angles) * radii + k];
    }
    for (let a = 0; a < angles; a++) {
      const at = a * radii + k;
      const n = dense[at];
      const lit = ionised[at] + 0.04 * ring[a];
      ionised[at] = lit / (lit + 0.025 * n + 0.003);
    }
  }
}

/** The lamp is a small cluster, not a point: shadows of hard photons have soft edges. */
function soften(hard: Float32Array, radii: number): void {
  const ring = new Float64Array(angles);
  for (let k = 0; k < radii; k++) {
    for (let a = 0; a < angles; a++) ring[a] = hard[a * radii + k];
    for (let a = 0; a < angles; a++) {
      let sum = 0;
      for (let d = -3; d <= 3; d++) sum += ring[(a + d + angles) % angles];
      hard[a * radii + k] = sum / 7;
    }
  }
}

/**
 * Follow ionising photons outward through a sheet `depth` before or behind the lamp: dN/dr = −n² (r² + z²) f − κ n N, f
 * the ionised share of the gas.
 */
export function ionisingRays(gas: Float32Array, grid: ModelGrid, depth: number): IonisingRays {
  const { width, height, x0, y0, cell } = grid;
  const reach = Math.sqrt(square(width * cell) + square(height * cell));
  const step = Math.max(cell, 0.0035);
  const radii = Math.ceil(reach / step) + 2;
  const ionised = new Float32Array(angles * radii);
  const hard = new Float32Array(angles * radii);
  const dense = new Float32Array(angles * radii);
  for (let a = 0; a < angles; a++) {
    const c = cosPortable(2 * Math.PI * a / angles);
    const s = sinPortable(2 * Math.PI * a / angles);
    let left = 1;
    let firm = 1;
    for (let k = 0; k < radii; k++) {
      const r = k * step;
      const gx = (lamp.x + r * c - x0) / cell;
      const gy = (y0 - lamp.y - r * s) / cell;
      const i = Math.min(width - 2, Math.max(0, Math.floor(gx)));
      const j = Math.min(height - 2, Math.max(0, Math.floor(gy)));
      const fx = Math.min(1, Math.max(0, gx - i));
      const fy = Math.min(1, Math.max(0, gy - j));
      const at = j * width + i;
      const n = (gas[at] * (1 - fx) + gas[at + 1] * fx) * (1 - fy) +
        (gas[at + width] * (1 - fx) + gas[at + width + 1] * fx) * fy;
      const f = left / (left + 0.02 * n + 0.003);
      const g = firm / (firm + 0.08 * n + 0.02);
      const area = r * r + depth * depth;
      left = Math.max(0, left - step * (1.3 * n * n * area * f + 0.3 * n * left));
      firm = Math.max(0, firm - step * (8 * n * n * area * g + 0.9 * n * firm));
      ionised[a * radii + k] = left;
      hard[a * radii + k] = g * smooth(0, 0.12, firm);
      dense[a * radii + k] = n;
    }
  }
  scatter(ionised, dense, radii);
  soften(hard, radii);
  return { radii, step, ionised, hard };
}

const found = { ionised: 0, hard: 0 };

/** Both shares at a point, between the rays and steps; the result is overwritten by the next call. */
export function ionisationAt(
  rays: IonisingRays,
  x: number,
  y: number,
): { readonly ionised: number; readonly hard: number } {
  const dx = x - lamp.x;
  const dy = y - lamp.y;
  const angle = atan2Portable(dy, dx) / (2 * Math.PI);
  const turn = (angle - Math.floor(angle)) * angles;
  const a = Math.floor(turn) % angles;
  const b = (a + 1) % angles;
  const fa = turn - Math.floor(turn);
  const along = Math.min(rays.radii - 1.001, Math.sqrt(dx * dx + dy * dy) / rays.step);
  const k = Math.floor(along);
  const fk = along - k;
  const p = a * rays.radii + k;
  const q = b * rays.radii + k;
  const mix = (map: Float32Array) =>
    (map[p] * (1 - fk) + map[p + 1] * fk) * (1 - fa) + (map[q] * (1 - fk) + map[q + 1] * fk) * fa;
  found.ionised = mix(rays.ionised);
  found.hard = mix(rays.hard);
  return found;
}
