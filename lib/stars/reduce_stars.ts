/** Stars made fainter or smaller. */
import { allocatePlane, derive, type Image, isLinear, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { erode } from "../filters/morphology.ts";
import { medianNeighbourDifference } from "../stats/neighbour_difference.ts";
import { separateStars } from "./separate_stars.ts";

/** Options of {@linkcode reduceStars}. */
export interface ReduceStarsOptions {
  /** Share of the stars' light that is taken away, 0 … 1. */
  readonly strength: number;
  /**
   * `profile`: the stars are parted from the image and put back fainter; `morphology`: bright spots are eroded, also
   * on pictures.
   */
  readonly method: "profile" | "morphology";
  /** Radius of the erosion, pixels; used by `morphology`. */
  readonly radiusPixels: number;
}

/**
 * What {@linkcode reduceStars} uses for an option left out: half of their light, by the field's own profile; an
 * erosion of one and a half pixels, half the width of a star that is well sampled.
 */
export const reduceStarsDefaults: Readonly<ReduceStarsOptions> = Object.freeze({
  strength: 0.5,
  method: "profile",
  radiusPixels: 1.5,
});

/**
 * Light this many times the noise below nothing beside a star is a fault of the sensor, a dark trail: it goes as a
 * whole.
 */
const FAULT = 6;

/**
 * Take away a share of the stars' light. With `profile` the nebula behind keeps its light (see {@linkcode
 * separateStars}); with `morphology` each pixel moves towards the lowest of its disc where it stands above its
 * smoothed surroundings, which needs no profile and works on pictures, and leaves flat tops when overdone.
 *
 * In:  linear for `profile`, any for `morphology`. Out: same shape and unit; NaN stays NaN.
 * Cost: that of {@linkcode separateStars}, or of an erosion and two smoothings a plane.
 *
 * @param image the image
 * @param options how much, and how
 * @param known the image's stars as {@linkcode separateStars} parted them before, which saves doing it again; for
 * `profile`
 * @throws {TypeError} if `profile` is asked of a stretched picture, or the known stars are not of its channels and unit
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { reduceStars } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2);
 * const data = Float32Array.from({ length: 128 * 128 }, (_, i) => {
 *   const x = i % 128, y = Math.floor(i / 128);
 *   return 500 + 5 * random.gaussian() + 2000 * Math.exp(-((x - 60.2) ** 2 + (y - 70.4) ** 2) / 4);
 * });
 * const image = createImage({ width: 128, height: 128, unit: "adu", planes: [{ channel: "L", data }] });
 * const less = reduceStars(image, { strength: 0.75 }).planes[0].data[70 * 128 + 60] - 500;
 * assert.ok(Math.abs(less / (data[70 * 128 + 60] - 500) - 0.25) < 0.03);
 * ```
 */
export function reduceStars(
  image: Image,
  options: Partial<ReduceStarsOptions> = {},
  known: Image | null = null,
): Image {
  const used = settle("reduceStars", reduceStarsDefaults, options);
  const { strength, method, radiusPixels } = used;
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`reduceStars: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(radiusPixels >= 1)) throw new RangeError(`reduceStars: radius must be ≥ 1, but got ${radiusPixels}`);
  const { width, height } = image;
  if (method === "profile") {
    if (!isLinear(image)) requireLinear("reduceStars", image);
    if (known !== null) {
      requireSameSize("reduceStars", image, known);
      if (known.planes.length !== image.planes.length || known.unit !== image.unit) {
        throw new TypeError(
          `reduceStars: known stars must have the image's ${image.planes.length} planes and unit "${image.unit}", but have ${known.planes.length} and "${known.unit}"`,
        );
      }
    }
    const parts = known === null ? separateStars(image) : null;
    const stars = parts?.stars ?? known as Image;
    const planes = image.planes.map(({ channel, data }, c) => {
      const out = allocatePlane(width, height);
      const light = stars.planes[c].data;
      const fault = strength > 0 ? -FAULT * medianNeighbourDifference(data) : -Infinity;
      for (let i = 0; i < out.length; i++) out[i] = data[i] - (light[i] < fault ? 1 : strength) * light[i];
      return { channel, data: out };
    });
    return derive(known === null ? image : [image, known], { planes, variance: null }, {
      step: "reduceStars",
      options: used,
      notes: parts === null ? [] : [`${parts.list.length} stars`],
    });
  }
  if (method !== "morphology") {
    throw new RangeError(`reduceStars: method must be "profile" or "morphology", but got ${JSON.stringify(method)}`);
  }
  const planes = image.planes.map(({ channel, data }) => {
    const low = erode(data, width, height, radiusPixels);
    // The surroundings are the smoothed erosion: stars hardly count in it. What stands above them by little is left
    // alone.
    const around = gaussianSmooth(low, width, height, 4 * radiusPixels);
    const out = allocatePlane(width, height);
    for (let i = 0; i < out.length; i++) {
      const v = data[i];
      const drop = v - low[i];
      const above = low[i] - around[i];
      // Where the eroded value itself stands high the star is wider than the disc; where drop is small there is no
      // star.
      const share = drop > 0 ? drop / (drop + Math.max(0, around[i] * 0.02) + Math.abs(Math.min(0, above))) : 0;
      out[i] = v - strength * share * drop;
    }
    return { channel, data: out };
  });
  return derive(image, { planes, variance: null }, { step: "reduceStars", options: used });
}
