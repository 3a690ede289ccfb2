/** The sky round the Lantern Nebula: the cloud, its stars, the field's stars behind and before it, a few galaxies. */
import { square } from "./square.ts";
import { cosPortable, expPortable, sinPortable } from "../kernels/elementary.ts";
import { settle } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import { type LanternNebula, lanternNebula } from "./lantern_nebula.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";
import type { Scene } from "./scene.ts";
import { type SceneStar, starField } from "./star_field.ts";

/** Options of {@linkcode lanternScene}. */
export interface LanternSceneOptions {
  /** Seed of stars and galaxies; the nebula has its own and is always the same. */
  readonly seed: number | string;
  /** Half width and height of the field, arcseconds. */
  readonly halfSizeArcsec: number;
  /** Width of a cell of the nebula's grid, arcseconds. */
  readonly stepArcsec: number;
  /** Brightness of the nebula over the standard one. */
  readonly brightness: number;
  /** Stars brighter than magnitude 15 in a square degree. */
  readonly starsToMagnitude15: number;
  /** Faintest star. */
  readonly maximumMagnitude: number;
}

/** What {@linkcode lanternScene} uses for an option left out: enough for the Long rig at any rotation. */
export const lanternSceneDefaults: LanternSceneOptions = Object.freeze({
  seed: "Lantern field",
  halfSizeArcsec: 860,
  stepArcsec: 1.4,
  brightness: 1,
  starsToMagnitude15: 1100,
  maximumMagnitude: 19,
});

/** The stars that light the nebula: offset east and north (arcseconds), magnitude, temperature. */
const lamps: readonly SceneStar[] = [
  { east: -15, north: 35, magnitude: 9.0, temperatureK: 39000 },
  { east: 11, north: 22, magnitude: 10.3, temperatureK: 33000 },
  { east: -43, north: 55, magnitude: 10.9, temperatureK: 30000 },
  { east: -31, north: 4, magnitude: 11.6, temperatureK: 27000 },
  { east: 24, north: 61, magnitude: 12.0, temperatureK: 24000 },
  { east: -68, north: 17, magnitude: 12.7, temperatureK: 22000 },
  { east: 42, north: -9, magnitude: 13.1, temperatureK: 20000 },
];

/** Share of the field's stars that stand before the nebula. */
const before = 0.3;

function dimmed(stars: readonly SceneStar[], nebula: LanternNebula, seed: string): readonly SceneStar[] {
  const random = randomStream(seed);
  const { width, height, stepArcsec, dust } = nebula;
  return stars.map((star) => {
    const near = random.uniform() < before;
    const x = Math.round((width - 1) / 2 - star.east / stepArcsec);
    const y = Math.round((height - 1) / 2 - star.north / stepArcsec);
    if (near || x < 0 || y < 0 || x >= width || y >= height) return star;
    // the map is for 656 nm; visual light is dimmed by 1.25 times as much, and a star reddens
    const depth = 1.25 * Math.min(4, dust[y * width + x]);
    return {
      ...star,
      magnitude: star.magnitude + 1.086 * depth,
      temperatureK: star.temperatureK / (1 + 0.16 * depth),
    };
  });
}

