/** Width and shape of a frame's stars where an aircraft's flashes and pieces of trails stand among them. */
import type { Star } from "../core/star.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { median } from "../stats/median.ts";
import { shapeOfEccentricity } from "./axis_ratio.ts";
import { collinearDirection } from "./collinear_detections.ts";
import { type NightGroup, widthPerSigma } from "./night_group.ts";
import type { Transparency } from "./transparency.ts";

/** Width and shape of the stars, of stars of the field only. */
export interface StarFigures {
  /** FWHM, pixels. */
  readonly fwhm: number;
  /** Standard deviation of the matched Gaussian along the short axis, pixels. */
  readonly short: number;
  /** Modulus of the spin-2 shape. */
  readonly shape: number;
  /** Direction of the elongation, from +x towards +y, 0 … 180. */
  readonly degrees: number;
  /** Share of the elongation that all stars have in common. */
  readonly alignment: number;
  /** Directions of rows of detections that are no stars of the field. */
  readonly flashDegrees: readonly number[];
  /** Whether these are medians of matched stars in place of the frame's own figures. */
  readonly cleaned: boolean;
}

/** Matched stars from which on their medians can stand in for the frame's figures. */
const minimumMatched = 8;

/** Share of the brightest detections that may be unmatched before the frame's own figures are given up (own). */
const maximumUnmatchedShare = 0.3;

/** The frame's own figures. */
const ownFigures = (quality: FrameQuality): StarFigures => ({
  fwhm: quality.fwhmPixels,
  short: quality.shortSigmaPixels,
  shape: shapeOfEccentricity(quality.eccentricity),
  degrees: quality.elongationDegrees,
  alignment: quality.alignment,
  flashDegrees: [],
  cleaned: false,
});

/**
 * Medians of the given stars. Their widths were taken with the profile of the frame's brightest detections, which are
 * no stars: the night's is used.
 */
function medianFigures(stars: readonly Star[], quality: FrameQuality, group: NightGroup) {
  const unsaturated = stars.filter((star) => !star.saturated);
  const clear = unsaturated.filter((star) => star.snr >= 20);
  const chosen = clear.length >= minimumMatched ? clear : unsaturated;
  const medianOver = (get: (star: Star) => number) => median(chosen.map(get));
  const e1 = medianOver((star) => star.shape[0]);
  const e2 = medianOver((star) => star.shape[1]);
  const shape = Math.min(0.99, Math.hypot(e1, e2));
  const scatter = medianOver((star) => Math.hypot(star.shape[0] - e1, star.shape[1] - e2));
  const sigma = medianOver((star) => star.fwhmPixels) / widthPerSigma(quality);
  return {
    fwhm: sigma * group.widthPerSigma,
    short: sigma * Math.pow((1 - shape) / (1 + shape), 0.25),
    shape,
    degrees: (Math.atan2(e2, e1) * 90 / Math.PI + 180) % 180,
    alignment: shape / Math.max(1e-9, Math.hypot(shape, scatter)),
  };
}

/**
 * The frame's figures, or, where many of its brighter detections are no stars of the field (flashes and pieces of an
 * aircraft's trail), the medians of those that are.
 */
export function starFigures(quality: FrameQuality, { found, strange }: Transparency, group: NightGroup): StarFigures {
  const own = ownFigures(quality);
  if (found.length < minimumMatched || quality.doubling !== null) return own;
  // What only this frame's part of the sky shows is not compared: of a field that drifts it would line up at a border.
  const compared = new Set([...found, ...strange]);
  const most = Math.min(60, Math.max(20, found.length));
  const brightest = quality.stars.map((_, i) => i).filter((i) => compared.has(i)).slice(0, most);
  const matched = new Set(found);
  const unmatchedShare = brightest.filter((i) => !matched.has(i)).length / brightest.length;
  // A border cuts stars through and lines up what is left of them.
  const margin = 4 * quality.fwhmPixels;
  const unmatched = strange.map((i) => quality.stars[i]).filter(({ x, y }) =>
    Math.min(x, y, quality.width - 1 - x, quality.height - 1 - y) > margin
  );
  const direction = collinearDirection(unmatched, quality.width, quality.height);
  // A bright trail alone spoils the mean profile that widths stand on.
  if (unmatchedShare < maximumUnmatchedShare && direction === null && quality.trails.length === 0) return own;
  return {
    ...medianFigures(found.map((i) => quality.stars[i]), quality, group),
    flashDegrees: direction === null ? [] : [direction],
    cleaned: true,
  };
}
