/** An invented piece of sky: where it is, its stars, and its extended light on a grid. */
import { settle } from "../core/options.ts";
import { type SceneStar, starField } from "./star_field.ts";

/**
 * Extended light of the scene on a grid over the tangent plane; row 0 is the northern edge, column 0 the eastern one.
 */
export interface SceneGlow {
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
  /** [S II], both lines together, rayleigh. */
  readonly SII: Float32Array;
  /** Starlight scattered by dust, and galaxies: surface brightness over that of V = 22 a square arcsecond. */
  readonly continuum: Float32Array;
}

/** A piece of sky to expose on. */
export interface Scene {
  /** Name of the target. */
  readonly object: string;
  /** Right ascension of the centre, degrees. */
  readonly rightAscensionDegrees: number;
  /** Declination of the centre, degrees. */
  readonly declinationDegrees: number;
  /** Stars. */
  readonly stars: readonly SceneStar[];
  /** Extended light; null for none. */
  readonly glow: SceneGlow | null;
}

/** Options of {@linkcode starScene}. */
export interface StarSceneOptions {
  /** Seed of the field. */
  readonly seed: number | string;
  /** Half width and height of the field, arcseconds. */
  readonly halfSizeArcsec: number;
  /** Stars brighter than magnitude 15 in a square degree. */
  readonly starsToMagnitude15: number;
  /** Faintest magnitude drawn. */
  readonly maximumMagnitude: number;
  /** Declination, degrees. */
  readonly declinationDegrees: number;
}

/** What {@linkcode starScene} uses for an option left out: covers both rigs at any rotation. */
export const starSceneDefaults: StarSceneOptions = Object.freeze({
  seed: 1,
  halfSizeArcsec: 1300,
  starsToMagnitude15: 1100,
  maximumMagnitude: 18.5,
  declinationDegrees: 22.5,
});

/**
 * A scene of stars alone: quick, for tests of what does not need a nebula.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { starScene } from "faintlight/simulate";
 *
 * assert.ok(starScene().stars.length > 0);
 * ```
 */
export function starScene(options: Partial<StarSceneOptions> = {}): Scene {
  const { halfSizeArcsec, declinationDegrees, ...rest } = settle("starScene", starSceneDefaults, options);
  return {
    object: "Star field",
    rightAscensionDegrees: 349.6,
    declinationDegrees,
    stars: starField({ ...rest, halfWidthArcsec: halfSizeArcsec, halfHeightArcsec: halfSizeArcsec }),
    glow: null,
  };
}
