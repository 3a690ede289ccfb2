/** What stands or passes between the sky and the telescope: cloud, satellites, roofs. */
import type { RandomStream } from "../core/random.ts";
import type { Raster } from "../core/raster.ts";
import { cosPortable, expPortable, powPortable, sinPortable } from "../kernels/elementary.ts";
import type { FrameConditions, Obstacle, Streak } from "./frame_conditions.ts";
import type { Rig } from "./rig.ts";
import { square } from "./square.ts";

const degree = Math.PI / 180;

/** Optical depth of cloud over the frame: a few long waves round the mean. */
function cloudDepth({ width, height }: Rig, now: FrameConditions, random: RandomStream): Float32Array {
  const { opacity, opacityVariation } = now;
  const waves = Array.from({ length: 6 }, (_, i) => ({
    kx: (2 * random.uniform() - 1) * (1.5 + i),
    ky: (2 * random.uniform() - 1) * (1.5 + i),
    phase: 2 * Math.PI * random.uniform(),
    height: 1 / (1.5 + i),
  }));
  const map = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let sum = 0;
      for (const wave of waves) {
        sum += wave.height * sinPortable(wave.phase + Math.PI * (wave.kx * x + wave.ky * y) / width);
      }
      map[y * width + x] = opacity * Math.max(0, 1 + opacityVariation * sum);
    }
  }
  return map;
}

/** Dim what shines above the clouds. */
export function dimByCloud(electrons: Float32Array, rig: Rig, now: FrameConditions, random: RandomStream): void {
  const depth = cloudDepth(rig, now, random);
  for (let i = 0; i < electrons.length; i++) electrons[i] *= expPortable(-depth[i]);
}

/** Add the trail of a satellite or aircraft, as wide as a star. */
export function drawStreak(frame: Raster, streak: Streak, fwhm: number, beta: number): void {
  const { width, height, data } = frame;
  const c = cosPortable(streak.degrees * degree);
  const s = sinPortable(streak.degrees * degree);
  const alpha = fwhm * 0.5 / Math.sqrt(powPortable(2, 1 / beta) - 1);
  const reach = 12 * fwhm;
  const offsets = streak.doublePixels > 0 ? [-streak.doublePixels / 2, streak.doublePixels / 2] : [0];
  let norm = 0; // of a Moffat profile integrated along a line: (1 + d²/α²)^(½ − β)
  for (let d = -400; d <= 400; d++) norm += 0.1 * powPortable(1 + square(0.1 * d / alpha), 0.5 - beta);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const dx = x - streak.through[0];
      const dy = y - streak.through[1];
      const along = dx * c + dy * s;
      const across = dy * c - dx * s;
      for (const offset of offsets) {
        const d = across - offset;
        if (Math.abs(d) > reach) continue;
        let level = streak.electronsPerPixel / norm * powPortable(1 + d * d / (alpha * alpha), 0.5 - beta);
        if (streak.blinkPixels > 0) {
          const cycle = along / streak.blinkPixels - Math.floor(along / streak.blinkPixels);
          level *= 0.35 + 6 * expPortable(-0.5 * square((cycle - 0.5) * streak.blinkPixels / 2.5));
        }
        data[y * width + x] += level;
      }
    }
  }
}

/** Share of the flux that passes what stands before the field. */
function openShare(rig: Rig, obstacle: Obstacle): (x: number, y: number) => number {
  const c = cosPortable(obstacle.degrees * degree);
  const s = sinPortable(obstacle.degrees * degree);
  const size = Math.abs(c) * rig.width + Math.abs(s) * rig.height;
  const xc = (rig.width - 1) / 2;
  const yc = (rig.height - 1) / 2;
  return (x, y) => {
    const t = ((x - xc) * c + (y - yc) * s) / size + 0.5;
    return Math.min(1, Math.max(0, 0.5 - (t - (1 - obstacle.share)) / Math.max(1e-6, obstacle.softness)));
  };
}

/** Take away what an obstacle hides. */
export function hideBehind(electrons: Float32Array, rig: Rig, obstacle: Obstacle): void {
  const open = openShare(rig, obstacle);
  for (let y = 0, i = 0; y < rig.height; y++) for (let x = 0; x < rig.width; x++, i++) electrons[i] *= open(x, y);
}
