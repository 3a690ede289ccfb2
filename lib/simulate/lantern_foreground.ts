/** What lies before the sheets of the Lantern Nebula. */
import { expPortable } from "../kernels/elementary.ts";
import { lamp, smooth, type Turbulence } from "./lantern_gas.ts";
import { square } from "./square.ts";
import { octaves, ridges } from "./turbulence.ts";

/** What lies before the sheets: the mantle of the inner bubble, a faint veil over everything, and a lane of dust. */
export function lanternForeground(
  noise: Turbulence,
  x: number,
  y: number,
): { ha: number; oiii: number; sii: number; lane: number } {
  const bx = octaves(noise.bend, 1.1 * x, 1.1 * y, 4);
  const by = octaves(noise.bendToo, 1.1 * x + 7, 1.1 * y, 4);
  const dx = x - lamp.x;
  const dy = y - lamp.y;
  let oiii = 0;
  let ha = 0;
  let sii = 0;
  // thin skins round the lamp: bright where the line of sight grazes them
  const skins = [[0, -0.03, 0.42, 0.58, 1], [0.09, 0.07, 0.35, 0.4, 0.8], [-0.12, -0.12, 0.27, 0.37, 0.6]];
  const fx = octaves(noise.fine, 3.4 * x + 3, 3.4 * y, 5);
  const fy = octaves(noise.fine, 3.4 * x, 3.4 * y + 11, 5);
  for (const [cx, cy, a, b, level] of skins) {
    const ux = dx - cx + 0.11 * bx + 0.035 * fx;
    const uy = dy - cy + 0.11 * by + 0.035 * fy;
    const s2 = square(ux / a) + square(uy / b);
    const graze = s2 < 1 ? 1 / Math.sqrt(1.03 - s2) : 5.8 * expPortable(-(s2 - 1) / 0.05);
    const thread = ridges(noise.crest, 4.2 * ux + 0.6 * by, 4.2 * uy + 0.6 * bx, 6);
    const patch = smooth(-0.55, 0.5, octaves(noise.pillar, 2.3 * ux + 50 * a, 2.3 * uy, 3));
    oiii += 560 * level * graze * patch * (0.12 + 2.4 * thread * thread + 0.5 * thread);
    ha += 100 * level * graze * patch * (0.2 + 1.9 * thread);
  }
  // an old outer shell, broken into arcs
  const r = Math.sqrt(square(dx + 0.06 * bx) + square((dy + 0.06 * by) * 0.92));
  const wall = (r - 1.42) / (r < 1.42 ? 0.16 : 0.05);
  const arc = expPortable(-wall * wall) * smooth(-0.25, 0.45, octaves(noise.pillar, 0.9 * x + 20, 0.9 * y, 3));
  const strand = ridges(noise.crest, 2.3 * x + 0.7 * bx + 31, 2.3 * y + 0.7 * by, 6);
  ha += 600 * arc * (0.2 + 1.8 * strand);
  sii += 220 * arc * (0.2 + 1.8 * strand);
  oiii += 130 * arc * strand;
  // a veil that thins out with distance
  const far = expPortable(-0.55 * (x * x + y * y));
  ha += (4 + 300 * far) * expPortable(0.9 * octaves(noise.fine, 1.2 * x + 0.4 * bx, 1.2 * y + 0.4 * by, 7, 0.55)) *
    (0.5 + strand);
  // the dark lane: a crooked band before the lower half, torn at its edges
  const along = 0.87 * x + 0.5 * y;
  const across = 0.9 * (y + 0.42) - 0.5 * x + 0.16 * bx + 0.07 * by;
  const torn = ridges(noise.pillar, 2.6 * x + 0.8 * by, 2.6 * y + 0.8 * bx, 6);
  const width = 0.045 + 0.05 * smooth(-0.6, 0.9, along);
  const lane = 3 * expPortable(-(square(across / width))) * smooth(1.2, 0.4, Math.abs(along - 0.3)) *
    (0.25 + 1.5 * torn);
  return { ha, oiii, sii, lane };
}
