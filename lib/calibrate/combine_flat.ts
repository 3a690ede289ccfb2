/** Master flat of many flat frames. */
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { FrameSource, PixelSource } from "../io/pixel_source.ts";
import { combineMaster, combineMasterDefaults, type CombineMasterOptions } from "./combine_master.ts";
import { phaseMedians } from "./phase_levels.ts";

/** Options of {@linkcode combineFlat}. */
export interface CombineFlatOptions extends CombineMasterOptions {
  /** Master dark of the flats' own exposure (flat dark), taken off every flat; null to use the bias. */
  readonly dark: Image | null;
  /** Master bias, taken off every flat when there is no dark; null when there is neither. */
  readonly bias: Image | null;
}

/** What {@linkcode combineFlat} uses for an option left out; `falseRejectionShare` as for the other masters. */
export const combineFlatDefaults: CombineFlatOptions = Object.freeze({
  ...combineMasterDefaults,
  dark: null,
  bias: null,
});

/**
 * Combine flat frames: dark or bias off, each frame divided by the median of each of its phases (so that a lamp or a
 * sky that drifts drops out), then the mean with rejection, divided by its mean in each phase.
 *
 * In: flats of one size, one plane, one filter, as images or paths. Out: factors about 1 with variance, coverage and
 * frame list as for {@linkcode combineDark}; for a colour mosaic each of the four pixels of the 2 × 2 block averages
 * 1, so that dividing by it leaves colours alone. A flat without light above its dark level is left out and noted.
 * Cost: one reading for the levels, one for the samples. Source: Howell 2006, Handbook of CCD Astronomy, chapter 4.
 *
 * @throws {RangeError} if no frame is usable, falseRejectionShare is out of range, or dark or bias have another size
 *
 * @example A lamp that fades does not show
 * ```ts
 * import assert from "node:assert/strict";
 * import { combineFlat, constantImage } from "faintlight";
 *
 * const flats = [20000, 15000, 10000].map((level) => constantImage(4, 4, level));
 * assert.equal(combineFlat(flats).planes[0].data[0], 1);
 * ```
 */
export function combineFlat(sources: readonly FrameSource[], options: Partial<CombineFlatOptions> = {}): Image {
  const used = settle("combineFlat", combineFlatDefaults, options);
  const subtract = used.dark ?? used.bias;
  const base = subtract === null ? null : subtract.planes[0].data;
  const factors = (open: PixelSource): readonly number[] => {
    const { width, height } = open;
    const level = open.readRegion({ x: 0, y: 0, width, height }, 0);
    if (base !== null && base.length === level.length) { for (let p = 0; p < level.length; p++) level[p] -= base[p]; }
    return phaseMedians(level, width, height, open.geometry.bayer !== null).map((each) => 1 / each);
  };
  return combineMaster(sources, {
    step: "combineFlat",
    what: "flat frames",
    imageType: "Master Flat",
    normalise: true,
    subtract,
    factors,
    options: {
      falseRejectionShare: used.falseRejectionShare,
      level: used.dark !== null ? "dark" : used.bias !== null ? "bias" : "none",
    },
    used,
    alsoFrom: subtract === null ? [] : [subtract],
  });
}
