/** Shares of a frame's samples that are saturated, missing or all alike. */
import type { Sampling } from "../core/sampling.ts";
import type { StarSearch } from "../stars/search_stars.ts";

/** Shares of the samples of a frame. */
export interface SampleShares {
  /** At or above the saturation level. */
  readonly saturated: number;
  /** Equal to their neighbours beyond chance: missing data written as a constant. */
  readonly constant: number;
  /** Missing (NaN). */
  readonly missing: number;
}

/** Shares of the samples, from every seventh of every third row: to a thousandth. */
export function sampleShares({ data, width, height }: Sampling, search: StarSearch): SampleShares {
  const { saturationLevel } = search.settings;
  let sampled = 0;
  let saturated = 0;
  let equal = 0;
  let missing = 0;
  for (let y = 0; y < height; y += 3) {
    for (let i = y * width + y % 7, end = (y + 1) * width - 2; i < end; i += 7) {
      const v = data[i];
      sampled++;
      if (v >= saturationLevel) saturated++;
      if (v !== v) missing++;
      else if (v === data[i + 2] && v === data[i + 1]) equal++;
    }
  }
  // Three equal neighbours happen by chance on a quantised sky of little noise; whole areas do not.
  const chance = search.noise > 0 ? Math.min(1, 0.2 / (search.noise * search.noise)) : 0;
  const constant = Math.max(0, equal / Math.max(1, sampled) - chance);
  if (sampled > 0) return { saturated: saturated / sampled, constant, missing: missing / sampled };
  const unknownTiles = search.rawLevel.filter((level) => level !== level).length;
  return { saturated: 0, constant, missing: unknownTiles / search.rawLevel.length };
}
