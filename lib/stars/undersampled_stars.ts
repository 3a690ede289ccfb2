/** Stars on pixels too coarse for moments: a profile fitted to their samples instead. */
import { medianInPlace } from "../stats/samples.ts";
import { type FrameProfile, frameProfile } from "./frame_profile.ts";
import { type Ellipse, ellipseArea, leastVariance, shortVariance } from "./moments.ts";
import type { Sampling } from "../core/sampling.ts";
import { fitHeight, fitStar, starModel } from "./star_model.ts";
import type { Candidate } from "./search_stars.ts";

/**
 * Short-axis variance, in units of what pixels resolve, below which shapes by moments hang on where a star fell on its
 * pixels: round stars of FWHM 1.7 on the green pixels of a mosaic read e = 0.25 by moments.
 */
const COARSE = 1.2;
/**
 * Stars that tell the profile, the brightest; and rounds of fitting them and the profile in turn: the third changes
 * the width by 0.2 %.
 */
const TELLING = 60;
const ROUNDS = 3;
/**
 * Samples within this many FWHM of a star are fitted, and within this many times the distance of samples: some twenty.
 */
const REACH = 1.3;
const SAMPLES = 2.5;

/** Whether the pixels are too coarse for moments of the frame's stars. */
export const isUndersampled = (sampling: Sampling, frame: Ellipse): boolean =>
  shortVariance(frame) < COARSE * leastVariance(sampling);

/** What {@linkcode fitUndersampled} finds. */
export interface UndersampledStars {
  readonly stars: Candidate[];
  readonly profile: FrameProfile;
  readonly frame: Ellipse;
}

/**
 * Stars by an elliptical Moffat profile, beta the frame's, fitted to their samples; profile and stars in turn, because
 * the profile is piled up about the stars' places. Stars too faint for a shape of their own and saturated ones stay as
 * they are.
 */
export function fitUndersampled(
  sampling: Sampling,
  stars: readonly Candidate[],
  frame: Ellipse,
  noise: number,
  first: FrameProfile,
): UndersampledStars {
  let profile = first;
  let ellipse = frame;
  const telling = stars.filter((star) => star.shaped && !star.saturated && star.snr >= 12).slice(0, TELLING);
  if (telling.length < 5 || first.stars === 0) return { stars: [...stars], profile, frame };
  const reachOf = () => {
    const pitch = sampling.parity === -1 ? 1 : Math.SQRT2;
    return Math.max(REACH * profile.fwhmPerSigma, SAMPLES * pitch / Math.sqrt(ellipseArea(ellipse))) ** 2;
  };
  const fitAll = (list: readonly Candidate[]): Candidate[] => {
    const model = starModel(profile.moffat);
    const reach = reachOf();
    return list.map((star) => {
      if (star.saturated) return star;
      const start = { ...shapeOf(ellipse), x: star.x, y: star.y, height: star.height };
      const fit = star.shaped ? fitStar(sampling, model, start, star.background, noise, reach) : null;
      const { x, y } = fit ?? star;
      const usual = { ...shapeOf(ellipse), x, y, height: star.height };
      const height = fitHeight(sampling, model, usual, star.background, reach);
      const frameFlux = height * 2 * Math.PI * ellipseArea(ellipse);
      return fit === null ? { ...star, ...usual, height, frameFlux, shaped: false } : { ...star, ...fit, frameFlux };
    });
  };
  for (let round = 0; round < ROUNDS; round++) {
    const fitted = fitAll(telling).filter((star) => star.shaped);
    if (fitted.length < telling.length / 2) return { stars: [...stars], profile: first, frame };
    const middle = (of: (star: Candidate) => number) => medianInPlace(Float64Array.from(fitted, of));
    ellipse = { xx: middle((star) => star.xx), xy: middle((star) => star.xy), yy: middle((star) => star.yy) };
    // Each as high as the frame's ellipse makes it: its own may be narrow and high by chance.
    const model = starModel(profile.moffat);
    const reach = reachOf();
    const alike = fitted.map((star) => {
      const usual = { ...star, ...shapeOf(ellipse) };
      return { ...usual, height: fitHeight(sampling, model, usual, star.background, reach) };
    });
    profile = frameProfile(sampling, alike, ellipse, noise);
    if (profile.stars === 0) return { stars: [...stars], profile: first, frame };
  }
  return { stars: fitAll(stars), profile, frame: ellipse };
}

const shapeOf = ({ xx, xy, yy }: Ellipse): Ellipse => ({ xx, xy, yy });
