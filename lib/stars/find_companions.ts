/** Stars that show once those already known are subtracted: beside bright ones, in crowds, at the borders. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { boxAbout, type Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import {
  fitPlane,
  type FitSettings,
  fitStar,
  fitStars,
  type FittedPlane,
  type FittedStar,
  prepareStar,
  psfCorrelation,
} from "./subtract_stars.ts";
import { ellipticalDistance, type Psf, psfAt, psfRadius } from "./psf.ts";
import { findResidualPeaks, minimumDetailContrast, type ResidualPeak } from "./residual_peaks.ts";

/** Passes over the plane, each with the stars of the one before subtracted. */
const passes = 3;
/**
 * Correlation with the point-spread function from which a peak that stands clear of the details about it is a star, and
 * one that does so by less; and below which a star of the list is none. In an [O III] frame of the demo night, full of
 * filaments, 51 of the 74 peaks that stand out less and are as much alike are stars of its truth, 30 of the 349 others;
 * of the list's own 2 in 50 that are less alike.
 */
const minimumPeakCorrelation = 0.35;
const minimumFaintPeakCorrelation = 0.6;
const minimumStarCorrelation = 0.3;
/** Flux over the noise above which what a subtraction leaves may look like stars. */
const minimumDoubtfulFlux = 15;
/** Furthest radius of such a core, in FWHM. */
const maximumCoreInFwhm = 9;
/** Share of the flux taken off that may be left where the point-spread function is untrue; more is another star. */
const maximumResidualShare = 0.3;
/** Distance from a known star, squared and in squares of the FWHM, within which a peak is that star. */
const sameStarSquared = 0.36;
/** Width of a companion against the field's. */
const minimumWidthRatio = 0.6;
const maximumWidthRatio = 1.5;

/** What companions are looked for with. */
export interface CompanionSettings extends FitSettings {
  /** Least signal-to-noise ratio of a star. */
  readonly detectionSigma: number;
  /** Detection of the stars of a plane. */
  readonly detect: (data: Float32Array) => readonly Star[];
}

/** A plane that has stars taken off, with the function that they were taken off by. */
type SubtractedPlane = FittedPlane & { readonly psf: Psf };

/** Flux that was taken off for a star at an offset from it. */
const fluxAt = (psf: Psf, { place, amplitude }: FittedStar, dx: number, dy: number): number =>
  amplitude * psfAt(psf, ellipticalDistance(place, dx, dy));

/** Radius about a star within which what its subtraction left may look like stars. */
function doubtfulRadius({ psf, noise, shape: { fwhm } }: SubtractedPlane, star: FittedStar): number {
  const { amplitude, saturatedRadius } = star;
  return Math.max(
    amplitude > 0 ? psfRadius(psf, minimumDoubtfulFlux * noise / amplitude, maximumCoreInFwhm * fwhm) : 0,
    saturatedRadius > 0 ? saturatedRadius + 1 : 0,
  );
}

/** Set the samples of a star's core that its own subtraction explains to the level about it. */
function flattenCore({ residual, psf }: SubtractedPlane, flat: Float32Array, star: FittedStar, radius: number): void {
  const { data, width } = residual;
  const { x, y } = star.place;
  const { level } = fitStar(data, star);
  const { x0, x1, y0, y1 } = boxAbout(residual, x, y, radius);
  for (let j = y0; j <= y1; j++) {
    for (let i = x0; i <= x1; i++) {
      const dx = i - x;
      const dy = j - y;
      const at = j * width + i;
      if (dx * dx + dy * dy > radius * radius) continue;
      if (Math.abs(data[at] - level) < maximumResidualShare * fluxAt(psf, star, dx, dy)) flat[at] = level;
    }
  }
}

/** The residual with flat cores, so that what subtractions left there is not taken for stars; a borrowed plane. */
function withFlatCores(fitted: SubtractedPlane, cores: readonly number[]): Float32Array {
  const flat = borrowPlane(fitted.residual.data.length);
  flat.set(fitted.residual.data);
  fitted.stars.forEach((star, k) => {
    if (cores[k] > 0) flattenCore(fitted, flat, star, cores[k]);
  });
  return flat;
}

