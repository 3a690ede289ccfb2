/** Stars on pixels too coarse for moments: a profile fitted to their samples instead. */
import type { Sampling } from "../core/sampling.ts";
import { medianInPlace } from "../stats/samples.ts";
import type { Candidate } from "./candidate.ts";
import { type Ellipse, ellipseArea, ellipseOf, gaussianFlux, resolvedVariance, shortVariance } from "./ellipse.ts";
import { fitHeight, fitStar } from "./fit_star.ts";
import { type FrameProfile, frameProfile } from "./frame_profile.ts";
import { starModel } from "./star_model.ts";

/**
 * Short-axis variance, in units of what pixels resolve, below which shapes by moments hang on where a star fell on its
 * pixels: round stars of FWHM 1.7 on the green pixels of a mosaic read e = 0.25 by moments.
 */
const minimumResolvedRatio = 1.2;
/** Stars that the profile is made of, the brightest. */
const maximumProfileStars = 60;
/** Fewest of them, and their least signal-to-noise ratio. */
const minimumProfileStars = 5;
const minimumProfileSnr = 12;
/** Times the stars and the profile are fitted in turn: the third changes the width by 0.2 %. */
const iterations = 3;
/** Samples within this many FWHM of a star are fitted… */
const fitRadius = 1.3;
/** … and within this many times the distance of samples: some twenty. */
const fitSamples = 2.5;

/** Whether the pixels are too coarse for moments of the frame's stars. */
export const isUndersampled = (sampling: Sampling, frame: Ellipse): boolean =>
  shortVariance(frame) < minimumResolvedRatio * resolvedVariance(sampling);

/** What {@linkcode fitUndersampled} finds. */
export interface UndersampledStars {
  /** The stars, fitted. */
  readonly stars: Candidate[];
  /** Profile of the frame's stars. */
  readonly profile: FrameProfile;
  /** Shape of the frame's stars. */
  readonly frame: Ellipse;
}

/** A frame while its stars and their profile are fitted in turn. */
interface Fit {
  readonly sampling: Sampling;
  readonly noise: number;
  readonly profile: FrameProfile;
  readonly frame: Ellipse;
}

/** u² within which samples are fitted. */
function reachOf({ sampling, profile, frame }: Fit): number {
  const pitch = sampling.parity === -1 ? 1 : Math.SQRT2;
  return Math.max(fitRadius * profile.fwhmPerSigma, fitSamples * pitch / Math.sqrt(ellipseArea(frame))) ** 2;
}

/** Stars fitted with the profile as it is; those too faint for a shape of their own by their height alone. */
function fitAll(fit: Fit, stars: readonly Candidate[]): Candidate[] {
  const { sampling, noise, frame } = fit;
  const model = starModel(fit.profile.moffat);
  const reach = reachOf(fit);
  return stars.map((star) => {
    if (star.saturated) return star;
    const { background } = star;
    const start = { ...ellipseOf(frame), x: star.x, y: star.y, height: star.height };
    const fitted = star.shaped ? fitStar(sampling, model, start, { background, noise, reach }) : null;
    const { x, y } = fitted ?? star;
    const usual = { ...ellipseOf(frame), x, y, height: star.height };
    const height = fitHeight(sampling, model, usual, background, reach);
    const frameFlux = gaussianFlux(height, frame);
    return fitted === null
      ? { ...star, ...usual, height, frameFlux, shaped: false }
      : { ...star, ...fitted, frameFlux };
  });
}

/** Shape and profile anew from stars fitted with the last ones. */
function refine(fit: Fit, fitted: readonly Candidate[]): Fit {
  const { sampling, noise } = fit;
  const medianOf = (moment: keyof Ellipse) => medianInPlace(Float64Array.from(fitted, (star) => star[moment]));
  const frame = { xx: medianOf("xx"), xy: medianOf("xy"), yy: medianOf("yy") };
  // Each as high as the frame's ellipse makes it: its own may be narrow and high by chance.
  const model = starModel(fit.profile.moffat);
  const reach = reachOf({ ...fit, frame });
  const alike = fitted.map((star) => {
    const usual = { ...star, ...ellipseOf(frame) };
    return { ...usual, height: fitHeight(sampling, model, usual, star.background, reach) };
  });
  return { sampling, noise, frame, profile: frameProfile(sampling, alike, frame, noise) };
}

/**
 * Stars by an elliptical Moffat profile, beta the frame's, fitted to their samples; profile and stars in turn, because
 * the profile is piled up about the stars' places. Stars too faint for a shape of their own and saturated ones stay as
 * they are.
 *
 * @param frame shape of the frame's stars by moments
 * @param first profile of the stars by moments
 */
export function fitUndersampled(
  sampling: Sampling,
  stars: readonly Candidate[],
  frame: Ellipse,
  noise: number,
  first: FrameProfile,
): UndersampledStars {
  const unfitted = { stars: [...stars], profile: first, frame };
  const bright = stars.filter((star) => star.shaped && !star.saturated && star.snr >= minimumProfileSnr)
    .slice(0, maximumProfileStars);
  if (bright.length < minimumProfileStars || first.stars === 0) return unfitted;

  let fit: Fit = { sampling, noise, profile: first, frame };
  for (let iteration = 0; iteration < iterations; iteration++) {
    const fitted = fitAll(fit, bright).filter((star) => star.shaped);
    if (fitted.length < bright.length / 2) return unfitted;
    fit = refine(fit, fitted);
    if (fit.profile.stars === 0) return unfitted;
  }
  return { stars: fitAll(fit, stars), profile: fit.profile, frame: fit.frame };
}
