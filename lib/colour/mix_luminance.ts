/** One luminance of two: that of a clear filter and that of red, green and blue together. */
import { allocatePlane, derive, type Image, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { measureNoise } from "../measure/measure_noise.ts";
import { measureSky, type SkyPart } from "../measure/sky_level.ts";
import { detectStars } from "../stars/detect_stars.ts";
import { median } from "../stats/median.ts";
import { mapChannels } from "./map_channels.ts";

/** Options of {@linkcode mixLuminance}. */
export interface MixLuminanceOptions {
  /** Flux of a star in the luminance over that in the sum of the colours; "automatic" measures it on the stars. */
  readonly scale: number | "automatic";
  /** Where the sky is measured: a part that is free of nebula, `darkest` to find one, null for all of it. */
  readonly skyRegion: SkyPart;
}

/** What {@linkcode mixLuminance} uses for an option left out. */
export const mixLuminanceDefaults: Readonly<MixLuminanceOptions> = Object.freeze({
  scale: "automatic",
  skyRegion: "darkest",
});

/** Fewest stars that tell the scale. */
const minimumStars = 5;
/** Least signal-to-noise ratio of such a star: its flux is known to 3 %. */
const minimumSnr = 30;

/** Sum of the channels, as one. */
const sumOfChannels = (image: Image): Image =>
  mapChannels(image, {
    rules: [{ output: "L", from: Object.fromEntries(image.planes.map(({ channel }) => [channel, 1])) }],
  });

/** Typical ratio of the flux of the stars that both show. */
function starScale(luminance: Image, sum: Image): number {
  const clear = (image: Image): readonly Star[] =>
    detectStars(image).stars.filter((star) => !star.saturated && star.snr > minimumSnr);
  const others = clear(sum);
  const ratios = clear(luminance).flatMap((star) => {
    const same = others.find((each) => Math.hypot(each.x - star.x, each.y - star.y) < 1);
    return same === undefined ? [] : [star.flux / same.flux];
  });
  if (ratios.length < minimumStars) {
    throw new RangeError(
      `mixLuminance: image must share at least ${minimumStars} stars with the colours, but shares ` +
        `${ratios.length}; give the scale`,
    );
  }
  return median(ratios);
}

/**
 * Combine a luminance with the sum of the colours: that sum shows the same field once more, so that both together have
 * less noise than either. The sum is brought to the luminance's scale by the stars, and each counts by the inverse of
 * its noise squared: out = (L / σ_L² + s (R + G + B − sky) / (s σ)²) / (1 / σ_L² + 1 / (s σ)²), the mean of least
 * variance of two measurements.
 *
 * In: two linear images of one size, the first with one plane. Out: like the first, with the sky of the first. NaN in
 * either gives the other's value. Cost: two star detections and a few passes.
 *
 * Source: inverse-variance weighting, any textbook of statistics (for example Bevington & Robinson 2003, section 4.1).
 *
 * @throws {TypeError} if an image is a stretched picture, or the luminance has several planes
 * @throws {RangeError} if sizes differ, or the scale shall be measured and there are too few stars
 *
 * @example Twice as much noise counts a quarter
 * ```ts
 * import assert from "node:assert/strict";
 * import { mixLuminance } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(5), size = { width: 100, height: 100, unit: "adu" as const };
 * const noise = (sigma: number) => Float32Array.from({ length: 10000 }, () => 50 + sigma * random.gaussian());
 * const luminance = createImage({ ...size, planes: [{ channel: "L", data: noise(3) }] });
 * const planes = ["R", "G", "B"].map((channel) => ({ channel, data: noise(6 / Math.sqrt(3)) }));
 * const colour = createImage({ ...size, planes });
 * const both = mixLuminance(luminance, colour, { scale: 1 });
 * assert.match(both.history.nodes.at(-1)?.notes?.[0] ?? "", /luminance 0\.[78]/);
 * ```
 */
export function mixLuminance(
  luminance: Image,
  colour: Image,
  options: Partial<MixLuminanceOptions> = {},
): Image {
  const used = settle("mixLuminance", mixLuminanceDefaults, options);
  requireLinear("mixLuminance", luminance);
  requireLinear("mixLuminance", colour);
  requireSameSize("mixLuminance", luminance, colour);
  if (luminance.planes.length !== 1) {
    throw new TypeError(`mixLuminance: luminance must have one plane, but has ${luminance.planes.length}`);
  }
  const { width, height, planes: [{ channel, data }] } = luminance;
  const summed = sumOfChannels(colour);
  const sum = summed.planes[0].data;
  const scale = used.scale === "automatic" ? starScale(luminance, summed) : used.scale;
  if (!(scale > 0)) throw new RangeError(`mixLuminance: scale must be > 0, but got ${scale}`);
  const [own] = measureSky(luminance, used.skyRegion);
  const [other] = measureSky(summed, used.skyRegion);
  const ownNoise = measureNoise(luminance).noise;
  const scaledNoise = scale * measureNoise(summed).noise;
  const ownWeight = 1 / (ownNoise * ownNoise);
  const otherWeight = 1 / (scaledNoise * scaledNoise);
  const share = ownWeight / (ownWeight + otherWeight);
  const out = allocatePlane(width, height);
  for (let i = 0; i < out.length; i++) {
    const again = own.level + scale * (sum[i] - other.level);
    const value = data[i];
    out[i] = again !== again ? value : value !== value ? again : share * value + (1 - share) * again;
  }
  const notes = [
    `weights: luminance ${share.toFixed(3)}, sum of ${colour.planes.map((plane) => plane.channel).join(", ")} ` +
    `${(1 - share).toFixed(3)} at the scale ${scale.toPrecision(4)}; noise ${ownNoise.toPrecision(3)} alone, ` +
    `${(1 / Math.sqrt(ownWeight + otherWeight)).toPrecision(3)} together`,
  ];
  return derive([luminance, colour], { planes: [{ channel, data: out }], variance: null }, {
    step: "mixLuminance",
    options: { ...used, scale },
    notes,
  });
}
