/** Which of the centred candidates are stars of this frame, and what each measures. */
import type { Sampling } from "../core/sampling.ts";
import { momentAt } from "../kernels/moments.ts";
import { type Candidate, shapeVarianceOf } from "./candidate.ts";
import {
  type CandidateShapes,
  type Concentrations,
  lacksTellingShape,
  minimumShapeCovered,
} from "./candidate_shapes.ts";
import type { CentredStar, CentredStars } from "./centre_candidates.ts";
import { type Ellipse, ellipseArea, gaussianFlux, gaussianHeight, shortVariance } from "./ellipse.ts";
import { isFlatTopped } from "./flat_top.ts";
import { ellipseAt, gaussianFluxAt, signalToNoise } from "./moment_list.ts";
import type { SearchField } from "./search_field.ts";
import { StarCells } from "./star_cells.ts";
import type { TypicalShape } from "./typical_shape.ts";

/** Least short axis of a star over the frame's, but for three times its error. */
const minimumWidthRatio = 0.62;
/** Largest size of a star over the frame's, but for twice three times its error. */
const maximumSizeRatio = 1.6;
/** Largest concentration ratio over the usual one, but for its error. */
const maximumConcentration = 1.15;
/** Side of the cells in which close candidates are sought, pixels, at least. */
const minimumCell = 8;

/** What the judgement of candidates rests on. */
export interface Measured {
  /** Stars centred under the frame's ellipse. */
  readonly centred: CentredStars;
  /** Shapes of their own. */
  readonly shapes: CandidateShapes;
  /** How concentrated they are. */
  readonly concentrations: Concentrations;
  /** Shape of the frame's stars. */
  readonly typical: TypicalShape;
}

/** Numbers of candidates turned down, by reason. */
export interface AcceptedStars {
  /** The stars, in the order of the candidates. */
  readonly stars: Candidate[];
  /** Narrower than the frame's stars. */
  readonly narrow: number;
  /** Wider than the frame's stars. */
  readonly wide: number;
  /** Second finds of a star. */
  readonly partOfAnother: number;
}

/** The measurement that stands for a star: its own shape's where it has one, else the one under the frame's ellipse. */
interface Reading {
  readonly list: Float64Array;
  readonly entry: number;
  readonly shape: Ellipse;
  readonly shaped: boolean;
}

function readingOf({ centred, shapes, typical }: Measured, k: number): Reading {
  const own = shapes.own[k];
  return own >= 0 && shapes.adapted[own + momentAt.converged] === 1
    ? { list: shapes.adapted, entry: own, shape: ellipseAt(shapes.adapted, own), shaped: true }
    : { list: centred.list, entry: centred.stars[k].entry, shape: typical.shape, shaped: false };
}

/** Whether a star has reached the saturation level or is flat-topped. */
function isSaturated({ sampling, settings }: SearchField, list: Float64Array, star: CentredStar): boolean {
  const { x, y, background, snr, entry } = star;
  return list[entry + momentAt.peak] + background >= settings.saturationLevel ||
    (snr > 50 && isFlatTopped(sampling, x, y, background));
}

/** Whether a candidate is narrower or wider than the frame's stars, which its own noise allows to some extent. */
function misfitOf(measured: Measured, k: number, { shape, shaped }: Reading): "narrow" | "wide" | null {
  const { centred, shapes, concentrations, typical } = measured;
  const { snr } = centred.stars[k];
  if (
    lacksTellingShape(shapes, k, snr) &&
    concentrations.ratios[k] > concentrations.usual * (maximumConcentration + 3 / snr)
  ) return "wide";
  if (!shaped) return null;
  const error = 3 / snr;
  const widthRatio = Math.sqrt(shortVariance(shape) / shortVariance(typical.shape));
  if (widthRatio < minimumWidthRatio - error) return "narrow";
  const sizeRatio = Math.sqrt(ellipseArea(shape)) / Math.sqrt(ellipseArea(typical.shape));
  return sizeRatio > maximumSizeRatio + 2 * error ? "wide" : null;
}

/** Height of a Gaussian of known shape and place that fits the pixels best, as many of them as the frame holds. */
function fitGaussianHeight(
  { data, width, height, parity }: Sampling,
  { xx, xy, yy }: Ellipse,
  x0: number,
  y0: number,
  background: number,
): number {
  const det = xx * yy - xy * xy;
  const reachX = 3 * Math.sqrt(xx);
  const reachY = 3 * Math.sqrt(yy);
  let products = 0;
  let squares = 0;
  for (let y = Math.max(0, Math.ceil(y0 - reachY)); y <= Math.min(height - 1, y0 + reachY); y++) {
    for (let x = Math.max(0, Math.ceil(x0 - reachX)); x <= Math.min(width - 1, x0 + reachX); x++) {
      const dx = x - x0;
      const dy = y - y0;
      const v = data[y * width + x] - background;
      if (v !== v || (parity !== -1 && ((x + y) & 1) !== parity)) continue;
      const w = Math.exp(-0.5 * (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det);
      products += w * v;
      squares += w * w;
    }
  }
  return products / squares;
}

/** A star from its measurement. */
function candidateOf(
  { sampling, settings }: SearchField,
  { centred, shapes }: Measured,
  k: number,
  { list, entry, shape, shaped }: Reading,
  saturated: boolean,
): Candidate {
  const star = centred.stars[k];
  const { background } = star;
  const x = list[entry + momentAt.x];
  const y = list[entry + momentAt.y];
  const snr = shaped ? signalToNoise(list, entry, star.noise, settings.electronsPerUnit) : star.snr;
  // Where the weight lies whole in the frame by its integral, else by what of the star is there.
  const height = star.covered > minimumShapeCovered
    ? gaussianHeight(gaussianFluxAt(sampling, list, entry), shape)
    : fitGaussianHeight(sampling, shape, x, y, background);
  return {
    x,
    y,
    xx: shape.xx,
    xy: shape.xy,
    yy: shape.yy,
    height,
    frameFlux: shaped ? gaussianFluxAt(sampling, shapes.fixed, shapes.own[k]) : gaussianFlux(height, shape),
    peak: list[entry + momentAt.peak],
    snr,
    background,
    saturated,
    shaped,
    shapeVariance: shapeVarianceOf(snr),
  };
}

/**
 * Turn down what is narrower or wider than the frame's stars and what was found twice, from two humps of one star, and
 * make stars of the rest.
 */
export function acceptStars(field: SearchField, measured: Measured): AcceptedStars {
  const { centred, typical } = measured;
  const size = Math.sqrt(ellipseArea(typical.shape));
  const cells = new StarCells<Candidate>(Math.max(minimumCell, size), field.sampling, (star) => star);
  const counts = { narrow: 0, wide: 0, partOfAnother: 0 };
  const stars: Candidate[] = [];
  centred.stars.forEach((star, k) => {
    const saturated = isSaturated(field, centred.list, star);
    const reading = readingOf(measured, k);
    const misfit = saturated || !typical.reliable ? null : misfitOf(measured, k, reading);
    if (misfit !== null) {
      counts[misfit]++;
      return;
    }
    const x = reading.list[reading.entry + momentAt.x];
    const y = reading.list[reading.entry + momentAt.y];
    if (cells.some(x, y, (other) => (other.x - x) ** 2 + (other.y - y) ** 2 < size * size)) {
      counts.partOfAnother++;
      return;
    }
    const accepted = candidateOf(field, measured, k, reading, saturated);
    cells.add(accepted);
    stars.push(accepted);
  });
  return { stars, ...counts };
}
