/** What became of the flux of the bright stars. */
import type { Point } from "../core/geometry.ts";
import type { Raster } from "../core/raster.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import type { StarList } from "../stars/detect_stars.ts";
import { fitPolynomialSurface, polynomialSurfaceAt, type SurfacePoint } from "../surfaces/polynomial_surface.ts";
import { ringLevel } from "./star_rings.ts";

/** Flux of stars after over before. */
export interface StarFluxRatio {
  /** Median; NaN with fewer than five stars. */
  readonly ratio: number;
  /**
   * At a place: thin cloud that a step makes up for lies over a part of the field. The median with fewer than twenty
   * stars.
   */
  readonly at: (x: number, y: number) => number;
}

/** Nothing is known of the stars. */
export const starFluxUnknown: StarFluxRatio = Object.freeze({ ratio: NaN, at: () => NaN });

/** Stars of at least this signal-to-noise ratio tell a ratio to some three per cent. */
const minimumFluxSnr = 30;
/** Stars whose flux is measured, at most: the brightest. */
const maximumFluxStars = 60;
/** Stars that a median needs. */
const minimumStars = 5;
/** Stars that a plane over the field needs. */
const minimumPlaneStars = 20;

/** Flux within one and a half FWHM of a place, above the median of a ring; NaN at the border. */
function apertureFlux(raster: Raster, { x, y }: Point, fwhm: number): number {
  const { data, width, height } = raster;
  const around = ringLevel(raster, { x, y }, [3 * fwhm, 4.5 * fwhm]);
  let sum = 0;
  for (let j = Math.ceil(y - 1.5 * fwhm); j <= y + 1.5 * fwhm; j++) {
    for (let i = Math.ceil(x - 1.5 * fwhm); i <= x + 1.5 * fwhm; i++) {
      if (i < 0 || j < 0 || i >= width || j >= height) return NaN;
      if ((i - x) * (i - x) + (j - y) * (j - y) <= 2.25 * fwhm * fwhm) sum += data[j * width + i] - around;
    }
  }
  return sum;
}

/** A plane through the ratios of stars over the field, outliers clipped; null when too few are left. */
function planeOf(ratios: readonly SurfacePoint[], { width, height }: Raster) {
  let plane = fitPolynomialSurface(ratios, { width, height, degree: 1 });
  for (let iteration = 0; iteration < 3; iteration++) {
    const off = ratios.map((each) => Math.abs(each.value - polynomialSurfaceAt(plane, each.x, each.y)));
    const limit = 3 * madSigmaFactor * median(off);
    const used = ratios.filter((_, i) => off[i] <= limit);
    if (used.length < minimumPlaneStars) return null;
    plane = fitPolynomialSurface(used, { width, height, degree: 1 });
  }
  return plane;
}

/** Flux of bright stars after over before, within one and a half FWHM, above a ring. */
export function starFluxRatio({ stars, fwhmPixels: fwhm }: StarList, before: Raster, after: Raster): StarFluxRatio {
  if (!(fwhm > 0)) return starFluxUnknown;
  const clear = stars.filter((s) => !s.saturated && s.snr > minimumFluxSnr).slice(0, maximumFluxStars);
  const ratios = clear.flatMap((s) => {
    const was = apertureFlux(before, s, fwhm);
    const is = apertureFlux(after, s, fwhm);
    return was > 0 && is === is ? [{ x: s.x, y: s.y, value: is / was }] : [];
  });
  const ratio = ratios.length < minimumStars ? NaN : median(ratios.map(({ value }) => value));
  const plane = ratios.length < minimumPlaneStars ? null : planeOf(ratios, before);
  return { ratio, at: (x, y) => plane === null ? ratio : polynomialSurfaceAt(plane, x, y) };
}
