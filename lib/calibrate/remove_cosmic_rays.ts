/** Cosmic rays in a single frame. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { createMask, maskBit } from "../core/mask.ts";
import { settle } from "../core/options.ts";
import type { Raster } from "../core/raster.ts";
import { medianPlane } from "../kernels/median_filter.ts";

/** Options of {@linkcode removeCosmicRays}. */
export interface RemoveCosmicRaysOptions {
  /** Gain, electrons per unit of the image; > 0. */
  readonly electronsPerAdu: number;
  /** Read noise, electrons; ≥ 0. */
  readonly readNoiseElectrons: number;
  /** Level that was taken off before (dark, sky), unit of the image: its noise is still there. */
  readonly subtractedAdu: number;
  /** A pixel is hit above this many sigma; > 0. */
  readonly detectionSigma: number;
  /** Neighbours of hits are hit above this share of the limit; 0 … 1. */
  readonly neighbourShare: number;
  /** Least ratio of the Laplacian to the fine structure: low for wide stars, high for stars of about a pixel; > 0. */
  readonly contrast: number;
  /** Iterations at most. */
  readonly maximumIterations: number;
}

/**
 * What {@linkcode removeCosmicRays} uses for an option left out. `detectionSigma` 4.5, `neighbourShare` 0.3, four
 * rounds are van Dokkum's; `contrast` 5 is his value for undersampled images (his figure 4), the careful end: stars
 * are worth more than rays.
 */
export const removeCosmicRaysDefaults: RemoveCosmicRaysOptions = Object.freeze({
  electronsPerAdu: 1,
  readNoiseElectrons: 0,
  subtractedAdu: 0,
  detectionSigma: 4.5,
  neighbourShare: 0.3,
  contrast: 5,
  maximumIterations: 4,
});

/**
 * Find and replace cosmic rays by Laplacian edge detection: a ray has a sharper edge than any star.
 *
 * In: one plane, linear, mono (a mosaic would look like edges everywhere). Out: same, with hit pixels replaced by the
 * median of the clean ones of their 5 × 5 neighbourhood and the mask bits `cosmicRay` and `repaired`; notes count
 * them. NaN and saturated pixels (mask) are neither hit nor used. Worth its while for few long exposures; many
 * dithered frames are better served by rejection. Cost: about 1.5 µs a pixel and iteration.
 *
 * Source: van Dokkum 2001, PASP 113, 1420 (L.A.Cosmic).
 *
 * @throws {TypeError} if the image has several planes, is a mosaic or a finished picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, removeCosmicRays } from "faintlight";
 * import { derive } from "faintlight/extend";
 *
 * const clean = constantImage(32, 32, 100);
 * const data = clean.planes[0].data.slice();
 * data[200] = 2000;
 * const hit = derive(clean, { planes: [{ channel: "L", data }] }, { step: "hit", options: {} });
 * assert.equal(removeCosmicRays(hit).planes[0].data[200], 100);
 * ```
 */
export function removeCosmicRays(image: Image, options: Partial<RemoveCosmicRaysOptions> = {}): Image {
  const used = settle("removeCosmicRays", removeCosmicRaysDefaults, options);
  requireLinear("removeCosmicRays", image);
  if (image.planes.length !== 1 || image.geometry.bayer !== null) {
    throw new TypeError(
      `removeCosmicRays: image must be one mono plane, but has ${image.planes.length} and pattern ` +
        `${image.geometry.bayer}; ` +
        "split the mosaic first",
    );
  }
  const {
    electronsPerAdu,
    readNoiseElectrons,
    subtractedAdu,
    detectionSigma,
    neighbourShare,
    contrast,
    maximumIterations,
  } = used;
  const refuse = (rule: string, value: number) => new RangeError(`removeCosmicRays: ${rule}, but got ${value}`);
  if (!(electronsPerAdu > 0)) throw refuse("electronsPerAdu must be > 0", electronsPerAdu);
  if (!(readNoiseElectrons >= 0)) throw refuse("readNoiseElectrons must be ≥ 0", readNoiseElectrons);
  if (!Number.isFinite(subtractedAdu)) throw refuse("subtractedAdu must be a number", subtractedAdu);
  if (!(detectionSigma > 0)) throw refuse("detectionSigma must be > 0", detectionSigma);
  if (!(neighbourShare > 0 && neighbourShare <= 1)) throw refuse("neighbourShare must lie in 0 … 1", neighbourShare);
  if (!(contrast > 0)) throw refuse("contrast must be > 0", contrast);
  if (!(Number.isInteger(maximumIterations) && maximumIterations >= 1)) {
    throw refuse("maximumIterations must be a whole number above 0", maximumIterations);
  }
  const { width, height } = image;
  const size = width * height;
  const data = allocatePlane(width, height);
  data.set(image.planes[0].data);
  const mask = createMask(width, height);
  if (image.mask !== null) mask.set(image.mask);
  const hits = new Uint8Array(size);
  const notes: string[] = [];
  for (let iteration = 0; iteration < maximumIterations; iteration++) {
    const found = findHits(data, mask, width, height, used);
    let fresh = 0;
    for (let p = 0; p < size; p++) {
      if (found[p] === 1 && hits[p] === 0) {
        hits[p] = 1;
        fresh++;
      }
    }
    notes.push(`iteration ${iteration + 1}: ${fresh} pixels`);
    if (fresh === 0) break;
    replaceHits({ data, width, height }, image.planes[0].data, hits, mask);
  }
  for (let p = 0; p < size; p++) if (hits[p] === 1) mask[p] |= maskBit.cosmicRay | maskBit.repaired;
  return derive(image, { planes: [{ channel: image.planes[0].channel, data }], mask }, {
    step: "removeCosmicRays",
    options: used,
    notes,
  });
}

