/** Shapes of the stars bright enough for one of their own, and how concentrated the others are. */
import type { Sampling } from "../core/sampling.ts";
import { momentAt, momentFields } from "../kernels/moments.ts";
import { medianInPlace } from "../stats/samples.ts";
import type { CentredStar, CentredStars } from "./centre_candidates.ts";
import { type Ellipse, ellipseArea, longVariance, shortVariance } from "./ellipse.ts";
import { measureList, momentList, setEntry } from "./moment_list.ts";

/** Signal-to-noise ratio from which on a star gets a shape of its own. */
export const minimumShapeSnr = 8;
/** Share of the weight that must lie in the frame for a shape: what a border cuts has none of its own. */
export const minimumShapeCovered = 0.9;
/** Below this signal-to-noise ratio a shape alone does not tell a star from a wide blob. */
const minimumTellingSnr = 15;
/** Stars with a shape that say how much more flux a wide weight usually sees. */
const maximumExamples = 40;
const minimumExamples = 5;
/** That ratio for a Gaussian star and a weight twice as wide. */
const gaussianConcentration = 1.6;

/** Shapes of the stars of a frame; each list is measured, entries by `own`. */
export interface CandidateShapes {
  /** Entry of each star in the two lists: where it begins; −1 for one too faint or cut by the border. */
  readonly own: Int32Array;
  /** Adaptive moments of those with an entry. */
  readonly adapted: Float64Array;
  /** The same stars at the same places under the frame's ellipse. */
  readonly fixed: Float64Array;
}

/** How much more flux each star shows under a weight twice as wide. */
export interface Concentrations {
  /** Ratio of the two sums; NaN for stars that were not asked. */
  readonly ratios: Float64Array;
  /** The usual ratio of the frame's stars. */
  readonly usual: number;
}

/**
 * Adapt centre and ellipse of the bright stars.
 *
 * @param shape of the frame's stars
 * @param first shapes found before, by candidate: the start for those who have one, since an arc or a long trail is
 * far from any other
 */
export function measureShapes(
  sampling: Sampling,
  stars: readonly CentredStar[],
  shape: Ellipse,
  first: (index: number) => Ellipse | undefined,
): CandidateShapes {
  const own = new Int32Array(stars.length).fill(-1);
  const bright = stars.filter(({ snr, covered }) => snr >= minimumShapeSnr && covered > minimumShapeCovered);
  const adapted = momentList(bright.length);
  const size = Math.sqrt(ellipseArea(shape));
  const long = Math.sqrt(longVariance(shape));
  let entries = 0;
  stars.forEach(({ index, x, y, background, snr, covered }, k) => {
    if (!(snr >= minimumShapeSnr && covered > minimumShapeCovered)) return;
    const e = setEntry(adapted, entries++, 2, { x, y, shape: first(index) ?? shape, background });
    adapted[e + momentAt.maximumShift] = Math.max(1.5, size);
    adapted[e + momentAt.minimumVariance] = 0.1 * shortVariance(shape);
    adapted[e + momentAt.maximumVariance] = 40 * long * long;
    adapted[e + momentAt.iterations] = snr > 30 ? 20 : 10;
    own[k] = e;
  });
  measureList(sampling, adapted);

  const fixed = adapted.slice();
  for (let e = 0; e < fixed.length; e += momentFields) {
    fixed[e + momentAt.task] = 0;
    fixed[e + momentAt.xx] = shape.xx;
    fixed[e + momentAt.xy] = shape.xy;
    fixed[e + momentAt.yy] = shape.yy;
  }
  measureList(sampling, fixed);
  return { own, adapted, fixed };
}

/** Whether a star has no shape that tells it from a wide blob. */
export function lacksTellingShape({ own, adapted }: CandidateShapes, k: number, snr: number): boolean {
  return own[k] < 0 || adapted[own[k] + momentAt.converged] === 0 || snr < minimumTellingSnr;
}

/**
 * Ask stars too faint for a telling shape how much more flux a weight twice as wide sees: for a Gaussian star 1.6
 * times, for what is flat there 4 times; the noise of that is 0.75 / SNR of it. Bright stars say what is usual.
 *
 * @param shape of the frame's stars
 */
export function measureConcentrations(
  sampling: Sampling,
  { list, stars }: CentredStars,
  shapes: CandidateShapes,
  shape: Ellipse,
): Concentrations {
  const twice = { xx: 4 * shape.xx, xy: 4 * shape.xy, yy: 4 * shape.yy };
  const asked: { readonly k: number; readonly example: boolean }[] = [];
  let examples = 0;
  stars.forEach(({ snr, covered }, k) => {
    const example = !lacksTellingShape(shapes, k, snr);
    if (covered < minimumShapeCovered || (example && examples >= maximumExamples)) return;
    if (example) examples++;
    asked.push({ k, example });
  });
  const wide = momentList(asked.length);
  asked.forEach(({ k }, i) => {
    const { x, y, background } = stars[k];
    setEntry(wide, i, 0, { x, y, shape: twice, background });
  });
  measureList(sampling, wide);

  const ratios = new Float64Array(stars.length).fill(NaN);
  const usual: number[] = [];
  asked.forEach(({ k, example }, i) => {
    ratios[k] = wide[i * momentFields + momentAt.sum] / list[stars[k].entry + momentAt.sum];
    if (example) usual.push(ratios[k]);
  });
  return {
    ratios,
    usual: usual.length >= minimumExamples ? medianInPlace(Float64Array.from(usual)) : gaussianConcentration,
  };
}
