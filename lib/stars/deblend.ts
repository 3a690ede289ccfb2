/**
 * Stars behind stars: a crowded frame searched again with the stars that are known taken off, and all fitted together.
 */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { type Candidate, sortByFlux } from "./candidate.ts";
import { deblendedShapes } from "./deblended_shapes.ts";
import { type Ellipse, ellipseArea } from "./ellipse.ts";
import type { FrameProfile } from "./frame_profile.ts";
import {
  duplicatesOf,
  isFitted,
  markCrowded,
  type ModelStar,
  modelStarOf,
  restoreStar,
  subtractStar,
} from "./model_star.ts";
import { minimumSeparation, type Residual, searchResidual, subtractMesh } from "./search_residual.ts";
import type { StarSearch } from "./search_stars.ts";
import { starModel, stepStar } from "./star_model.ts";

/**
 * Frames are searched again where a star has by chance this many others within two widths: below, blends are the
 * exception.
 */
const minimumNeighbours = 0.1;
/**
 * And has at least so many stars: knots of a nebula misread as wide stars are few, and in a crowd of them nothing may
 * be searched.
 */
const minimumStars = 400;
/** Most searches: each finds what the one before uncovered. */
const maximumSearches = 4;
/** A search that adds less than this share of the stars is the last. */
const minimumAddedShare = 0.01;
/** Passes of the fit over all crowded stars after each search. */
const fitPasses = 2;
/** Radius of the pixels that are fitted, FWHM. */
const fitRadius = 0.75;
/** Largest step of a place in a pass, as a share of the size of a star. */
const maximumStep = 0.25;
/** Signal-to-noise ratio from which on the place of a star is fitted along with its height. */
const minimumPlaceSnr = 4;
/** Share of the detection limit that a crowded star must keep while others are fitted next to it. */
const minimumKeptShare = 0.8;

/** Whether the stars of a frame stand so close that blends are common. */
export function isCrowded(seen: StarSearch, fwhmPixels: number): boolean {
  const { width, height } = seen.sampling;
  const count = seen.stars.length;
  return count >= minimumStars && count * Math.PI * (2 * fwhmPixels) ** 2 > minimumNeighbours * width * height;
}

/** What is left of a frame once its sky is taken off; no star is, yet. In borrowed memory. */
function openResidual(seen: StarSearch, frame: Ellipse, profile: FrameProfile): Residual {
  const { sampling } = seen;
  const data = borrowPlane(sampling.data.length);
  data.set(sampling.data);
  const plane = { ...sampling, data };
  for (const mesh of seen.sky) subtractMesh(plane, mesh);
  return {
    sampling: plane,
    seen,
    frame,
    model: starModel(profile.moffat),
    fwhmPixels: Math.sqrt(ellipseArea(frame)) * profile.fwhmPerSigma,
    sky: [...seen.sky],
  };
}

/** One step of a crowded star towards what is left under it, taken off again with its new place and height. */
function refineStar(residual: Residual, star: ModelStar, core: number): void {
  const { sampling, seen, frame, model } = residual;
  const { drawn } = star;
  const step = stepStar(sampling, model, drawn, core, star.snr > minimumPlaceSnr);
  const before = drawn.height;
  const limit = maximumStep * Math.sqrt(ellipseArea(frame));
  const length = Math.sqrt(step.x * step.x + step.y * step.y);
  const share = length > limit ? limit / length : 1;
  restoreStar(sampling, model, star);
  drawn.x += share * step.x;
  drawn.y += share * step.y;
  drawn.height = Math.max(0, before + step.height);
  star.snr *= before > 0 ? drawn.height / before : 0;
  star.peak += drawn.height - before;
  subtractStar(sampling, model, star, seen.noise);
}

/** The stars less some, which are given back to what is left. */
function without(residual: Residual, stars: readonly ModelStar[], dropped: ReadonlySet<ModelStar>): ModelStar[] {
  return stars.filter((star) => {
    if (!dropped.has(star)) return true;
    restoreStar(residual.sampling, residual.model, star);
    return false;
  });
}

/** Fit all crowded stars together, and drop those that merge with others or vanish in the noise. */
function fitTogether(residual: Residual, given: readonly ModelStar[], core: number): ModelStar[] {
  const { sampling, seen, fwhmPixels } = residual;
  let stars = [...given];
  for (let pass = 0; pass < fitPasses; pass++) {
    // Two that were led to one place are one star; the next pass gives it the flux of both.
    if (pass > 0) stars = without(residual, stars, duplicatesOf(stars, minimumSeparation * fwhmPixels, sampling));
    for (const star of stars) if (isFitted(star)) refineStar(residual, star, core);
  }
  const limit = minimumKeptShare * seen.settings.detectionSigma;
  return without(residual, stars, new Set(stars.filter((star) => star.crowded && !(star.snr >= limit))));
}

/**
 * The stars of a crowded frame, those of the search and those it could not tell from them. In turns: draw all that are
 * known with the frame's profile and take them off (as Stetson 1987, PASP 99, 191); measure sky and noise of what is
 * left; search it; fit height and place of every star that has a neighbour to it. Where the model is not good enough
 * nothing is found: its error counts as noise.
 *
 * @param single the stars that the search found
 * @param sizeVariance how the stars' sizes differ, see sizeVariance
 */
export function deblend(
  seen: StarSearch,
  single: readonly Candidate[],
  profile: FrameProfile,
  sizeVariance: number,
): Candidate[] {
  const frame = seen.width;
  if (frame === null || profile.stars === 0) return [...single];
  const residual = openResidual(seen, frame, profile);
  const { sampling, model, fwhmPixels } = residual;
  const core = (fitRadius * profile.fwhmPerSigma) ** 2;
  let stars = single.map((from) => modelStarOf(from, frame, sizeVariance));
  for (const star of stars) subtractStar(sampling, model, star, seen.noise);
  for (let search = 0; search < maximumSearches; search++) {
    const found = searchResidual(residual, stars);
    for (const star of found) subtractStar(sampling, model, star, seen.noise);
    stars.push(...found);
    markCrowded(stars, model, fwhmPixels, sampling);
    stars = fitTogether(residual, stars, core);
    if (found.length < minimumAddedShare * stars.length) break;
  }

  stars = stars.filter((star) => star.snr >= seen.settings.detectionSigma);
  const deblended = deblendedShapes(residual, stars.filter(isFitted));
  returnPlane(sampling.data);
  return sortByFlux(stars.map((star) => deblended.get(star) ?? star.from));
}