/** Whether a peak lies on a star that is known, or is no more than what its subtraction left. */
function isKnown({ psf, stars, shape: { fwhm } }: SubtractedPlane, cores: readonly number[], peak: Star): boolean {
  return stars.some((star, k) => {
    const dx = peak.x - star.place.x;
    const dy = peak.y - star.place.y;
    const squared = dx * dx + dy * dy;
    const core = cores[k];
    return squared < sameStarSquared * fwhm * fwhm ||
      squared < core * core && peak.peak < maximumResidualShare * fluxAt(psf, star, dx, dy);
  });
}

/** Stars that detection finds in a flattened plane and that are not known yet. */
function detectCompanions(
  fitted: SubtractedPlane,
  cores: readonly number[],
  flat: Float32Array,
  { fwhm, detect }: CompanionSettings,
): Star[] {
  const found = detect(flat).filter((s) =>
    s.fwhmPixels > minimumWidthRatio * fwhm && s.fwhmPixels < maximumWidthRatio * fwhm && !isKnown(fitted, cores, s)
  );
  // What is levelled looks like a cut top: stars seen now have none.
  return found.map((s) => s.saturated ? { ...s, halfFluxRadiusPixels: 0 } : s);
}

/** Whether a peak follows the point-spread function as closely as its height over the details about it asks for. */
function isStar(residual: Raster, { detailContrast }: ResidualPeak, star: FittedStar): boolean {
  const clear = detailContrast > minimumDetailContrast;
  return psfCorrelation(residual, star) > (clear ? minimumPeakCorrelation : minimumFaintPeakCorrelation);
}

/** One pass: the stars that show in what is left, with the same made ready for fitting. */
function findInResidual(
  source: Raster,
  fitted: SubtractedPlane,
  cores: readonly number[],
  settings: CompanionSettings,
  first: boolean,
): { readonly found: readonly Star[]; readonly fresh: readonly FittedStar[] } {
  const { residual, psf, shape } = fitted;
  const { fwhm } = shape;
  const prepare = (star: Star) => prepareStar(source, star, psf, shape, Infinity);
  const flat = withFlatCores(fitted, cores);
  const detected = first ? detectCompanions(fitted, cores, flat, settings) : [];
  const found = [...detected];
  const fresh = detected.map(prepare);
  const limit = Math.max(5, settings.detectionSigma);
  for (const peak of findResidualPeaks({ ...residual, data: flat }, fwhm, limit)) {
    const close = (s: Star) =>
      (s.x - peak.star.x) * (s.x - peak.star.x) + (s.y - peak.star.y) * (s.y - peak.star.y) <
        sameStarSquared * fwhm * fwhm;
    if (isKnown(fitted, cores, peak.star) || detected.some(close)) continue;
    const star = prepare(peak.star);
    if (!isStar(residual, peak, star)) continue;
    fresh.push(star);
    found.push(peak.star);
  }
  returnPlane(flat);
  return { found, fresh };
}

/** The list with the stars that show once those of the list are taken off, brightest first. */
export function findCompanions(source: Raster, list: readonly Star[], settings: CompanionSettings): Star[] {
  const plane = fitPlane(source, list, settings);
  const { residual, stars, psf, noise } = plane;
  const all = [...list];
  if (psf === null) {
    returnPlane(residual.data);
    return all;
  }
  const fitted = { ...plane, psf };
  for (let pass = 0; pass < passes; pass++) {
    const cores = stars.map((star) => doubtfulRadius(fitted, star));
    const { found, fresh } = findInResidual(source, fitted, cores, settings, pass === 0);
    all.push(...found);
    if (fresh.length === 0) break;
    stars.push(...fresh);
    if (pass + 1 < passes) fitStars(residual, stars, psf, settings.reachBelow * noise, 2);
  }
  // Now that neighbours are known: what was measured as a star and has no core of one is a crest.
  const real = all.filter((star, k) =>
    star.saturated && star.halfFluxRadiusPixels > 0 || stars[k] === undefined || stars[k].amplitude === 0 ||
    psfCorrelation(residual, stars[k]) > minimumStarCorrelation
  );
  returnPlane(residual.data);
  return real.sort((a, b) => b.flux - a.flux);
}