function addGalaxies(nebula: LanternNebula, seed: string, halfSize: number): void {
  const random = randomStream(seed);
  const { width, height, stepArcsec, continuum, dust } = nebula;
  const count = Math.max(2, Math.round(10 * square(halfSize / 900)));
  for (let n = 0; n < count; n++) {
    const east = (2 * random.uniform() - 1) * halfSize;
    const north = (2 * random.uniform() - 1) * halfSize;
    const magnitude = 15.2 + 2.6 * random.uniform();
    const scale = 2.2 + 4.5 * random.uniform();
    const flat = 0.3 + 0.65 * random.uniform();
    const turn = Math.PI * random.uniform();
    const c = cosPortable(turn);
    const s = sinPortable(turn);
    const peak = expPortable(0.4 * Math.LN10 * (22 - magnitude)) / (2 * Math.PI * scale * scale * flat);
    const cx = (width - 1) / 2 - east / stepArcsec;
    const cy = (height - 1) / 2 - north / stepArcsec;
    const reach = Math.ceil(8 * scale / stepArcsec);
    for (let y = Math.max(0, Math.ceil(cy - reach)); y <= Math.min(height - 1, cy + reach); y++) {
      for (let x = Math.max(0, Math.ceil(cx - reach)); x <= Math.min(width - 1, cx + reach); x++) {
        const dx = (x - cx) * stepArcsec;
        const dy = (y - cy) * stepArcsec;
        const along = (dx * c + dy * s) / scale;
        const across = (dy * c - dx * s) / (scale * flat);
        const r = Math.sqrt(along * along + across * across + 0.04);
        const i = y * width + x;
        continuum[i] += peak * expPortable(-r - 1.25 * Math.min(4, dust[i]));
      }
    }
  }
}

/**
 * The Lantern Nebula with everything round it.
 *
 * Cost: about 4 s a million cells of the grid.
 *
 * @throws {RangeError} if a size is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { lanternScene } from "faintlight/simulate";
 *
 * const scene = lanternScene({ halfSizeArcsec: 300, stepArcsec: 12 });
 * assert.equal(scene.object, "Lantern Nebula");
 * assert.ok(scene.glow !== null && scene.stars.length > 50);
 * ```
 */
export function lanternScene(options: Partial<LanternSceneOptions> = {}): Scene {
  const used = settle("lanternScene", lanternSceneDefaults, options);
  const { seed, halfSizeArcsec, stepArcsec, brightness, starsToMagnitude15, maximumMagnitude } = used;
  if (!(halfSizeArcsec > 0)) {
    throw new RangeError(`lanternScene: halfSizeArcsec must be > 0, but got ${halfSizeArcsec}`);
  }
  if (!(stepArcsec > 0)) throw new RangeError(`lanternScene: stepArcsec must be > 0, but got ${stepArcsec}`);
  const cells = Math.max(4, Math.ceil(2 * halfSizeArcsec / stepArcsec));
  const nebula = lanternNebula(cells, cells, { stepArcsec, brightness });
  // the field is drawn for a fixed size, so that every rig sees the same stars
  const field = starField({
    seed,
    halfWidthArcsec: 2400,
    halfHeightArcsec: 2400,
    starsToMagnitude15,
    maximumMagnitude,
    minimumMagnitude: 8.2,
  }).filter((star) => Math.abs(star.east) < halfSizeArcsec + 200 && Math.abs(star.north) < halfSizeArcsec + 200);
  addGalaxies(nebula, `${seed} galaxies`, halfSizeArcsec);
  const { width, height, Ha, OIII, SII, continuum } = nebula;
  return {
    object: "Lantern Nebula",
    rightAscensionDegrees: 349.6,
    declinationDegrees: 22.5,
    stars: [...lamps, ...dimmed(field, nebula, `${seed} depth`)],
    glow: { width, height, stepArcsec, Ha, OIII, SII, continuum },
  };
}

/**
 * The scene at the size and fineness that a rig needs at any rotation.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { lanternSceneFor, longRig, resizeRig } from "faintlight/simulate";
 *
 * const scene = lanternSceneFor(resizeRig(longRig, { width: 24, height: 18 }));
 * assert.equal(scene.object, "Lantern Nebula");
 * ```
 */
export function lanternSceneFor(rig: Rig, options: Partial<LanternSceneOptions> = {}): Scene {
  const scale = arcsecPerPixelOf(rig);
  return lanternScene({
    halfSizeArcsec: scale * Math.sqrt(square(rig.width) + square(rig.height)) / 2 + 40 * scale,
    stepArcsec: Math.max(0.9, 0.9 * scale),
    ...options,
  });
}
