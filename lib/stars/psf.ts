/**
 * The point-spread function (PSF) of a field: how the flux of its stars falls off from their centres, against the
 * elliptical distance that follows a star's own width and elongation.
 */
import type { Star } from "../core/star.ts";
import { expPortable, logPortable } from "../kernels/elementary.ts";

/** Brightness against elliptical distance, 1 at the centre: a table as far as it reaches, a power law beyond. */
export interface Psf {
  /** Samples of the function, `perPixel` a pixel, from the centre outward. */
  readonly table: Float64Array;
  /** Samples of the table a pixel. */
  readonly perPixel: number;
  /** Distance at which the table ends, pixels. */
  readonly tabulatedTo: number;
  /** Exponent of the power law beyond: brightness falls with distance^−exponent. */
  readonly exponent: number;
  /** Typical full width at half maximum of the stars, pixels. */
  readonly fwhm: number;
  /** Stars it was measured on. */
  readonly stars: number;
}

/** What a field's stars have in common as far as detection tells: the start of a {@linkcode Psf}. */
export interface StarShape {
  /** Typical full width at half maximum, pixels. */
  readonly fwhm: number;
  /** Exponent of the Moffat profile. */
  readonly beta: number;
  /** Typical spin-2 shape, as in {@linkcode Star}. */
  readonly shape: readonly [number, number];
}

/** Where a star's flux lies: its centre and the ellipses of equal brightness about it. */
export interface StarPlace {
  /** Column. */
  readonly x: number;
  /** Row. */
  readonly y: number;
  /** Elliptical distance: r² = a dx² + 2 b dx dy + c dy². */
  readonly a: number;
  /** See `a`. */
  readonly b: number;
  /** See `a`. */
  readonly c: number;
}

/** Bounds of a likely exponent of the Moffat profile, and the one to use where detection found none. */
const minimumBeta = 1.5;
const maximumBeta = 10;
const defaultBeta = 3;

/** The exponent of the Moffat profile as detection found it, if it is likely. */
export const likelyBeta = (found: number): number => found >= minimumBeta && found <= maximumBeta ? found : defaultBeta;

/** Signal-to-noise ratio from which a star's own width and elongation are used in place of the field's. */
const minimumShapeSnr = 60;
/** Bounds of a star's own width against the field's. */
const minimumWidthRatio = 0.8;
const maximumWidthRatio = 1.25;
/** Longest ellipse that is believed, as the size of the spin-2 shape: axes 2 : 1. */
const maximumShape = 0.6;

/**
 * Elliptical distance for a star: its own width and elongation where they are well measured, the field's otherwise.
 *
 * @param typical typical spin-2 shape of the field's stars
 */
export function placeOf(star: Star, fwhm: number, typical: readonly [number, number]): StarPlace {
  const own = star.snr > minimumShapeSnr && !star.saturated;
  const shape = own ? star.shape : typical;
  const stretch = own ? Math.max(minimumWidthRatio, Math.min(maximumWidthRatio, star.fwhmPixels / fwhm)) : 1;
  const size = Math.sqrt(shape[0] * shape[0] + shape[1] * shape[1]);
  const e = Math.min(maximumShape, size);
  const k = e > 0 ? e / size : 0;
  const e1 = shape[0] * k;
  const e2 = shape[1] * k;
  // Inverse of the moment matrix (1 + e1, e2; e2, 1 − e1), with area kept.
  const norm = 1 / Math.sqrt(1 - e * e);
  const scale = norm / (stretch * stretch);
  return { x: star.x, y: star.y, a: (1 - e1) * scale, b: -e2 * scale, c: (1 + e1) * scale };
}

/** Elliptical distance of a pixel that lies dx columns and dy rows from a star's centre. */
export const ellipticalDistance = (place: StarPlace, dx: number, dy: number): number =>
  Math.sqrt(place.a * dx * dx + 2 * place.b * dx * dy + place.c * dy * dy);

/** The point-spread function at a distance. */
export function psfAt(psf: Psf, r: number): number {
  const { table, perPixel, tabulatedTo, exponent } = psf;
  if (r >= tabulatedTo) {
    const end = table[table.length - 1];
    return end * expPortable(-exponent * logPortable(r / tabulatedTo));
  }
  const at = r * perPixel;
  const k = Math.floor(at);
  const f = at - k;
  return k + 1 < table.length ? table[k] * (1 - f) + table[k + 1] * f : table[table.length - 1];
}

/** Distance at which the point-spread function has fallen to a level, found by bisection; at most `maximum`. */
export function psfRadius(psf: Psf, level: number, maximum: number): number {
  if (!(level < 1)) return 0;
  let low = 0;
  let high = maximum;
  if (psfAt(psf, high) > level) return maximum;
  for (let k = 0; k < 40; k++) {
    const centre = (low + high) / 2;
    if (psfAt(psf, centre) > level) low = centre;
    else high = centre;
  }
  return high;
}
