/** Channels of different strength brought to one scale, with a neutral sky. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { measureSky, type SkyPart } from "../measure/sky_level.ts";
import { quantile } from "../stats/median.ts";

/** Options of {@linkcode equaliseChannels}. */
export interface EqualiseChannelsOptions {
  /**
   * What becomes equal: the height of the brighter objects above the sky, the noise of the sky, or nothing but the
   * sky's level.
   */
  readonly method: "percentile" | "noise" | "level";
  /** Share of the samples below the height that becomes equal, 0.5 … 1. */
  readonly share: number;
  /** Largest gain of a channel against the strongest: what a weak line's noise can bear. */
  readonly maximumGain: number;
  /** Where the sky is measured: a part that shows free sky, `darkest` to find one, null for the whole field. */
  readonly skyRegion: SkyPart;
}

/**
 * What {@linkcode equaliseChannels} uses for an option left out: the height that half a percent of the field exceeds,
 * as it holds the brighter nebula but few stars; a gain of at most 16, beyond which a line is noise in our
 * simulations.
 */
export const equaliseChannelsDefaults: Readonly<EqualiseChannelsOptions> = Object.freeze({
  method: "percentile",
  share: 0.995,
  maximumGain: 16,
  skyRegion: null,
});

/** A thinned copy of the samples with data. */
function thinned(data: Float32Array): Float32Array {
  const stride = Math.max(1, Math.floor(data.length / 300_000) | 1);
  const kept = new Float32Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) if (Number.isFinite(data[i])) kept[n++] = data[i];
  return kept.subarray(0, n);
}

/**
 * Bring channels to one scale: out = sky + gain · (in − sky of the channel), with one sky level for all, the mean.
 * The gains are relative to the channel that needs the least, which keeps its scale, and stand in the notes.
 *
 * In:  linear, gradient removed. Out: same shape and unit; NaN stays NaN; variance scaled. Cost: thinned sorts and one
 * pass.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example The sky becomes neutral
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, equaliseChannels, joinChannels } from "faintlight";
 *
 * const lines = joinChannels([constantImage(9, 9, 30, { channels: ["Ha"] }), constantImage(9, 9, 10, { channels: ["OIII"] })]);
 * const even = equaliseChannels(lines, { method: "level" });
 * assert.deepEqual(even.planes.map((plane) => plane.data[0]), [20, 20]);
 * ```
 */
export function equaliseChannels(image: Image, options: Partial<EqualiseChannelsOptions> = {}): Image {
  const used = settle("equaliseChannels", equaliseChannelsDefaults, options);
  requireLinear("equaliseChannels", image);
  const { method, share, maximumGain, skyRegion } = used;
  if (!["percentile", "noise", "level"].includes(method)) {
    throw new RangeError(
      `equaliseChannels: method must be "percentile", "noise" or "level", but got ${JSON.stringify(method)}`,
    );
  }
  if (!(share >= 0.5 && share <= 1)) {
    throw new RangeError(`equaliseChannels: share must lie within 0.5 … 1, but got ${share}`);
  }
  if (!(maximumGain >= 1)) throw new RangeError(`equaliseChannels: maximumGain must be ≥ 1, but got ${maximumGain}`);
  const sky = measureSky(image, skyRegion);
  const common = sky.reduce((sum, each) => sum + each.level, 0) / sky.length;
  const height = image.planes.map(({ data }, c) => {
    if (method === "level") return 1;
    // A channel that shows nothing above its noise is measured by the noise, so that it is not blown up to match.
    return method === "noise"
      ? sky[c].noise
      : Math.max(quantile(thinned(data), share) - sky[c].level, 3 * sky[c].noise);
  });
  const top = Math.max(...height.filter((h) => h > 0), 0);
  const gains = height.map((h) => h > 0 ? Math.min(maximumGain, top / h) : 1);
  return applyGains(image, gains, sky.map((each) => each.level), common, "equaliseChannels", used);
}

/** out = common + gain · (in − sky), and the gains in the notes. */
export function applyGains(
  image: Image,
  gains: readonly number[],
  sky: readonly number[],
  common: number,
  step: string,
  options: object,
  notes: readonly string[] = [],
): Image {
  const { width, height } = image;
  const planes = image.planes.map(({ channel, data }, c) => {
    const out = allocatePlane(width, height);
    const gain = gains[c];
    const level = sky[c];
    for (let i = 0; i < data.length; i++) out[i] = common + gain * (data[i] - level);
    return { channel, data: out };
  });
  const variance = image.variance?.map((data, c) => {
    const out = allocatePlane(width, height);
    const square = gains[c] * gains[c];
    for (let i = 0; i < data.length; i++) out[i] = square * data[i];
    return out;
  }) ?? null;
  const said = image.planes.map(({ channel }, c) => `${channel} ${gains[c].toPrecision(4)}`).join(", ");
  return derive(image, { planes, variance }, { step, options, notes: [`gains: ${said}`, ...notes] });
}
