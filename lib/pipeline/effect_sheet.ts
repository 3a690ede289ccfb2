/** Before and after with the ledger of the step beside the histograms. */
import { type Image, requireImage } from "../core/image.ts";
import type { Effect } from "../effect/measure_effect.ts";
import { beforeAfterDefaults, type BeforeAfterOptions, beforeAfterSheet } from "../view/before_after_sheet.ts";
import type { Sheet } from "../view/sheet.ts";
import { effectLines } from "../view/effect_lines.ts";

/**
 * A before/after sheet that carries the ledger of the step: what `measureEffect` measured, and its doubts in words.
 *
 * In:  two images as for {@linkcode beforeAfterSheet}. Findings given as an option stand above those of the
 * ledger.
 *
 * @param before the image that went in
 * @param after what came out
 * @param effect what `measureEffect` says of the two
 * @param options heading, part to enlarge, theme
 * @throws {TypeError} if the channel asked for is missing in either
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { effectSheet, measureEffect, stretchAsinh } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(4), data = Float32Array.from({ length: 160 * 120 }, () => 100 + 5 * random.gaussian());
 * const image = createImage({ width: 160, height: 120, unit: "adu", planes: [{ channel: "L", data }] });
 * const picture = stretchAsinh(image, { black: 98, white: 1000 });
 * const sheet = effectSheet(image, picture, measureEffect(image, picture), { title: "Black set too high" });
 * assert.match(sheet.alternativeText, /clipped to black/);
 * ```
 */
export function effectSheet(
  before: Image,
  after: Image,
  effect: Effect,
  options: Partial<BeforeAfterOptions> = {},
): Sheet {
  requireImage("effectSheet", before, "before");
  requireImage("effectSheet", after, "after");
  const { lines, doubts } = effectLines(effect);
  const { findings = beforeAfterDefaults.findings } = options;
  return beforeAfterSheet(before, after, {
    ...options,
    findings: { facts: [...findings.facts, ...lines], doubts: [...findings.doubts, ...doubts] },
  });
}
