/** The gas of the Lantern Nebula: sheets of turbulent density, in units of the model. */
import { atan2Portable, expPortable } from "../kernels/elementary.ts";
import { square } from "./square.ts";
import { type Field, gradientNoise, octaves, ridges } from "./turbulence.ts";

/** The exciting stars, in units of the model: x to the west, y to the north. */
export const lamp: { readonly x: number; readonly y: number } = { x: 0.04, y: 0.1 };

/** A grid over the model: x to the west grows with the column, y to the north falls with the row. */
export interface ModelGrid {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Place of the first cell's centre. */
  readonly x0: number;
  /** See x0. */
  readonly y0: number;
  /** Width of a cell. */
  readonly cell: number;
}

/** 0 below `low`, 1 above `high`, a smooth step between. */
export const smooth = (low: number, high: number, x: number): number => {
  const t = Math.min(1, Math.max(0, (x - low) / (high - low)));
  return t * t * (3 - 2 * t);
};

/** A sheet of gas at its own depth. */
export interface Sheet {
  /** Name of its turbulence. */
  readonly seed: string;
  /** Distance before (−) or behind (+) the lamp, units. */
  readonly depth: number;
  /** Half axes of the cavity that the wind has blown. */
  readonly cavity: readonly [number, number];
  /** Density of the shell. */
  readonly shell: number;
  /** Density of the open gas. */
  readonly open: number;
  /** Density of the ridge at the foot. */
  readonly foot: number;
}

/** From the farthest to the nearest. */
export const sheets: readonly Sheet[] = [
  { seed: "far", depth: 0.5, cavity: [0.5, 0.62], shell: 1.1, open: 0.7, foot: 0.8 },
  { seed: "middle", depth: 0.12, cavity: [0.68, 0.86], shell: 2, open: 0.7, foot: 5 },
  { seed: "near", depth: -0.35, cavity: [0.98, 1.12], shell: 0.8, open: 0.35, foot: 1.4 },
];

/** The random fields that a sheet or the foreground is made from. */
export interface Turbulence {
  /** Bends coordinates along x. */
  readonly bend: Field;
  /** Bends them along y. */
  readonly bendToo: Field;
  /** Fine grain. */
  readonly fine: Field;
  /** Crests. */
  readonly crest: Field;
  /** Pillars, patches or lanes. */
  readonly pillar: Field;
}

/** Turbulence by its seed. */
export const turbulenceOf = (seed: string, last = "pillar"): Turbulence => ({
  bend: gradientNoise(`${seed} bend`),
  bendToo: gradientNoise(`${seed} bend too`),
  fine: gradientNoise(`${seed} fine`),
  crest: gradientNoise(`${seed} crest`),
  pillar: gradientNoise(`${seed} ${last}`),
});

/** Density of a sheet at a point, in units of the open gas near the shell. */
function density(sheet: Sheet, noise: Turbulence, x: number, y: number): number {
  const bx = octaves(noise.bend, 1.3 * x + 3, 1.3 * y, 4);
  const by = octaves(noise.bendToo, 1.3 * x, 1.3 * y + 9, 4);
  const wx = x + 0.17 * bx;
  const wy = y + 0.17 * by;
  const s = Math.sqrt(square(wx / sheet.cavity[0]) + square((wy - 0.08) / sheet.cavity[1]));
  const grain = expPortable(1.2 * octaves(noise.fine, 3.1 * wx + 0.5 * by, 3.1 * wy + 0.5 * bx, 7, 0.56));
  const crest = ridges(noise.crest, 2.1 * wx + 0.35 * by, 2.1 * wy - 0.35 * bx, 6);
  const wall = (s - 1) / (s < 1 ? 0.07 : 0.17);
  const shell = sheet.shell * expPortable(-wall * wall) * (0.25 + 2.2 * crest);
  const inside = 0.2 * (0.35 + 1.3 * crest) * smooth(0, 0.8, s);
  const outside = sheet.open * smooth(0.92, 1.12, s) / (1 + 1.5 * Math.max(0, s - 1) * Math.sqrt(Math.max(0, s - 1))) *
    (0.25 + 1.3 * crest);
  // the ridge at the foot: a dense cloud whose upper edge climbs to both sides and grows pillars towards the lamp
  const dx = x - lamp.x;
  const dy = y - lamp.y;
  const around = atan2Portable(dx, -dy);
  const away = Math.sqrt(dx * dx + dy * dy);
  const rib = octaves(noise.pillar, 2.1 * around + 0.25 * bx + 40, 1.1 * away + 0.3 * by, 2);
  const pillar = 1 - 1.5 * Math.sqrt(rib * rib + 0.012);
  const edge = -0.7 - 0.16 * bx + 0.16 * by + 0.2 * wx * wx + 0.3 * pillar * smooth(0.2, 0.75, pillar);
  const foot = sheet.foot * smooth(0.0, 0.1, edge - wy) * (0.5 + 1.2 * crest);
  const bound = expPortable(-square(square(x) + square(y)) / 6.5); // the cloud ends
  return grain * (inside + shell + bound * (outside + foot));
}

/** Density of a sheet on a grid, into `gas`. */
export function fillGas(
  sheet: Sheet,
  noise: Turbulence,
  { width, height, x0, y0, cell }: ModelGrid,
  gas: Float32Array,
): void {
  for (let j = 0, i = 0; j < height; j++) {
    for (let k = 0; k < width; k++, i++) gas[i] = density(sheet, noise, x0 + k * cell, y0 - j * cell);
  }
}
