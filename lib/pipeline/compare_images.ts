/** Two images compared: what was done, in numbers, on a sheet and with a wipe. */
import { type Displayed, displayed } from "../core/display.ts";
import { type Image, planeOf, requireImage, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Effect, measureEffect } from "../effect/measure_effect.ts";
import type { Purpose } from "../effect/purpose.ts";
import { beforeAfterDefaults, beforeAfterSheet } from "../view/before_after_sheet.ts";
import { compareView } from "../view/compare_view.ts";
import type { Comparison } from "../view/comparison.ts";
import { effectLines } from "../view/effect_lines.ts";
import { regionWithin } from "../view/preview.ts";
import type { Sheet } from "../view/sheet.ts";
import type { InteractiveView } from "../view/show.ts";
import { sharedViewOptions, type ViewOptions } from "../view/view_options.ts";
import { isStarless, purposeBetween } from "./purpose_between.ts";

/** Options of {@linkcode compareImages}. */
export interface CompareImagesOptions extends ViewOptions {
  /** Quieter line under the heading. */
  readonly caption: string;
  /**
   * What the step was meant to change, so that no doubt is raised about it; `"automatic"` takes it from the history
   * when all that lies between the images are steps of the library.
   */
  readonly purpose: Partial<Purpose> | "automatic";
}

/** What {@linkcode compareImages} uses for an option left out. */
export const compareImagesDefaults: CompareImagesOptions = Object.freeze({
  ...sharedViewOptions,
  title: beforeAfterDefaults.title,
  width: beforeAfterDefaults.width,
  caption: "",
  purpose: "automatic",
});

/** A value made when it is first asked for. */
function once<T>(make: () => T): () => T {
  let made: { readonly value: T } | null = null;
  return () => (made ??= { value: make() }).value;
}

/** The image as far as it is compared: one channel, or all. */
const compared = (image: Image, channel: string): Image =>
  channel === "automatic" ? image : { ...image, planes: [planeOf(image, channel)], variance: null };

/** The sheet with the ledger beside the histograms. */
function sheetOf(before: Image, after: Image, effect: Effect, used: CompareImagesOptions): Sheet {
  const { region, purpose: _, ...shared } = used;
  const { lines, doubts } = effectLines(effect, isStarless(before));
  return beforeAfterSheet(before, after, {
    ...shared,
    detailRegion: region ?? "automatic",
    findings: { facts: lines, doubts },
  });
}

/**
 * What became of an image: noise, stars, sky, nebula and clipping before and after, what a reader should check, a sheet
 * with both and their difference, and a slider where scripts run. The value shows itself.
 *
 * In: two images of one size and number of planes, linear or not. Cost: some three tenths of a second a megapixel;
 * sheet and slider are drawn when they are first asked for.
 *
 * @param before the image that went in
 * @param after what came out
 * @param options heading, channel, `region` to show enlarged and to wipe over (`null` takes the part that changed most,
 * and wipes over the whole), what the step was meant to change
 * @throws {RangeError} if sizes or numbers of planes differ, or the region leaves the image
 * @throws {TypeError} if the channel is missing in either
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { compareImages, stretchAsinh } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(4), data = Float32Array.from({ length: 160 * 120 }, () => 100 + 5 * random.gaussian());
 * const image = createImage({ width: 160, height: 120, unit: "adu", planes: [{ channel: "L", data }] });
 * const compared = compareImages(image, stretchAsinh(image, { black: 98, white: 1000 }), {
 *   title: "Black set too high",
 * });
 * assert.match(compared.doubts[0], /clipped to black/);
 * assert.match(compared.sheet.alternativeText, /^Black set too high/);
 * ```
 */
export function compareImages(
  before: Image,
  after: Image,
  options: Partial<CompareImagesOptions> = {},
): Comparison {
  requireImage("compareImages", before, "before");
  requireImage("compareImages", after, "after");
  const used = settle("compareImages", compareImagesDefaults, options);
  const { channel, region, stretch, title } = used;
  requireSameSize("compareImages", before, after);
  regionWithin("compareImages", before, region);
  const [one, two] = [compared(before, channel), compared(after, channel)];
  if (one.planes.length !== two.planes.length) {
    throw new RangeError(
      `compareImages: images must have as many planes, but got ${one.planes.length} and ${two.planes.length}; ` +
        "name a channel that both have, or show them with sideBySide",
    );
  }
  const purpose = used.purpose === "automatic" ? purposeBetween(before, after) : used.purpose;
  const effect = measureEffect(one, two, purpose);
  const sheet = once(() => sheetOf(before, after, effect, used));
  const slider = once(() => compareView(before, after, { title, region, channel, stretch, sheet: sheet() }));
  const comparison: Omit<Comparison, keyof Displayed> = {
    effect,
    doubts: effect.doubts,
    get sheet(): Sheet {
      return sheet();
    },
    get slider(): InteractiveView {
      return slider();
    },
  };
  return Object.freeze(displayed("comparison", comparison));
}
