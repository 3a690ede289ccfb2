/**
 * The Lantern Nebula, an invented cloud of gas lit by hot stars: emission lines and dust, made from geometry and
 * radiation.
 */
import { settle } from "../core/options.ts";
import { expPortable } from "../kernels/elementary.ts";
import { ionisationAt, ionisingRays } from "./ionising_rays.ts";
import { lanternForeground } from "./lantern_foreground.ts";
import {
  fillGas,
  lamp,
  type ModelGrid,
  type Sheet,
  sheets,
  smooth,
  type Turbulence,
  turbulenceOf,
} from "./lantern_gas.ts";
import { octaves } from "./turbulence.ts";

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

/** The maps while they are made. */
type NebulaMaps = Pick<LanternNebula, "Ha" | "OIII" | "SII" | "continuum" | "dust">;

/** Lay a sheet before what is there: what lies behind is dimmed by its neutral gas, blue-green more than red. */
function addSheet(maps: NebulaMaps, grid: ModelGrid, sheet: Sheet, noise: Turbulence, gas: Float32Array): void {
  const { Ha, OIII, SII, continuum, dust } = maps;
  const { width, height, x0, y0, cell } = grid;
  fillGas(sheet, noise, grid, gas);
  const rays = ionisingRays(gas, grid, sheet.depth);
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
      const { ionised, hard } = ionisationAt(rays, px + sx, py + sy);
      const measure = n * Math.sqrt(n);
      const emission = measure * ionised;
      const neutral = n * (1 - ionised);
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

function addForeground(maps: NebulaMaps, grid: ModelGrid, noise: Turbulence, brightness: number): void {
  const { Ha, OIII, SII, continuum, dust } = maps;
  const { width, height, x0, y0, cell } = grid;
  for (let j = 0, i = 0; j < height; j++) {
    for (let k = 0; k < width; k++, i++) {
      const { ha, oiii, sii, lane } = lanternForeground(noise, x0 + k * cell, y0 - j * cell);
      const red = expPortable(-lane);
      const green = expPortable(-1.4 * lane);
      Ha[i] = brightness * (Ha[i] * red + ha);
      OIII[i] = brightness * (OIII[i] * green + oiii);
      SII[i] = brightness * (SII[i] * red + sii);
      continuum[i] *= brightness * green;
      dust[i] += lane;
    }
  }
}

/**
 * Surface brightness of the nebula in three lines, scattered starlight and dust.
 *
 * Three sheets of gas at different depth have a cavity blown by the central stars, a swept-up shell and a dense foot.
 * Their density is turbulent (octaves and ridges with bent coordinates). Ionising photons are followed outward from the
 * stars through each sheet: recombination in the gas and dust use them up, so dense knots keep a bright rim towards the
 * lamp and a shadow behind them. H-alpha shines from ionised gas with the square of the density, [O III] where the
 * photons are still hard, [S II] at the fronts; neutral gas darkens what lies behind. The physics is that of textbooks
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
  const grid: ModelGrid = {
    width,
    height,
    x0: -centre[0] / unitArcsec - (width - 1) / 2 * cell,
    y0: centre[1] / unitArcsec + (height - 1) / 2 * cell,
    cell,
  };
  const maps: NebulaMaps = {
    Ha: new Float32Array(size),
    OIII: new Float32Array(size),
    SII: new Float32Array(size),
    continuum: new Float32Array(size),
    dust: new Float32Array(size),
  };

  const gas = new Float32Array(size);
  for (const sheet of sheets) addSheet(maps, grid, sheet, turbulenceOf(`${seed} ${sheet.seed}`), gas);
  addForeground(maps, grid, turbulenceOf(`${seed} veil`, "lane"), brightness);
  return { width, height, stepArcsec, ...maps };
}
