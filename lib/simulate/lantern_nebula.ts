/**
 * The Lantern Nebula, an invented cloud of gas lit by hot stars: emission lines and dust, made from geometry and
 * radiation.
 */
import { square } from "./square.ts";
import { atan2Portable, cosPortable, expPortable, sinPortable } from "../kernels/elementary.ts";
import { settle } from "../core/options.ts";
import { type Field, gradientNoise, octaves, ridges } from "./turbulence.ts";

/** Options of {@linkcode lanternNebula}. */
export interface LanternNebulaOptions {
  /** Seed of the turbulence. */
  readonly seed: number | string;
  /** Width of a cell, arcseconds. */
  readonly stepArcsec: number;
  /** Offset of the grid's middle from the nebula's, arcseconds towards east and north. */
  readonly centre: readonly [number, number];
  /** Brightness over that of the standard nebula. */
  readonly brightness: number;
}

/** What {@linkcode lanternNebula} uses for an option left out. */
export const lanternNebulaDefaults: LanternNebulaOptions = Object.freeze({
  seed: "Lantern",
  stepArcsec: 1.5,
  centre: [0, 0] as const,
  brightness: 1,
});

/** Maps of the nebula; row 0 is the northern edge, column 0 the eastern one. */
export interface LanternNebula {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Width of a cell, arcseconds. */
  readonly stepArcsec: number;
  /** H-alpha, rayleigh. */
  readonly Ha: Float32Array;
  /** [O III] at 500.7 nm, rayleigh. */
  readonly OIII: Float32Array;
  /** [S II] at 671.6 and 673.1 nm together, rayleigh. */
  readonly SII: Float32Array;
  /** Starlight scattered by dust, over the surface brightness of V = 22 a square arcsecond. */
  readonly continuum: Float32Array;
  /** Optical depth at 656 nm of the dust before a star behind the nebula. */
  readonly dust: Float32Array;
}

/** Arcseconds of one unit of the model: about the radius of the main shell. */
const unitArcsec = 335;

/** The exciting stars, in units of the model: x to the west, y to the north. */
const lamp = { x: 0.04, y: 0.1 };

const smooth = (low: number, high: number, x: number): number => {
  const t = Math.min(1, Math.max(0, (x - low) / (high - low)));
  return t * t * (3 - 2 * t);
};

/** A sheet of gas at its own depth. */
interface Sheet {
  readonly seed: string;
  /** Distance before (−) or behind (+) the lamp, units. */
  readonly depth: number;
  /** Half axes of the cavity that the wind has blown. */
  readonly cavity: readonly [number, number];
  /** Density of the shell, of the open gas, of the ridge at the foot. */
  readonly shell: number;
  readonly open: number;
  readonly foot: number;
}

const sheets: readonly Sheet[] = [
  { seed: "far", depth: 0.5, cavity: [0.5, 0.62], shell: 1.1, open: 0.7, foot: 0.8 },
  { seed: "middle", depth: 0.12, cavity: [0.68, 0.86], shell: 2, open: 0.7, foot: 5 },
  { seed: "near", depth: -0.35, cavity: [0.98, 1.12], shell: 0.8, open: 0.35, foot: 1.4 },
];

interface Noise {
  readonly bend: Field;
  readonly bendToo: Field;
  readonly fine: Field;
  readonly crest: Field;
  readonly pillar: Field;
}

