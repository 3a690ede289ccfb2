/** The uneven part of the sky found and taken off, in one step. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { divideSurface } from "./divide_surface.ts";
import { type BackgroundSurface, fitSurface, fitSurfaceDefaults, type FitSurfaceOptions } from "./fit_surface.ts";
import {
  type BackgroundSample,
  type BackgroundSamples,
  sampleBackground,
  sampleBackgroundDefaults,
  type SampleBackgroundOptions,
} from "./sample_background.ts";
import { subtractSurface } from "./subtract_surface.ts";

/** Options of {@linkcode extractGradient}: the samples, how they are fitted, and how the surface is used. */
export interface ExtractGradientOptions extends FitSurfaceOptions {
  /** Samples of this very image, or options of {@linkcode sampleBackground}, which then takes them. */
  readonly samples: BackgroundSamples | Partial<SampleBackgroundOptions>;
  /** Subtract it (light that was added) or divide by it (uneven response). */
  readonly kind: "additive" | "multiplicative";
}

/** What {@linkcode extractGradient} uses for an option left out. */
export const extractGradientDefaults: Readonly<ExtractGradientOptions> = Object.freeze({
  samples: sampleBackgroundDefaults,
  ...fitSurfaceDefaults,
  kind: "additive",
});

const isSampled = (samples: ExtractGradientOptions["samples"]): samples is BackgroundSamples => "samples" in samples;

/** What {@linkcode extractGradient} returns. */
export interface ExtractedGradient {
  /** The image with an even sky; its median level is kept. */
  readonly image: Image;
  /** The surface, with scores of the models and notes: a value to look at before the image is believed. */
  readonly surface: BackgroundSurface;
  /** The samples with the reason each was used or not. */
  readonly samples: readonly BackgroundSample[];
}

/**
 * Find the sky's gradient and take it off: {@linkcode sampleBackground}, {@linkcode fitSurface}, then
 * {@linkcode subtractSurface} or {@linkcode divideSurface}.
 *
 * In:  linear, calibrated, cropped to where all frames contributed (ragged borders bend the surface).
 * Out: image of the same shape and unit with the median level of the surface kept. NaN stays NaN.
 * Where the field is filled with nebula, no more than a plane is taken off, and the surface's notes say so.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range or no sample shows sky
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { extractGradient } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.from({ length: 240 * 160 }, (_, i) => 100 + (i % 240) / 10 + Math.floor(i / 240) / 20);
 * const image = createImage({ width: 240, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const { image: even, surface } = extractGradient(image);
 * const left = Math.max(...even.planes[0].data) - Math.min(...even.planes[0].data);
 * assert.ok(left < 0.01 * surface.ranges[0]);
 * ```
 */
export function extractGradient(image: Image, options: Partial<ExtractGradientOptions> = {}): ExtractedGradient {
  const used = settle("extractGradient", extractGradientDefaults, options);
  requireLinear("extractGradient", image);
  if (used.kind !== "additive" && used.kind !== "multiplicative") {
    throw new RangeError(
      `extractGradient: kind must be "additive" or "multiplicative", but got ${JSON.stringify(used.kind)}`,
    );
  }
  const { samples: given, model, maximumDegree, rejectionSigma, shape, kind } = used;
  const samples = isSampled(given) ? given : sampleBackground(image, given);
  const surface = fitSurface(samples, { model, maximumDegree, rejectionSigma, shape });
  const made = kind === "additive" ? subtractSurface(image, surface) : divideSurface(image, surface);
  const { planes, variance } = made;
  // the record holds how the samples were taken, not the samples
  const recorded = { ...used, samples: samples.history.nodes.at(-1)?.options };
  return {
    image: derive(image, { planes, variance }, { step: "extractGradient", options: recorded, notes: surface.notes }),
    surface,
    samples: surface.samples,
  };
}
