/** Stars made fainter or smaller. */
import { allocatePlane, derive, type Image, requireImage, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Raster, rastersOf } from "../core/raster.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { erode } from "../filters/morphology.ts";
import { medianNeighbourDifference } from "../stats/neighbour_difference.ts";
import { separateStars } from "./separate_stars.ts";

/** Options of {@linkcode reduceStars}. */
export interface ReduceStarsOptions {
  /** Share of the stars' flux that is taken away, 0 … 1. */
  readonly strength: number;
  /**
   * `profile`: the stars are separated from the image and put back fainter; `morphology`: bright spots are eroded, also
   * on pictures.
   */
  readonly method: "profile" | "morphology";
  /** Radius of the erosion, pixels; used by `morphology`. */
  readonly radiusPixels: number;
}

/**
 * What {@linkcode reduceStars} uses for an option left out: half of their flux, by the field's own
 * point-spread function; an
 * erosion of one and a half pixels, half the width of a star that is well sampled.
 */
export const reduceStarsDefaults: Readonly<ReduceStarsOptions> = Object.freeze({
  strength: 0.5,
  method: "profile",
  radiusPixels: 1.5,
});

/** A star's flux further below nothing than so many times the noise is a fault of the sensor, a dark trail. */
const minimumFaultSigma = 6;
/** Width of the smoothing that makes the surroundings of an eroded plane, in radii of the erosion. */
const surroundingsInRadii = 4;
/** Height above the surroundings, as a share of them, that is no star. */
const flatShare = 0.02;

/** What may stand beside the options. */
export interface KnownStars {
  /** The image's stars, separated before; if left out they are separated now. */
  readonly stars?: Image | null;
}

function settleOptions(options: Partial<ReduceStarsOptions>): Readonly<ReduceStarsOptions> {
  const used = settle("reduceStars", reduceStarsDefaults, options);
  const { strength, method, radiusPixels } = used;
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`reduceStars: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(radiusPixels >= 1)) throw new RangeError(`reduceStars: radiusPixels must be ≥ 1, but got ${radiusPixels}`);
  if (method !== "profile" && method !== "morphology") {
    throw new RangeError(`reduceStars: method must be "profile" or "morphology", but got ${JSON.stringify(method)}`);
  }
  return used;
}

/** A plane less a share of its stars; what is a fault of the sensor in the stars' place goes as a whole. */
function withFainterStars({ data, width, height }: Raster, flux: Float32Array, strength: number): Float32Array {
  const out = allocatePlane(width, height);
  const fault = strength > 0 ? -minimumFaultSigma * medianNeighbourDifference(data) : -Infinity;
  for (let i = 0; i < out.length; i++) out[i] = data[i] - (flux[i] < fault ? 1 : strength) * flux[i];
  return out;
}

/** A plane moved towards its erosion where it stands above its surroundings. */
function withErodedStars({ data, width, height }: Raster, radius: number, strength: number): Float32Array {
  const low = erode(data, width, height, radius);
  // The surroundings are the smoothed erosion: stars hardly count in it.
  const around = gaussianSmooth(low, width, height, surroundingsInRadii * radius);
  const out = allocatePlane(width, height);
  for (let i = 0; i < out.length; i++) {
    const drop = data[i] - low[i];
    const above = low[i] - around[i];
    // Where the eroded value itself stands high the star is wider than the disc; where drop is small there is no star.
    const share = drop > 0 ? drop / (drop + Math.max(0, around[i] * flatShare) + Math.abs(Math.min(0, above))) : 0;
    out[i] = data[i] - strength * share * drop;
  }
  return out;
}

/** The stars that were handed in, if they fit the image. */
function checkedStars(image: Image, stars: Image): Image {
  requireSameSize("reduceStars", image, stars);
  if (stars.planes.length !== image.planes.length || stars.unit !== image.unit) {
    throw new TypeError(
      `reduceStars: stars must have the image's ${image.planes.length} planes and unit "${image.unit}", but have ` +
        `${stars.planes.length} and "${stars.unit}"`,
    );
  }
  return stars;
}

/**
 * Take away a share of the stars' flux. With `profile` the nebula behind keeps its flux (see {@linkcode
 * separateStars}); with `morphology` each pixel moves towards the lowest of its disc where it stands above its
 * smoothed surroundings, which needs no profile and works on pictures, and leaves flat tops when overdone.
 *
 * In:  linear for `profile`, any for `morphology`. Out: same shape and unit; NaN stays NaN.
 * Cost: that of {@linkcode separateStars}, or of an erosion and two smoothings a plane.
 *
 * @param image the image
 * @param options how much, and how; and `stars`, the image's stars as {@linkcode separateStars} found them before,
 * which saves doing it again (for `profile`)
 * @throws {TypeError} if `profile` is asked of a stretched picture, or the stars are not of its channels and unit
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
export function reduceStars(image: Image, options: Partial<ReduceStarsOptions> & KnownStars = {}): Image {
  // What is no object is refused before it is taken apart.
  if (options === null || typeof options !== "object") settleOptions(options);
  const { stars = null, ...given } = options;
  const used = settleOptions(given);
  const { strength, method, radiusPixels } = used;
  requireImage("reduceStars", image);
  const rasters = rastersOf(image);
  const named = (planes: readonly Float32Array[]) =>
    planes.map((data, c) => ({ channel: image.planes[c].channel, data }));
  if (method === "morphology") {
    const planes = named(rasters.map((raster) => withErodedStars(raster, radiusPixels, strength)));
    return derive(image, { planes, variance: null }, { step: "reduceStars", options: used });
  }
  requireLinear("reduceStars", image);
  const known = stars === null ? null : checkedStars(image, stars);
  const parts = known === null ? separateStars(image) : null;
  const layer = parts?.stars ?? known as Image;
  const planes = named(rasters.map((raster, c) => withFainterStars(raster, layer.planes[c].data, strength)));
  return derive(known === null ? image : [image, known], { planes, variance: null }, {
    step: "reduceStars",
    options: used,
    notes: parts === null ? [] : [`${parts.list.length} stars`],
  });
}
