/** Where stars are. */
import { allocatePlane, derive, type Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { expPortable, powPortable } from "../kernels/elementary.ts";
import { detectStars } from "../measure/detect_stars.ts";
import { meanPlane } from "./separate_stars.ts";

/** Options of {@linkcode maskStars}. */
export interface MaskStarsOptions {
  /** Least signal-to-noise ratio of a star in the mask. */
  readonly detectionSigma: number;
  /** A star is covered out to where its light has fallen to this many times the noise. */
  readonly edgeSigma: number;
  /** Factor on the radius. */
  readonly grow: number;
  /** Width of the soft edge, in FWHM of the stars. */
  readonly feather: number;
}

/** What {@linkcode maskStars} uses for an option left out: down to one standard deviation of the noise, with an edge half a star wide. */
export const maskStarsDefaults: Readonly<MaskStarsOptions> = Object.freeze({
  detectionSigma: 5,
  edgeSigma: 1,
  grow: 1,
  feather: 0.5,
});

/**
 * A soft mask of the stars: 1 on stars, 0 away from them, one plane `stars`, unit "display". Each star is a disc out to
 * where its Moffat profile meets the noise, r = α √((peak / (edge · noise))^(1/β) − 1), with a Gaussian edge.
 *
 * In:  linear, any planes (stars are found on their mean). Cost: a star detection and the area of the discs.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage, maskStars, randomStream } from "faintlight";
 *
 * const random = randomStream(2);
 * const data = Float32Array.from({ length: 128 * 128 }, (_, i) => {
 *   const x = i % 128, y = Math.floor(i / 128);
 *   return 500 + 5 * random.gaussian() + 2000 * Math.exp(-((x - 60.2) ** 2 + (y - 70.4) ** 2) / 4);
 * });
 * const mask = maskStars(createImage({ width: 128, height: 128, unit: "adu", planes: [{ channel: "L", data }] }));
 * assert.equal(mask.planes[0].data[70 * 128 + 60], 1);
 * assert.equal(mask.planes[0].data[20 * 128 + 20], 0);
 * ```
 */
export function maskStars(image: Image, options: Partial<MaskStarsOptions> = {}): Image {
  const used = settle("maskStars", maskStarsDefaults, options);
  const { detectionSigma, edgeSigma, grow, feather } = used;
  if (!(edgeSigma > 0)) throw new RangeError(`maskStars: edgeSigma must be > 0, but got ${edgeSigma}`);
  if (!(grow > 0)) throw new RangeError(`maskStars: grow must be > 0, but got ${grow}`);
  if (!(feather >= 0)) throw new RangeError(`maskStars: feather must be ≥ 0, but got ${feather}`);
  const { width, height } = image;
  const flat = {
    ...image,
    planes: [{ channel: "L", data: meanPlane(image) }],
    geometry: { ...image.geometry, bayer: null },
  };
  const found = detectStars(flat, { detectionSigma, maximumStars: 50_000 });
  const beta = found.moffatBeta >= 1.5 && found.moffatBeta <= 10 ? found.moffatBeta : 3;
  const out = allocatePlane(width, height);
  for (const star of found.stars) {
    const fwhm = star.saturated ? found.fwhmPixels : star.fwhmPixels;
    const alpha = fwhm / (2 * Math.sqrt(powPortable(2, 1 / beta) - 1));
    const ratio = Math.max(1.01, star.peak / (edgeSigma * found.noise));
    const reach = grow * Math.max(star.halfFluxRadiusPixels || 0, alpha * Math.sqrt(powPortable(ratio, 1 / beta) - 1));
    const soft = feather * fwhm, most = reach + 3 * soft;
    const x0 = Math.max(0, Math.ceil(star.x - most)), x1 = Math.min(width - 1, Math.floor(star.x + most));
    const y0 = Math.max(0, Math.ceil(star.y - most)), y1 = Math.min(height - 1, Math.floor(star.y + most));
    for (let y = y0; y <= y1; y++) {
      for (let x = x0; x <= x1; x++) {
        const d = Math.sqrt((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y)) - reach;
        const value = d <= 0 ? 1 : soft > 0 && d < 3 * soft ? expPortable(-0.5 * (d / soft) * (d / soft)) : 0;
        const i = y * width + x;
        if (value > out[i]) out[i] = value;
      }
    }
  }
  return derive(image, { planes: [{ channel: "stars", data: out }], unit: "display", variance: null }, {
    step: "maskStars",
    options: used,
    notes: [`${found.stars.length} stars`],
  });
}
