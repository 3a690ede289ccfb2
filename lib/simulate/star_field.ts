/** Stars of an invented sky: numbers by magnitude, colours by temperature. */
import { cosPortable, logPortable, powPortable } from "../kernels/elementary.ts";
import { settle } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import { temperatureOfColour } from "./photometry.ts";

/** A star of the scene, above the atmosphere. */
export interface SceneStar {
  /** Offset from the scene's centre towards east, arcseconds (tangent plane). */
  readonly east: number;
  /** Offset towards north, arcseconds. */
  readonly north: number;
  /** V magnitude, dust of the nebula included. */
  readonly magnitude: number;
  /** Temperature of a black body of the same colour, kelvin. */
  readonly temperatureK: number;
}

/** Options of {@linkcode starField}. */
export interface StarFieldOptions {
  /** Seed of the field. */
  readonly seed: number | string;
  /** Half width of the field, arcseconds. */
  readonly halfWidthArcsec: number;
  /** Half height of the field, arcseconds. */
  readonly halfHeightArcsec: number;
  /** Stars brighter than magnitude 15 in a square degree. */
  readonly starsToMagnitude15: number;
  /** Exponent γ of N(< m) ∝ 10^(γ m). */
  readonly countSlope: number;
  /** Brightest magnitude drawn. */
  readonly minimumMagnitude: number;
  /** Faintest magnitude drawn. */
  readonly maximumMagnitude: number;
}

/**
 * What {@linkcode starField} uses for an option left out. Numbers of a field near the Milky Way's plane and a slope
 * between 0.5 (bright) and 0.3 (faint) after the form of Bahcall & Soneira 1980, ApJS 44, 73 (values from memory).
 */
export const starFieldDefaults: StarFieldOptions = Object.freeze({
  seed: 1,
  halfWidthArcsec: 900,
  halfHeightArcsec: 900,
  starsToMagnitude15: 1100,
  countSlope: 0.36,
  minimumMagnitude: 8,
  maximumMagnitude: 19.5,
});

/**
 * Draw the stars of a field: places uniform, magnitudes by inverse transform from dN/dm ∝ 10^(γ m), colours B − V from
 * a normal law (0.65 ± 0.35, cut at −0.3 and 2) and from there the temperature.
 *
 * @throws {RangeError} if a size, slope or density is not above 0 or the magnitudes are in the wrong order
 *
 * @example The same seed gives the same sky
 * ```ts
 * import assert from "node:assert/strict";
 * import { starField } from "faintlight/simulate";
 *
 * const stars = starField({ seed: 5, maximumMagnitude: 15 });
 * assert.deepEqual(stars, starField({ seed: 5, maximumMagnitude: 15 }));
 * ```
 */
export function starField(options: Partial<StarFieldOptions> = {}): readonly SceneStar[] {
  const used = settle("starField", starFieldDefaults, options);
  const { halfWidthArcsec, halfHeightArcsec, starsToMagnitude15, countSlope, minimumMagnitude, maximumMagnitude } =
    used;
  for (const name of ["halfWidthArcsec", "halfHeightArcsec", "starsToMagnitude15", "countSlope"] as const) {
    if (!(used[name] > 0)) throw new RangeError(`starField: ${name} must be > 0, but got ${used[name]}`);
  }
  if (!(maximumMagnitude > minimumMagnitude)) {
    throw new RangeError(`starField: faintest must be > ${minimumMagnitude}, but got ${maximumMagnitude}`);
  }
  const rate = countSlope * logPortable(10);
  const squareDegrees = 4 * halfWidthArcsec * halfHeightArcsec / (3600 * 3600);
  const to = (magnitude: number) => starsToMagnitude15 * squareDegrees * powPortable(10, countSlope * (magnitude - 15));
  const random = randomStream(used.seed).fork("star field");
  const stars: SceneStar[] = [];
  const first = to(minimumMagnitude) / to(maximumMagnitude);
  const count = random.poisson(to(maximumMagnitude) - to(minimumMagnitude));
  for (let i = 0; i < count; i++) {
    const east = (2 * random.uniform() - 1) * halfWidthArcsec;
    const north = (2 * random.uniform() - 1) * halfHeightArcsec;
    const share = first + (1 - first) * (1 - random.uniform()); // of the cumulative count, (first, 1]
    const magnitude = maximumMagnitude + logPortable(share) / rate;
    const bMinusV = Math.min(2, Math.max(-0.3, 0.65 + 0.35 * normal(random.uniform(), random.uniform())));
    stars.push({ east, north, magnitude, temperatureK: temperatureOfColour(bMinusV) });
  }
  return stars;
}

/** Normal deviate of two uniform ones (Box & Muller 1958), so that each star uses the same number of draws. */
const normal = (u: number, v: number): number => Math.sqrt(-2 * logPortable(1 - u)) * cosPortable(2 * Math.PI * v);
