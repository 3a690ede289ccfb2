/** The stars of a search, their width and flux calibrated by the frame's mean star. */
import type { Star } from "../core/star.ts";
import type { Candidate } from "./candidate.ts";
import { deblend, isCrowded } from "./deblend.ts";
import { eccentricityOf, ellipseArea } from "./ellipse.ts";
import { type FrameProfile, frameProfile } from "./frame_profile.ts";
import { halfFluxRadius } from "./half_flux_radius.ts";
import type { StarSearch } from "./search_stars.ts";
import { frameFluxScale, shapePriorWeight, starSizeVariance } from "./shape_prior.ts";
import { fitUndersampled, isUndersampled } from "./undersampled_stars.ts";

/**
 * Half-flux radii are measured on this many stars, from the brightest; the rest take the frame's ratio to the width.
 */
const maximumMeasuredRadii = 100;
/** Least signal-to-noise ratio of a star whose half-flux radius is measured. */
const minimumRadiusSnr = 20;
/** Half-flux radius over FWHM where none can be measured: that of a Gaussian. */
const gaussianRadiusRatio = 0.5;

/** What the stars of a frame have in common. */
interface Calibration {
  /** Their profile. */
  readonly profile: FrameProfile;
  /** Variance of the logarithm of their areas. */
  readonly sizeVariance: number;
  /** Half-flux radius over FWHM. */
  readonly radiusRatio: number;
}

/** The stars of a frame with their profile. */
export interface CalibratedStars {
  /** The stars, brightest first. */
  readonly stars: Star[];
  /** Profile of the frame's stars. */
  readonly profile: FrameProfile;
  /** Typical FWHM, pixels; NaN without stars. */
  readonly fwhmPixels: number;
}

/**
 * Size |e| of a star's spin-2 shape without the bias that noise gives. Noise adds that of both components to |e|² on
 * average; elongation that one round star in twenty would show is none.
 */
function unbiasedShape({ shaped, shapeVariance }: Candidate, measured2: number): number {
  // A star without a shape of its own has the frame's, which many stars have made: believed from 0.05 on.
  if (!shaped) return measured2 > 0.0025 ? Math.sqrt(measured2) : 0;
  return measured2 > 6 * shapeVariance ? Math.sqrt(measured2 - 2 * shapeVariance) : 0;
}

/**
 * A star from a candidate and what the frame's stars have in common.
 *
 * @param radius its half-flux radius; NaN where it was not measured
 */
function starOf(candidate: Candidate, { profile, sizeVariance, radiusRatio }: Calibration, radius: number): Star {
  const { xx, xy, yy } = candidate;
  const area = Math.sqrt(xx * yy - xy * xy);
  const sum = xx + yy;
  const e1 = (xx - yy) / sum;
  const e2 = 2 * xy / sum;
  const fwhmPixels = Math.sqrt(area) * profile.fwhmPerSigma;
  const own = shapePriorWeight(candidate, sizeVariance);
  return {
    x: candidate.x,
    y: candidate.y,
    flux: profile.fluxPerGaussian *
      (own * candidate.height * 2 * Math.PI * area + (1 - own) * candidate.frameFlux),
    peak: candidate.peak,
    snr: candidate.snr,
    fwhmPixels,
    eccentricity: eccentricityOf(unbiasedShape(candidate, e1 * e1 + e2 * e2)),
    elongationDegrees: ((Math.atan2(e2, e1) * 90 / Math.PI) + 180) % 180,
    shape: [e1, e2],
    halfFluxRadiusPixels: radius === radius ? radius : radiusRatio * fwhmPixels,
    background: candidate.background,
    saturated: candidate.saturated,
  };
}

/** Half-flux radii of the brightest stars, NaN for the others, and their median ratio to the FWHM. */
function measureRadii(
  { sampling }: StarSearch,
  stars: readonly Candidate[],
  profile: FrameProfile,
  fwhmPixels: number,
): { radii: Float64Array; radiusRatio: number } {
  const radii = new Float64Array(stars.length).fill(NaN);
  const ratios: number[] = [];
  for (let i = 0; i < stars.length && ratios.length < maximumMeasuredRadii; i++) {
    const { snr, saturated, x, y, background } = stars[i];
    if (snr < minimumRadiusSnr || saturated) continue;
    radii[i] = halfFluxRadius(sampling, x, y, background, 3 * fwhmPixels);
    if (radii[i] === radii[i]) ratios.push(radii[i] / (Math.sqrt(ellipseArea(stars[i])) * profile.fwhmPerSigma));
  }
  ratios.sort((a, b) => a - b);
  return { radii, radiusRatio: ratios.length === 0 ? gaussianRadiusRatio : ratios[ratios.length >> 1] };
}

/**
 * Stars of a search.
 *
 * @param deblending whether a crowded frame is searched again for the stars that the search did not separate
 */
export function starsFromSearch(search: StarSearch, deblending: boolean): CalibratedStars {
  const { sampling, noise, width } = search;
  const first = frameProfile(sampling, search.stars, width, noise);
  if (width === null) return { stars: [], profile: first, fwhmPixels: NaN };
  const { stars: candidates, profile, frame } = isUndersampled(sampling, width)
    ? fitUndersampled(sampling, search.stars, width, noise, first)
    : { stars: search.stars, profile: first, frame: width };

  const fwhmPixels = Math.sqrt(ellipseArea(frame)) * profile.fwhmPerSigma;
  const sizeVariance = starSizeVariance(candidates, frame);
  const scale = frameFluxScale(candidates);
  const single = candidates.map((star) => ({ ...star, frameFlux: star.frameFlux * scale }));
  const stars = deblending && isCrowded(search, fwhmPixels)
    ? deblend({ ...search, width: frame }, single, profile, sizeVariance)
    : single;
  const { radii, radiusRatio } = measureRadii(search, stars, profile, fwhmPixels);
  const calibration = { profile, sizeVariance, radiusRatio };
  return { stars: stars.map((star, i) => starOf(star, calibration, radii[i])), profile, fwhmPixels };
}