/** Density of a sheet at a point, in units of the open gas near the shell. */
function density(sheet: Sheet, noise: Noise, x: number, y: number): number {
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

/**
 * Light of the nebula in three lines, scattered starlight and dust.
 *
 * Three sheets of gas at different depth have a cavity blown by the central stars, a swept-up shell and a dense foot.
 * Their density is turbulent (octaves and ridges with bent coordinates). Ionising light is followed outward from the
 * stars through each sheet: recombination in the gas and dust use it up, so dense knots keep a bright rim towards the
 * lamp and a shadow behind them. H-alpha shines from ionised gas with the square of the density, [O III] where the
 * light is still hard, [S II] at the fronts; neutral gas darkens what lies behind. The physics is that of textbooks
 * (Osterbrock & Ferland 2006), the numbers are chosen for the look.
 *
 * Cost: about 3 s a million cells.
 *
 * @param width columns of the grid
 * @param height rows of the grid
 * @param options place, scale, seed
 * @throws {RangeError} if width, height, step or brightness is not above 0
 *
 * @example The lines differ: oxygen shines inside, hydrogen outside
 * ```ts
 * import assert from "node:assert/strict";
 * import { lanternNebula } from "faintlight/simulate";
 *
 * const { Ha, OIII } = lanternNebula(64, 64, { stepArcsec: 20 });
 * assert.ok(Ha.every((each) => each >= 0) && OIII.every((each) => each >= 0));
 * ```
 */
export function lanternNebula(
  width: number,
  height: number,
  options: Partial<LanternNebulaOptions> = {},
): LanternNebula {
  const used = settle("lanternNebula", lanternNebulaDefaults, options);
  const { stepArcsec, centre, seed, brightness } = used;
  for (const [name, value] of Object.entries({ width, height, stepArcsec, brightness })) {
    if (!(value > 0)) throw new RangeError(`lanternNebula: ${name} must be > 0, but got ${value}`);
  }
  const size = width * height;
  const cell = stepArcsec / unitArcsec;
  const Ha = new Float32Array(size);
  const OIII = new Float32Array(size);
  const SII = new Float32Array(size);
  const continuum = new Float32Array(size);
  const dust = new Float32Array(size);
  // model coordinates of the first cell: x to the west grows with the column, y to the north falls with the row
  const x0 = -centre[0] / unitArcsec - (width - 1) / 2 * cell;
  const y0 = centre[1] / unitArcsec + (height - 1) / 2 * cell;

  const gas = new Float32Array(size);
  for (const sheet of sheets) {
    const noise: Noise = {
      bend: gradientNoise(`${seed} ${sheet.seed} bend`),
      bendToo: gradientNoise(`${seed} ${sheet.seed} bend too`),
      fine: gradientNoise(`${seed} ${sheet.seed} fine`),
      crest: gradientNoise(`${seed} ${sheet.seed} crest`),
      pillar: gradientNoise(`${seed} ${sheet.seed} pillar`),
    };
    for (let j = 0, i = 0; j < height; j++) {
      for (let k = 0; k < width; k++, i++) gas[i] = density(sheet, noise, x0 + k * cell, y0 - j * cell);
    }
    const light = followLight(gas, width, height, x0, y0, cell, sheet.depth);
    for (let j = 0, i = 0; j < height; j++) {
      for (let k = 0; k < width; k++, i++) {
        const px = x0 + k * cell;
        const py = y0 - j * cell;
        const x = px - lamp.x;
        const y = py - lamp.y;
        // beyond the shell the rays are read a little beside their place, or shadows would be straight as rulers
        const sway = 0.16 * smooth(0.75, 1.7, Math.sqrt(x * x + y * y));
        const sx = sway * octaves(noise.bend, 2.2 * px + 13, 2.2 * py, 4);
        const sy = sway * octaves(noise.bendToo, 2.2 * px, 2.2 * py + 17, 4);
        const n = gas[i];
        const { ionised, hard } = lightAt(light, px + sx, py + sy);
        const measure = n * Math.sqrt(n);
        const emission = measure * ionised;
        const neutral = n * (1 - ionised);
        // what lies behind this sheet is dimmed by its neutral gas, blue-green light more than red
        const depth = 0.3 * Math.max(0, neutral - 0.3);
        const through = expPortable(-depth);
        const throughGreen = expPortable(-1.4 * depth);
        Ha[i] = Ha[i] * through + 1500 * emission;
        OIII[i] = OIII[i] * throughGreen + 2300 * measure * hard;
        SII[i] = SII[i] * through + 430 * emission * (0.25 + 3 * (1 - ionised)) * Math.max(0, 1 - hard);
        const r2 = x * x + y * y + sheet.depth * sheet.depth + 0.02;
        continuum[i] = continuum[i] * throughGreen + 0.1 * Math.min(6, n) / r2;
        dust[i] += depth;
      }
    }
  }
  const veil: Noise = {
    bend: gradientNoise(`${seed} veil bend`),
    bendToo: gradientNoise(`${seed} veil bend too`),
    fine: gradientNoise(`${seed} veil fine`),
    crest: gradientNoise(`${seed} veil crest`),
    pillar: gradientNoise(`${seed} veil lane`),
  };
  for (let j = 0, i = 0; j < height; j++) {
    for (let k = 0; k < width; k++, i++) {
      const { ha, oiii, sii, lane } = foreground(veil, x0 + k * cell, y0 - j * cell);
      const red = expPortable(-lane);
      const green = expPortable(-1.4 * lane);
      Ha[i] = brightness * (Ha[i] * red + ha);
      OIII[i] = brightness * (OIII[i] * green + oiii);
      SII[i] = brightness * (SII[i] * red + sii);
      continuum[i] *= brightness * green;
      dust[i] += lane;
    }
  }
  return { width, height, stepArcsec, Ha, OIII, SII, continuum, dust };
}

/** What lies before the sheets: the mantle of the inner bubble, a faint veil over everything, and a lane of dust. */
function foreground(noise: Noise, x: number, y: number): { ha: number; oiii: number; sii: number; lane: number } {
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

/** State of the light on rays from the lamp. */
interface LightRays {
  readonly angles: number;
  readonly radii: number;
  readonly step: number;
  readonly ionised: Float32Array;
  readonly hard: Float32Array;
}

/** Follow ionising light outward: dN/dr = −n² (r² + z²) f − κ n N, f the ionised share of the gas. */
function followLight(
  gas: Float32Array,
  width: number,
  height: number,
  x0: number,
  y0: number,
  cell: number,
  depth: number,
): LightRays {
  const angles = 2400;
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
  // light scattered and re-emitted by the gas reaches into the shadows: a tenth of the mean over a wedge of the sky
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
  // the lamp is a small cluster, not a point: shadows of hard light have soft edges
  for (let k = 0; k < radii; k++) {
    for (let a = 0; a < angles; a++) ring[a] = hard[a * radii + k];
    for (let a = 0; a < angles; a++) {
      let sum = 0;
      for (let d = -3; d <= 3; d++) sum += ring[(a + d + angles) % angles];
      hard[a * radii + k] = sum / 7;
    }
  }
  return { angles, radii, step, ionised, hard };
}

const lightFound = { ionised: 0, hard: 0 };

/** Light at a point, between the rays and steps; the result is overwritten by the next call. */
function lightAt(rays: LightRays, x: number, y: number): { readonly ionised: number; readonly hard: number } {
  const dx = x - lamp.x;
  const dy = y - lamp.y;
  const angle = atan2Portable(dy, dx) / (2 * Math.PI);
  const turn = (angle - Math.floor(angle)) * rays.angles;
  const a = Math.floor(turn) % rays.angles;
  const b = (a + 1) % rays.angles;
  const fa = turn - Math.floor(turn);
  const along = Math.min(rays.radii - 1.001, Math.sqrt(dx * dx + dy * dy) / rays.step);
  const k = Math.floor(along);
  const fk = along - k;
  const p = a * rays.radii + k;
  const q = b * rays.radii + k;
  const mix = (map: Float32Array) =>
    (map[p] * (1 - fk) + map[p + 1] * fk) * (1 - fa) + (map[q] * (1 - fk) + map[q + 1] * fk) * fa;
  lightFound.ionised = mix(rays.ionised);
  lightFound.hard = mix(rays.hard);
  return lightFound;
}
