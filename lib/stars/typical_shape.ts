/** The width and shape that most stars of a frame have, from the brightest candidates, before the others are judged. */
import { momentAt, momentFields } from "../kernels/moments.ts";
import { medianInPlace } from "../stats/samples.ts";
import type { CandidatePeak } from "./candidate_peaks.ts";
import { circle, type Ellipse, ellipseArea } from "./ellipse.ts";
import { isFlatTopped } from "./flat_top.ts";
import { ellipseAt, isSinglePixel, measureList, momentList, setEntry, signalToNoise } from "./moment_list.ts";
import { pixelNoiseAt, type SearchField, skyAt } from "./search_field.ts";
import type { SearchGrid } from "./search_grid.ts";

/** Candidates whose shape is measured, those of the highest contrast. */
const measuredShapes = 120;
/** Half width of the kernel by which sizes are counted: stars of one frame, measured at SNR 15, differ by as much. */
const sizeKernel = 0.12;
/** Largest difference of a star's size (logarithm) from the most frequent one that still counts as alike. */
const maximumSizeDifference = 0.25;
/** Stars of about the same size from which on the frame's shape is one that others may be judged by. */
const minimumAlike = 3;
/** Contrast from which on a candidate may be a piece of an arc or a long trail, whose middle lies anywhere along it. */
const minimumTrailContrast = 30;

/** The shape of a bright candidate. */
export interface FirstShape {
  /** Logarithm of the geometric mean of its standard deviations. */
  readonly size: number;
  /** Matched Gaussian. */
  readonly shape: Ellipse;
  /** The candidate. */
  readonly candidate: CandidatePeak;
  /** Whether the weight lay in the frame. */
  readonly whole: boolean;
}

/** Shape and size of a frame's stars. */
export interface TypicalShape {
  /** Medians of the moments of the stars of the most frequent size. */
  readonly shape: Ellipse;
  /** Whether enough stars agree on it for others to be judged by it. */
  readonly reliable: boolean;
}

/** Candidates of the highest contrast that are no single pixels under a weight as narrow as the grid's blocks. */
function brightestCandidates(
  field: SearchField,
  candidates: readonly CandidatePeak[],
  shape: Ellipse,
): CandidatePeak[] {
  const sorted = [...candidates].sort((a, b) => b.contrast - a.contrast).slice(0, 2 * measuredShapes);
  const list = momentList(sorted.length);
  sorted.forEach(({ x, y }, k) => setEntry(list, k, 0, { x, y, shape, background: skyAt(field, x, y) }));
  measureList(field.sampling, list);
  return sorted.filter((each, k) => each.extended || !isSinglePixel(list, k)).slice(0, measuredShapes);
}

/** List of candidates to adapt centre and ellipse of. */
function adaptiveList(field: SearchField, candidates: readonly CandidatePeak[], binning: number): Float64Array {
  const { width, height } = field.sampling;
  const guess = (0.75 * binning) ** 2;
  const list = momentList(candidates.length);
  candidates.forEach(({ x, y, xx, xy, yy, extended, contrast }, k) => {
    const share = extended ? 2 : 0;
    const shape = { xx: share * xx + guess, xy: share * xy, yy: share * yy + guess };
    const e = setEntry(list, k, 2, { x, y, shape, background: skyAt(field, x, y) });
    const far = contrast > minimumTrailContrast ? (width + height) / 8 : 3 * binning;
    list[e + momentAt.maximumShift] = Math.max(far, 1.5 * Math.sqrt(xx + yy));
    list[e + momentAt.minimumVariance] = 0.12;
    list[e + momentAt.maximumVariance] = (width * width + height * height) / 16;
    list[e + momentAt.iterations] = 25;
  });
  return list;
}

/** Shapes of the brightest unsaturated candidates of a search that settle on one. */
export function firstShapes(
  field: SearchField,
  search: SearchGrid,
  candidates: readonly CandidatePeak[],
): FirstShape[] {
  const { sampling, settings } = field;
  const tried = brightestCandidates(field, candidates, circle((0.75 * search.binning) ** 2));
  const list = adaptiveList(field, tried, search.binning);
  measureList(sampling, list);

  const shapes: FirstShape[] = [];
  tried.forEach((candidate, k) => {
    const e = k * momentFields;
    if (list[e + momentAt.converged] === 0) return;
    const snr = signalToNoise(list, e, pixelNoiseAt(field, candidate.x, candidate.y), settings.electronsPerUnit);
    if (!(snr >= settings.detectionSigma)) return;
    const sky = list[e + momentAt.background];
    if (list[e + momentAt.peak] + sky >= settings.saturationLevel) return;
    if (isFlatTopped(sampling, list[e + momentAt.x], list[e + momentAt.y], sky)) return;
    const shape = ellipseAt(list, e);
    const whole = list[e + momentAt.covered] > 0.9;
    shapes.push({ size: 0.5 * Math.log(ellipseArea(shape)), shape, candidate, whole });
  });

  // A border makes stars narrower; where there is nothing else they are better than none.
  const inside = shapes.filter((each) => each.whole);
  return inside.length >= 5 ? inside : shapes;
}

/**
 * The most frequent of sizes (logarithms): where the density of all, each by the root of its contrast, is highest
 * (Parzen 1962, Ann. Math. Stat. 33, 1065). Stars are alike and stand out; knots of a nebula may outnumber them, but
 * do neither.
 */
export function mostFrequentSize(shapes: readonly FirstShape[]): number {
  const n = shapes.length;
  const sizes = Float64Array.from(shapes, (each) => each.size);
  const weights = Float64Array.from(shapes, (each) => Math.sqrt(Math.max(0, each.candidate.contrast)));
  const density = new Float64Array(n);
  // Each pair is as near one way as the other.
  for (let i = 0; i < n; i++) {
    density[i] += weights[i];
    for (let j = 0; j < i; j++) {
      const difference = (sizes[j] - sizes[i]) / sizeKernel;
      const nearness = Math.exp(-0.5 * difference * difference);
      density[i] += weights[j] * nearness;
      density[j] += weights[i] * nearness;
    }
  }
  let best = 0;
  for (let i = 1; i < n; i++) if (density[i] > density[best]) best = i;
  return sizes[best];
}

/** The shape most stars have: of the tightest bunch of sizes, so that neither hot clusters nor nebula knots set it. */
export function typicalShape(shapes: readonly FirstShape[]): TypicalShape {
  const size = mostFrequentSize(shapes);
  const alike = shapes.filter((each) => Math.abs(each.size - size) < maximumSizeDifference);
  const medianOf = (moment: keyof Ellipse) => medianInPlace(Float64Array.from(alike, ({ shape }) => shape[moment]));
  return {
    shape: { xx: medianOf("xx"), xy: medianOf("xy"), yy: medianOf("yy") },
    reliable: alike.length >= minimumAlike,
  };
}
