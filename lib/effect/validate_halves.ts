/** Detail that only one half of the night shows. */
import { allocatePlane, createImage, type Image, requireImage, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { scaleNoise, starlet } from "../filters/starlet.ts";

/** Options of {@linkcode validateHalves}. */
export interface ValidateHalvesOptions {
  /** A detail is one from this many standard deviations of its scale's noise. */
  readonly detailSigma: number;
  /** Scales that are looked at: 1, 2, 4 … pixels. */
  readonly scales: number;
}

/**
 * What {@linkcode validateHalves} uses for an option left out: six standard deviations, of which noise makes one in a
 * billion samples, and after a step that sharpens still next to none; four scales, up to eight pixels.
 */
export const validateHalvesDefaults: Readonly<ValidateHalvesOptions> = Object.freeze({ detailSigma: 6, scales: 4 });

/** What the halves say about one another. */
export interface HalvesReport {
  /**
   * One plane `unconfirmed`, unit "display": 0 where the halves agree, up to 1 where one shows a detail that the other
   * lacks.
   */
  readonly map: Image;
  /** Share of the details of either half that the other does not confirm, 0 … 1. */
  readonly unconfirmedShare: number;
  /** Samples that belong to a detail of either half. */
  readonly details: number;
  /** The same in words. */
  readonly notes: readonly string[];
}

/**
 * Put two independent halves of a night through the same recipe and mark what only one of them shows. A detail
 * (starlet coefficient of the mean of the channels) is unconfirmed when it stands out in one half and the halves
 * differ by more than half of it and by more than their noise allows.
 *
 * @param a stack of one half, @param b stack of the other, same size
 * @param recipe what is done to both; the identity judges the stacks themselves
 * @returns the map, the share and a sentence. Cost: twice the recipe and two transforms
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example A star in one half only
 * ```ts
 * import assert from "node:assert/strict";
 * import { validateHalves } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const half = (seed: number, star: number) => {
 *   const random = randomStream(seed);
 *   const data = Float32Array.from({ length: 6400 }, (_, i) => {
 *     const light = (x: number) => Math.exp(-((i % 80 - x) ** 2 + (Math.floor(i / 80) - 40) ** 2) / 4);
 *     return random.gaussian() + 60 * light(20) + star * light(60);
 *   });
 *   return createImage({ width: 80, height: 80, unit: "adu", planes: [{ channel: "L", data }] });
 * };
 * const { map } = validateHalves(half(1, 60), half(2, 0), (image) => image);
 * assert.equal(map.planes[0].data[40 * 80 + 20], 0);
 * assert.ok(map.planes[0].data[40 * 80 + 60] > 0.5);
 * ```
 */
export function validateHalves(
  a: Image,
  b: Image,
  recipe: (half: Image) => Image,
  options: Partial<ValidateHalvesOptions> = {},
): HalvesReport {
  requireImage("validateHalves", a, "a");
  requireImage("validateHalves", b, "b");
  const used = settle("validateHalves", validateHalvesDefaults, options);
  requireSameSize("validateHalves", a, b);
  const { detailSigma, scales } = used;
  if (!(detailSigma > 0)) throw new RangeError(`validateHalves: detailSigma must be > 0, but got ${detailSigma}`);
  if (!(Number.isInteger(scales) && scales >= 1 && scales <= 7)) {
    throw new RangeError(`validateHalves: scales must be a whole number of 1 … 7, but got ${scales}`);
  }
  const made = [recipe(a), recipe(b)];
  requireSameSize("validateHalves", ...made);
  const { width, height } = made[0];
  const size = width * height;
  const parts = made.map((image) => {
    const mean = new Float32Array(size);
    for (const { data } of image.planes) for (let i = 0; i < size; i++) mean[i] += data[i] / image.planes.length;
    return starlet(mean, width, height, scales).scales;
  });
  const out = allocatePlane(width, height);
  const detail = new Uint8Array(size);
  for (let j = 0; j < scales; j++) {
    const [p, q] = [parts[0][j], parts[1][j]];
    const np = scaleNoise(p);
    const nq = scaleNoise(q);
    const difference = Math.sqrt(np * np + nq * nq);
    for (let i = 0; i < size; i++) {
      const u = Math.abs(p[i]);
      const v = Math.abs(q[i]);
      if (!(u > detailSigma * np || v > detailSigma * nq)) continue;
      detail[i] = 1;
      const larger = Math.max(u, v);
      const apart = Math.abs(p[i] - q[i]);
      if (apart > 0.5 * larger && apart > 4 * difference) out[i] = Math.max(out[i], Math.min(1, apart / larger));
    }
  }
  let details = 0;
  let lone = 0;
  for (let i = 0; i < size; i++) {
    details += detail[i];
    if (out[i] > 0) lone++;
  }
  const unconfirmedShare = details === 0 ? 0 : lone / details;
  const notes = [
    details === 0
      ? "neither half shows a detail above its noise"
      : `${(100 * unconfirmedShare).toPrecision(2)} % of the detail is shown by one half only`,
  ];
  const map = createImage(
    { width, height, unit: "display", geometry: made[0].geometry, planes: [{ channel: "unconfirmed", data: out }] },
    { step: "validateHalves", options: used, notes },
    made,
  );
  return { map, unconfirmedShare, details, notes };
}
