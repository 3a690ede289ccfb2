/** Channels of different strength brought to one scale, with a neutral sky. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import type { StepEntry } from "../core/history.ts";
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
  /** What the gains rest on; "automatic" measures it. A part of an image becomes as the whole by the whole's. */
  readonly measures: ChannelMeasures | "automatic";
}

/** What the gains of channels rest on: plain numbers of the whole image, one a channel, in its unit. */
export interface ChannelMeasures {
  /** Level of the sky. */
  readonly sky: readonly number[];
  /** What becomes equal: a height above the sky, or the noise; 1 for each when nothing but the sky does. */
  readonly heights: readonly number[];
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
  measures: "automatic",
});

/** A thinned copy of the samples with data. */
function thinned(data: Float32Array): Float32Array {
  const stride = Math.max(1, Math.floor(data.length / 300_000) | 1);
  const kept = new Float32Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) if (Number.isFinite(data[i])) kept[n++] = data[i];
  return kept.subarray(0, n);
}

/** Refuse options out of range. */
function requireEqualiseOptions({ method, share, maximumGain }: EqualiseChannelsOptions): void {
  if (!["percentile", "noise", "level"].includes(method)) {
    throw new RangeError(
      `equaliseChannels: method must be "percentile", "noise" or "level", but got ${JSON.stringify(method)}`,
    );
  }
  if (!(share >= 0.5 && share <= 1)) {
    throw new RangeError(`equaliseChannels: share must lie within 0.5 … 1, but got ${share}`);
  }
  if (!(maximumGain >= 1)) throw new RangeError(`equaliseChannels: maximumGain must be ≥ 1, but got ${maximumGain}`);
}

/** Sky and height of each channel. */
function measureChannels(
  image: Image,
  { method, share, skyRegion }: Pick<EqualiseChannelsOptions, "method" | "share" | "skyRegion">,
): ChannelMeasures {
  const sky = measureSky(image, skyRegion);
  const heights = image.planes.map(({ data }, c) => {
    if (method === "level") return 1;
    // A channel that shows nothing above its noise is measured by the noise, so that it is not blown up to match.
    return method === "noise"
      ? sky[c].noise
      : Math.max(quantile(thinned(data), share) - sky[c].level, 3 * sky[c].noise);
  });
  return { sky: sky.map(({ level }) => level), heights };
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
 * const lines = joinChannels([
 *   constantImage(9, 9, 30, { channels: ["Ha"] }),
 *   constantImage(9, 9, 10, { channels: ["OIII"] }),
 * ]);
 * const even = equaliseChannels(lines, { method: "level" });
 * assert.deepEqual(even.planes.map((plane) => plane.data[0]), [20, 20]);
 * ```
 */
export function equaliseChannels(image: Image, options: Partial<EqualiseChannelsOptions> = {}): Image {
  const used = settle("equaliseChannels", equaliseChannelsDefaults, options);
  requireLinear("equaliseChannels", image);
  requireEqualiseOptions(used);
  const { sky, heights } = used.measures === "automatic" ? measureChannels(image, used) : used.measures;
  const common = sky.reduce((sum, each) => sum + each, 0) / sky.length;
  const top = Math.max(...heights.filter((h) => h > 0), 0);
  const gains = heights.map((h) => h > 0 ? Math.min(used.maximumGain, top / h) : 1);
  return applyGains(image, { gains, sky, common }, { step: "equaliseChannels", options: used });
}

/** What is done to each channel: out = common + gain · (in − sky). */
export interface ChannelGains {
  /** Gain of each channel. */
  readonly gains: readonly number[];
  /** Level of the sky in each channel. */
  readonly sky: readonly number[];
  /** Level of the sky in all channels afterwards. */
  readonly common: number;
}

/** out = common + gain · (in − sky), and the gains in the notes before those of the entry. */
export function applyGains(image: Image, { gains, sky, common }: ChannelGains, entry: StepEntry): Image {
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
  return derive(image, { planes, variance }, { ...entry, notes: [`gains: ${said}`, ...entry.notes ?? []] });
}
