/** Master dark of many dark frames. */
import type { Image } from "../core/image.ts";
import type { FrameSource } from "../io/pixel_source.ts";
import { type CombineMasterOptions, combineUnlit } from "./combine_master.ts";

/**
 * Combine dark frames of one exposure, gain, offset and temperature: bias and dark current together.
 *
 * In: frames of one size and one plane, as images or as paths of FITS files, which are read band by band (64 MiB a
 * worker). Out: the mean in ADU with variance (of the mean) and coverage (samples kept); the frames' names stand in
 * the header as FRM00001 …, their number as NCOMBINE; notes tell the shares left out and the noise. NaN samples are
 * left out; a pixel without any stays NaN. Cost: two readings of the middle half, one of the whole, about 10 passes
 * over the samples.
 *
 * From 8 frames on samples are judged by Huber's Proposal 2 (Huber 1981, chapter 6), below by the noise of the frames.
 *
 * @param sources the frames; those that are unreadable or of another size are left out, told of and noted
 * @param options see {@linkcode CombineMasterOptions}
 * @throws {RangeError} if no frame is usable or falseRejectionShare is out of range
 *
 * @example The mean of three
 * ```ts
 * import assert from "node:assert/strict";
 * import { combineDark, constantImage } from "faintlight";
 *
 * const frames = [100, 101, 102].map((level) => constantImage(4, 4, level));
 * assert.equal(combineDark(frames).planes[0].data[0], 101);
 * ```
 */
export function combineDark(sources: readonly FrameSource[], options: Partial<CombineMasterOptions> = {}): Image {
  return combineUnlit("combineDark", "dark frames", "Master Dark", sources, options);
}
