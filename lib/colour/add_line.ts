/** The light of a line, joined to the colour it shines in. */
import { allocatePlane, derive, type Image, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { measureNoise } from "../measure/measure_noise.ts";
import { measureSky, type SkyPart } from "../measure/sky_level.ts";

/** Options of {@linkcode addLine}. */
export interface AddLineOptions {
  /** Channels that receive the line. */
  readonly to: readonly string[];
  /**
   * Factor of the line: "automatic" adds as much of it as brings the noise of the line up to the channel's own, which
   * makes the channel's noise √2 times as large at most.
   */
  readonly gain: number | "automatic";
  /** Where the line's sky is measured: a part that is free of nebula, `darkest` to find one, null for all of it. */
  readonly skyRegion: SkyPart;
}

/** What {@linkcode addLine} uses for an option left out; the automatic gain is our own choice. */
export const addLineDefaults: Readonly<AddLineOptions> = Object.freeze({
  to: Object.freeze(["R"]),
  gain: "automatic",
  skyRegion: "darkest",
});

/**
 * Add a line that is free of its continuum ({@linkcode subtractContinuum}) to channels of a colour image: channel +
 * gain · (line − its sky). Stars, which have no line, keep their colour; the nebula gains what a broad filter hides
 * in the noise of the sky.
 *
 * In: a linear image with the channels named, and a linear one of one plane and the same size. Out: like the first; a
 * variance is not carried. NaN in the line leaves the channel as it is. Cost: a measure of the sky, of each noise, and
 * one pass.
 *
 * @throws {TypeError} if an image is a stretched picture, the line has several planes or a channel is missing
 * @throws {RangeError} if sizes differ or the gain is no number
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { addLine, constantImage } from "faintlight";
 *
 * const colour = constantImage(4, 4, 10, { channels: ["R", "G", "B"] });
 * const added = addLine(colour, constantImage(4, 4, 3), { gain: 2, skyRegion: null });
 * assert.deepEqual(added.planes.map(({ data }) => data[0]), [10, 10, 10]); // all of that line is sky
 * ```
 */
export function addLine(colour: Image, line: Image, options: Partial<AddLineOptions> = {}): Image {
  const used = settle("addLine", addLineDefaults, options);
  requireLinear("addLine", colour);
  requireLinear("addLine", line);
  requireSameSize("addLine", colour, line);
  if (line.planes.length !== 1) throw new TypeError(`addLine: line must have one plane, but has ${line.planes.length}`);
  const missing = used.to.find((name) => !colour.planes.some(({ channel }) => channel === name));
  if (missing !== undefined || used.to.length === 0) {
    const names = colour.planes.map(({ channel }) => channel).join(", ");
    throw new TypeError(`addLine: to must name channels of ${names}, but got "${missing ?? ""}"`);
  }
  const [lineSky] = measureSky(line, used.skyRegion);
  const lineNoise = measureNoise(line).noise;
  const [{ data: samples, channel: lineName }] = line.planes;
  const notes: string[] = [];
  const planes = colour.planes.map(({ channel, data }) => {
    if (!used.to.includes(channel)) return { channel, data };
    const gain = used.gain === "automatic" ? measureNoise(colour, { channel }).noise / lineNoise : used.gain;
    if (!Number.isFinite(gain)) throw new RangeError(`addLine: gain must be a number, but got ${gain}`);
    const out = allocatePlane(colour.width, colour.height);
    for (let i = 0; i < out.length; i++) {
      const above = samples[i] - lineSky.level;
      out[i] = above === above ? data[i] + gain * above : data[i];
    }
    notes.push(`${channel} + ${gain.toPrecision(4)} × ${lineName}`);
    return { channel, data: out };
  });
  return derive([colour, line], { planes, variance: null }, { step: "addLine", options: used, notes });
}
