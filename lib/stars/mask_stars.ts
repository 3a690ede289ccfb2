/** Where stars are. */
import { allocatePlane, derive, type Image } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { cosPortable, expPortable, powPortable, sinPortable } from "../kernels/elementary.ts";
import { detectStars } from "./detect_stars.ts";
import { medianInPlace } from "../stats/samples.ts";
import { findSaturatedTops } from "./saturated_tops.ts";

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

/**
 * What {@linkcode maskStars} uses for an option left out: down to one standard deviation of the noise, with an edge
 * half a star wide.
 */
export const maskStarsDefaults: Readonly<MaskStarsOptions> = Object.freeze({
  detectionSigma: 5,
  edgeSigma: 1,
  grow: 1,
  feather: 0.5,
});

/** Height over the noise from which a star shows halo and spikes. */
const SHOWING = 500;
/** Directions that are looked along from a bright star. */
const DIRECTIONS = 96;
/** How much farther than the typical direction a spike reaches, at least. */
const SPIKE = 1.35;

/** Whether a star lies on the top of another. */
const reaches = (s: Star, t: Star): boolean =>
  (s.x - t.x) * (s.x - t.x) + (s.y - t.y) * (s.y - t.y) <
    (t.halfFluxRadiusPixels + t.fwhmPixels) * (t.halfFluxRadiusPixels + t.fwhmPixels);

/**
 * Cover a bright star as far as its light shows: a disc out to where the typical direction meets the level beside it,
 * and strips along the directions that stand out farther (diffraction spikes).
 */
function coverSeen(
  out: Float32Array,
  light: Float32Array,
  width: number,
  height: number,
  star: Star,
  edge: number,
  grow: number,
  soft: number,
  fwhm: number,
): void {
  const furthest = 60 * fwhm;
  const reach = new Float64Array(DIRECTIONS);
  const around = new Float64Array(DIRECTIONS);
  const direction = (k: number) => {
    const angle = 2 * Math.PI * k / DIRECTIONS;
    return [cosPortable(angle), sinPortable(angle)] as const;
  };
  let level = star.background;
  let typical = 0;
  // Once over the level of the star's record, and once over the one that lies twice as far out as its light seemed to
  // reach.
  for (let pass = 0; pass < 2; pass++) {
    for (let k = 0; k < DIRECTIONS; k++) {
      const [ux, uy] = direction(k);
      let below = 0;
      let r = Math.max(1, star.halfFluxRadiusPixels);
      for (; r < furthest && below < 2; r += 1) {
        // Mean of five samples across, so that noise does not end the way nor carry it on.
        let sum = 0;
        let n = 0;
        for (let side = -2; side <= 2; side++) {
          const x = Math.round(star.x + r * ux - 0.5 * side * uy);
          const y = Math.round(star.y + r * uy + 0.5 * side * ux);
          if (x < 0 || y < 0 || x >= width || y >= height) continue;
          const v = light[y * width + x];
          if (v === v) {
            sum += v;
            n++;
          }
        }
        if (n === 0) break;
        below = sum / n - level > edge ? 0 : below + 1;
      }
      reach[k] = r - below;
    }
    typical = medianInPlace(Float64Array.from(reach));
    let n = 0;
    for (let k = 0; k < DIRECTIONS; k++) {
      const [ux, uy] = direction(k);
      const far = 2 * typical + 3 * fwhm;
      const x = Math.round(star.x + far * ux);
      const y = Math.round(star.y + far * uy);
      if (x < 0 || y < 0 || x >= width || y >= height) continue;
      const v = light[y * width + x];
      if (v === v) around[n++] = v;
    }
    if (n >= 12) level = medianInPlace(around, n);
  }
  const disc = grow * typical;
  const cover = (x: number, y: number, d: number) => {
    const value = d <= 0 ? 1 : soft > 0 && d < 3 * soft ? expPortable(-0.5 * (d / soft) * (d / soft)) : 0;
    const i = y * width + x;
    if (value > out[i]) out[i] = value;
  };
  const box = (most: number, visit: (x: number, y: number) => void) => {
    for (let y = Math.max(0, Math.ceil(star.y - most)); y <= Math.min(height - 1, star.y + most); y++) {
      for (let x = Math.max(0, Math.ceil(star.x - most)); x <= Math.min(width - 1, star.x + most); x++) visit(x, y);
    }
  };
  box(disc + 3 * soft, (x, y) => {
    cover(x, y, Math.sqrt((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y)) - disc);
  });
  for (let k = 0; k < DIRECTIONS; k++) {
    const far = grow * reach[k];
    const before = reach[(k + DIRECTIONS - 1) % DIRECTIONS];
    const after = reach[(k + 1) % DIRECTIONS];
    // Spikes come in pairs, on opposite sides; a neighbouring star does not.
    let opposite = 0;
    for (let j = -2; j <= 2; j++) {
      opposite = Math.max(opposite, reach[(k + DIRECTIONS / 2 + j + DIRECTIONS) % DIRECTIONS]);
    }
    const lone = reach[k] >= before && reach[k] >= after && opposite > SPIKE * typical;
    if (!(lone && reach[k] > SPIKE * typical && reach[k] < furthest - 1)) continue;
    const [ux, uy] = direction(k);
    const half = 0.75 * fwhm;
    box(far + 3 * soft, (x, y) => {
      const along = (x - star.x) * ux + (y - star.y) * uy;
      const across = (y - star.y) * ux - (x - star.x) * uy;
      if (along < 0) return;
      cover(x, y, Math.max(Math.abs(across) - half, along - far));
    });
  }
}

/**
 * A soft mask of the stars: 1 on stars, 0 away from them, one plane `stars`, unit "display". Each star is a disc out
 * to where its Moffat profile meets the noise, r = α √((peak / (edge · noise))^(1/β) − 1), with a Gaussian edge. Cut
 * stars and the brightest ones are covered as far as their light is seen, halo and diffraction spikes with it.
 *
 * In:  linear, any planes (stars are found on their mean). Cost: a star detection and the area of the discs.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { maskStars } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
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
  const light = flat.planes[0].data;
  const cut = findSaturatedTops({ data: light, width, height }, found.fwhmPixels, Infinity);
  const bright = [
    ...cut,
    ...found.stars.filter((s) => (s.saturated || s.peak > SHOWING * found.noise) && !cut.some((t) => reaches(s, t))),
  ];
  for (const star of bright) {
    coverSeen(
      out,
      light,
      width,
      height,
      star,
      edgeSigma * found.noise,
      grow,
      feather * found.fwhmPixels,
      found.fwhmPixels,
    );
  }
  for (const star of found.stars) {
    const fwhm = star.saturated ? found.fwhmPixels : star.fwhmPixels;
    const alpha = fwhm / (2 * Math.sqrt(powPortable(2, 1 / beta) - 1));
    const ratio = Math.max(1.01, star.peak / (edgeSigma * found.noise));
    const reach = grow * Math.max(star.halfFluxRadiusPixels || 0, alpha * Math.sqrt(powPortable(ratio, 1 / beta) - 1));
    const soft = feather * fwhm;
    const most = reach + 3 * soft;
    const x0 = Math.max(0, Math.ceil(star.x - most));
    const x1 = Math.min(width - 1, Math.floor(star.x + most));
    const y0 = Math.max(0, Math.ceil(star.y - most));
    const y1 = Math.min(height - 1, Math.floor(star.y + most));
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
    notes: [`${found.stars.length} stars, ${bright.length} of them with what shows of halo and spikes`],
  });
}
