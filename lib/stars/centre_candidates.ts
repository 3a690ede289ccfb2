/**
 * Candidates centred under the ellipse of the frame's stars, and those sorted out that are noise, pixels or cut off.
 */
import { momentAt, momentFields } from "../kernels/moments.ts";
import type { CandidatePeak } from "./candidate_peaks.ts";
import { type Ellipse, ellipseArea, longVariance } from "./ellipse.ts";
import { isSinglePixel, measureList, momentList, setEntry, signalToNoise, weightAt } from "./moment_list.ts";
import type { SkyResiduals } from "./ring_levels.ts";
import { pixelNoiseAt, type SearchField, skyAt } from "./search_field.ts";

/** Share of the weight that must lie in the frame for a star to count. */
const minimumCovered = 0.15;

/** A candidate that stands above the noise under the frame's ellipse. */
export interface CentredStar {
  /** Which of the candidates it is. */
  readonly index: number;
  /** Centre, column. */
  readonly x: number;
  /** Centre, row. */
  readonly y: number;
  /** Signal-to-noise ratio. */
  readonly snr: number;
  /** Noise of a pixel there. */
  readonly noise: number;
  /** Background under it. */
  readonly background: number;
  /** Share of the weight that lies in the frame. */
  readonly covered: number;
  /** Where its entry begins in the list it was measured with. */
  readonly entry: number;
}

/** What centring leaves. */
export interface CentredStars {
  /** List of all candidates, measured under the frame's ellipse. */
  readonly list: Float64Array;
  /** Stars, in the order of the candidates. */
  readonly stars: CentredStar[];
  /** Single pixels among what stands above the noise. */
  readonly singlePixels: number;
  /** Stars cut off by the border. */
  readonly cutOff: number;
}

/** Centre of each candidate under the frame's ellipse. Most peaks of the grid are noise: one pass tells. */
function centreAll(
  field: SearchField,
  candidates: readonly CandidatePeak[],
  shape: Ellipse,
  residuals: SkyResiduals,
): Float64Array {
  const { sampling, settings } = field;
  const { width, height } = sampling;
  const list = momentList(candidates.length);
  const size = Math.sqrt(ellipseArea(shape));
  const margin = 3 * Math.sqrt(longVariance(shape));
  candidates.forEach(({ x, y, xx, yy, snr, extended }, k) => {
    const background = skyAt(field, x, y) + residuals.offsets[k];
    const e = setEntry(list, k, 1, { x, y, shape, background });
    list[e + momentAt.maximumShift] = Math.max(2.5, 2 * size, extended ? Math.sqrt(xx + yy) : 0);
    // What is bright gets a shape of its own afterwards, and with it its last place; but at a border, where steps fall
    // short.
    const border = Math.min(x, y, width - 1 - x, height - 1 - y) < margin;
    list[e + momentAt.tolerance] = border ? 0.01 : snr > 15 ? 0.5 : 0.1;
    list[e + momentAt.minimumSignal] = 0.5 * settings.detectionSigma * pixelNoiseAt(field, x, y);
    list[e + momentAt.iterations] = border ? 40 : 12;
  });
  measureList(sampling, list);
  return list;
}

/**
 * Limit of the signal-to-noise ratio for an entry: the sky's error is alike over a star and adds up with the weight,
 * noise with its root.
 */
function detectionLimit(field: SearchField, list: Float64Array, e: number, skyError: number, noise: number): number {
  const area = 2 * Math.PI * ellipseArea(weightAt(list, e));
  const pixelShare = field.sampling.parity === -1 ? 1 : 0.5;
  const error = skyError * area * pixelShare / (noise * Math.sqrt(list[e + momentAt.weight2]));
  return field.settings.detectionSigma * Math.sqrt(1 + error * error);
}

/**
 * Which of the detected stars are single pixels. These show under the weight that matches a star, whatever the pitch of
 * the pixels; where that is coarse the centring used a wider one.
 */
function singlePixelsOf(
  { sampling }: SearchField,
  list: Float64Array,
  detected: readonly CentredStar[],
  shape: Ellipse,
): boolean[] {
  const widened = detected.length > 0 && list[detected[0].entry + momentAt.weightXx] !== shape.xx;
  if (!widened) return detected.map(({ index }) => isSinglePixel(list, index));
  const narrow = momentList(detected.length);
  detected.forEach(({ x, y, background }, k) => setEntry(narrow, k, 0, { x, y, shape, background }));
  measureList(sampling, narrow, 0);
  return detected.map((_, k) => isSinglePixel(narrow, k));
}

/** Centre all candidates and keep those that may be stars. */
export function centreCandidates(
  field: SearchField,
  candidates: readonly CandidatePeak[],
  shape: Ellipse,
  residuals: SkyResiduals,
): CentredStars {
  const { width, height } = field.sampling;
  const list = centreAll(field, candidates, shape, residuals);
  const detected: CentredStar[] = [];
  candidates.forEach((candidate, index) => {
    const entry = index * momentFields;
    if (list[entry + momentAt.converged] !== 1) return;
    const noise = pixelNoiseAt(field, candidate.x, candidate.y);
    const snr = signalToNoise(list, entry, noise, field.settings.electronsPerUnit);
    if (!(snr >= detectionLimit(field, list, entry, residuals.error, noise))) return;
    detected.push({
      index,
      x: list[entry + momentAt.x],
      y: list[entry + momentAt.y],
      snr,
      noise,
      background: list[entry + momentAt.background],
      covered: list[entry + momentAt.covered],
      entry,
    });
  });

  const single = singlePixelsOf(field, list, detected, shape);
  const compact = detected.filter((_, k) => !single[k]);
  const stars = compact.filter(({ x, y, covered }) =>
    !(covered < minimumCovered || x < -0.5 || y < -0.5 || x > width - 0.5 || y > height - 0.5)
  );
  return {
    list,
    stars,
    singlePixels: detected.length - compact.length,
    cutOff: compact.length - stars.length,
  };
}
