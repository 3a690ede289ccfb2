/**
 * Single bright pixels, hot ones and cosmic rays: filled before the search, because one next to a star takes the star
 * for its hump and spoils its shape.
 */
import { borrowPlane } from "../core/memory.ts";
import type { Sampling } from "../core/sampling.ts";
import { momentAt, momentFields } from "../kernels/moments.ts";
import { medianInPlace } from "../stats/samples.ts";
import { circle } from "./ellipse.ts";
import { isSinglePixel, measureList, momentList, setEntry } from "./moment_list.ts";
import { pixelNoiseAt, type SearchField, skyAt } from "./search_field.ts";
import { openSearchGrid, peakPlace, type SearchGrid } from "./search_grid.ts";

/** Least height of a single pixel over the noise: noise alone makes one of it once in 50 million. */
const minimumSinglePixelSnr = 5.5;
/** Times the frame is filled and searched anew: one single pixel may hide another. */
const maximumFillings = 2;

/**
 * Index of the highest sample in a block of 4 × 4 about one of 2 × 2 if it may be a single pixel's, else −1: if it
 * stands out and the lower two of its four neighbours have not a third of its height over the lowest of the block,
 * where those of the narrowest star have two fifths.
 */
function isolatedPeak({ data, width, height, parity }: Sampling, x0: number, y0: number, noise: number): number {
  const left = Math.max(0, x0 - 1);
  const right = Math.min(width - 1, x0 + 2);
  let highest = -Infinity;
  let lowest = Infinity;
  let at = -1;
  for (let y = Math.max(0, y0 - 1); y <= Math.min(height - 1, y0 + 2); y++) {
    for (let x = left, i = y * width + left; x <= right; x++, i++) {
      const v = data[i];
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      if (v < lowest) lowest = v;
      if (v > highest) {
        highest = v;
        at = i;
      }
    }
  }
  if (!(highest - lowest > minimumSinglePixelSnr * noise)) return -1;
  if (parity !== -1) return at;

  const x = at % width;
  const y = (at - x) / width;
  const limit = lowest + (highest - lowest) / 3;
  let brightNeighbours = 0;
  if (x > 0 && data[at - 1] > limit) brightNeighbours++;
  if (x < width - 1 && data[at + 1] > limit) brightNeighbours++;
  if (y > 0 && data[at - width] > limit) brightNeighbours++;
  if (y < height - 1 && data[at + width] > limit) brightNeighbours++;
  return brightNeighbours > 2 ? -1 : at;
}

/**
 * Whether each of the four next samples that count has a tenth of a sample's flux, which noise alone does not give
 * them: the narrowest star in the middle of a pixel has (of FWHM 1.3 pixels a fifth, of FWHM 1.5 on a mosaic a sixth),
 * a hot pixel has not.
 */
function hasBrightNeighbours(
  { data, width, height, parity }: Sampling,
  at: number,
  sky: number,
  noise: number,
): boolean {
  const x = at % width;
  const y = (at - x) / width;
  if (Math.min(x, y, width - 1 - x, height - 1 - y) < 1) return false;
  const minimum = Math.max(0.1 * (data[at] - sky), noise);
  for (let k = 0; k < 4; k++) {
    const i = parity === -1 ? at + [1, -1, width, -width][k] : at + (k & 1 ? 1 : -1) + (k & 2 ? width : -width);
    if (!(data[i] - sky > minimum)) return false;
  }
  return true;
}

/** Median of the neighbours of a pixel that count: eight, or the four next green ones of a mosaic. */
function neighbourLevel({ data, width, height, parity }: Sampling, at: number): number {
  const x0 = at % width;
  const y0 = (at - x0) / width;
  const near: number[] = [];
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      const x = x0 + dx;
      const y = y0 + dy;
      if ((dx === 0 && dy === 0) || x < 0 || y < 0 || x >= width || y >= height) continue;
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      const v = data[y * width + x];
      if (v === v) near.push(v);
    }
  }
  return near.length === 0 ? NaN : medianInPlace(Float64Array.from(near));
}

/** Indices of the single bright pixels among the peaks of a search: under a star's weight one pixel explains them. */
function findSinglePixels(field: SearchField, search: SearchGrid): number[] {
  const { sampling } = field;
  const { width } = search.smooth;
  const suspects: { readonly peak: number; readonly at: number }[] = [];
  for (const peak of search.peaks) {
    const x = 2 * (peak % width);
    const y = 2 * ((peak - peak % width) / width);
    const at = isolatedPeak(sampling, x, y, pixelNoiseAt(field, x, y));
    if (at >= 0) suspects.push({ peak, at });
  }

  const list = momentList(suspects.length);
  suspects.forEach(({ peak }, k) => {
    const { x, y } = peakPlace(search, peak);
    setEntry(list, k, 0, { x, y, shape: circle(2), background: skyAt(field, x, y) });
  });
  measureList(sampling, list);

  const single: number[] = [];
  suspects.forEach(({ at }, k) => {
    const e = k * momentFields;
    const noise = pixelNoiseAt(field, list[e + momentAt.x], list[e + momentAt.y]);
    if (
      list[e + momentAt.peak] > minimumSinglePixelSnr * noise && isSinglePixel(list, k) &&
      !hasBrightNeighbours(sampling, at, list[e + momentAt.background], noise)
    ) {
      single.push(at);
    }
  });
  return single;
}

/** Fill pixels with the level of their neighbours, in place, in the frame and in its 2 × 2 means. */
function fillPixels({ sampling, sky }: SearchField, pixels: readonly number[]): void {
  const { data, width, parity } = sampling;
  const share = parity === -1 ? 0.25 : 0.5;
  for (const at of pixels) {
    const level = neighbourLevel(sampling, at);
    const x = (at % width) >> 1;
    const y = Math.floor(at / width) >> 1;
    if (level !== level || x >= sky.grid.width || y >= sky.grid.height) continue;
    sky.grid.data[y * sky.grid.width + x] -= share * (data[at] - level);
    data[at] = level;
  }
}

/** A frame without single pixels, ready to be searched. */
export interface FilledField {
  /** The frame; its samples are a borrowed copy if any was filled. */
  readonly field: SearchField;
  /** The grid that was searched for them last. */
  readonly search: SearchGrid;
  /** Number of pixels filled. */
  readonly count: number;
}

/** Search a frame for single bright pixels and fill them. */
export function fillSinglePixels(given: SearchField): FilledField {
  const { grid, mesh } = given.sky;
  const { detectionSigma } = given.settings;
  let field = given;
  let search = openSearchGrid(grid, mesh, 2, detectionSigma);
  let count = 0;
  for (let filling = 0; filling < maximumFillings; filling++) {
    const single = findSinglePixels(field, search);
    if (single.length === 0) break;
    if (field === given) {
      const data = borrowPlane(given.sampling.data.length);
      data.set(given.sampling.data);
      field = { ...given, sampling: { ...given.sampling, data } };
    }
    fillPixels(field, single);
    count += single.length;
    search = openSearchGrid(grid, mesh, 2, detectionSigma, search);
  }
  return { field, search, count };
}