/** Laplacian of the image subsampled twice, negative parts cut, averaged back: L⁺ of the paper. */
export function subsampledLaplacian(data: Float32Array, width: number, height: number): Float32Array {
  const out = new Float32Array(data.length);
  for (let y = 0, p = 0; y < height; y++) {
    for (let x = 0; x < width; x++, p++) {
      const c = data[p];
      // The fine pixel's neighbours are two copies of the pixel itself and one fine pixel of each of two neighbours.
      const left = x > 0 ? data[p - 1] : c;
      const right = x < width - 1 ? data[p + 1] : c;
      const above = y > 0 ? data[p - width] : c;
      const below = y < height - 1 ? data[p + width] : c;
      out[p] = (Math.max(0, 2 * c - left - above) + Math.max(0, 2 * c - right - above) +
        Math.max(0, 2 * c - left - below) + Math.max(0, 2 * c - right - below)) / 4;
    }
  }
  return out;
}

function findHits(
  data: Float32Array,
  mask: Uint8Array,
  width: number,
  height: number,
  used: RemoveCosmicRaysOptions,
): Uint8Array {
  const { electronsPerAdu: gain, readNoiseElectrons, subtractedAdu, detectionSigma, neighbourShare, contrast } = used;
  const size = data.length;
  const smooth = medianPlane(data, width, height, 2, 1, true);
  const laplacian = subsampledLaplacian(data, width, height);
  const noise = new Float32Array(size);
  const significance = allocatePlane(width, height);
  for (let p = 0; p < size; p++) {
    // At least one electron, so that a sky taken down to 0 does not divide by 0.
    const electrons = Math.max(1, (smooth[p] + subtractedAdu) * gain);
    noise[p] = Math.sqrt(electrons + readNoiseElectrons * readNoiseElectrons) / gain;
    significance[p] = laplacian[p] / (2 * noise[p]);
  }
  const extended = medianPlane(significance, width, height, 2, 1, true);
  const three = medianPlane(data, width, height, 1, 1, true);
  const seven = medianPlane(three, width, height, 3, 1, true);
  const sharp = new Float32Array(size);
  const hit = new Uint8Array(size);
  for (let p = 0; p < size; p++) {
    sharp[p] = significance[p] - extended[p];
    const structure = Math.max(0.01, (three[p] - seven[p]) / noise[p]);
    if (sharp[p] > detectionSigma && sharp[p] / structure > contrast && (mask[p] & maskBit.saturated) === 0) hit[p] = 1;
  }
  // Neighbours of hits above the full limit, then their neighbours above the lower one.
  const first = grown(hit, sharp, detectionSigma, width, height);
  return grown(first, sharp, detectionSigma * neighbourShare, width, height);
}

/** Hits and those of their 8 neighbours whose value exceeds the limit. */
function grown(hit: Uint8Array, sharp: Float32Array, limit: number, width: number, height: number): Uint8Array {
  const out = hit.slice();
  for (let p = 0; p < hit.length; p++) {
    if (hit[p] === 0) continue;
    const x = p % width;
    const y = (p - x) / width;
    for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
      for (let i = Math.max(0, x - 1); i <= Math.min(width - 1, x + 1); i++) {
        const q = j * width + i;
        if (sharp[q] > limit) out[q] = 1;
      }
    }
  }
  return out;
}

/**
 * Replace hits by the median of clean pixels of the original in 5 × 5, or in a larger window where a trail fills it.
 */
function replaceHits(
  { data, width, height }: Raster,
  original: Float32Array,
  hits: Uint8Array,
  mask: Uint8Array,
): void {
  const good: number[] = [];
  for (let p = 0; p < hits.length; p++) {
    if (hits[p] === 0) continue;
    const x = p % width;
    const y = (p - x) / width;
    for (let reach = 2; reach <= 5; reach++) {
      good.length = 0;
      for (let j = Math.max(0, y - reach); j <= Math.min(height - 1, y + reach); j++) {
        for (let i = Math.max(0, x - reach); i <= Math.min(width - 1, x + reach); i++) {
          const q = j * width + i;
          if (hits[q] === 0 && original[q] === original[q] && (mask[q] & maskBit.saturated) === 0) {
            good.push(original[q]);
          }
        }
      }
      if (good.length >= 3) break;
    }
    good.sort((a, b) => a - b);
    const half = good.length >> 1;
    data[p] = good.length === 0 ? NaN : good.length % 2 === 1 ? good[half] : (good[half - 1] + good[half]) / 2;
  }
}
