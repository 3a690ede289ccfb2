/** Which line is drawn in which colour. */
import { allocatePlane, derive, type Image, planeOf } from "../core/image.ts";
import { settle } from "../core/options.ts";

/** What one output channel is made of: a weight for each channel that goes in. */
export interface ChannelRule {
  /** Name of the output channel. */
  readonly output: string;
  /** Weight of each input channel by its name. */
  readonly from: { readonly [channel: string]: number };
}

/** Options of {@linkcode mapChannels}. */
export interface MapChannelsOptions {
  /**
   * One rule an output channel, or the trade's name of a usual set: first letter to red, second to green, third to
   * blue.
   */
  readonly rules: "HOO" | "SHO" | "HSO" | "OHS" | "RGB" | readonly ChannelRule[];
}

/** What {@linkcode mapChannels} uses for an option left out. */
export const mapChannelsDefaults: Readonly<MapChannelsOptions> = Object.freeze({ rules: "HOO" });

const letters: Readonly<Record<string, string>> = { H: "Ha", O: "OIII", S: "SII", R: "R", G: "G", B: "B" };

/**
 * The rules behind a name.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { channelRules } from "faintlight/parts";
 *
 * assert.deepEqual(channelRules("HOO")[2], { output: "B", from: { OIII: 1 } });
 * ```
 */
export function channelRules(name: "HOO" | "SHO" | "HSO" | "OHS" | "RGB"): ChannelRule[] {
  return ["R", "G", "B"].map((output, k) => ({ output, from: { [letters[name[k]]]: 1 } }));
}

/**
 * Draw channels as others by a matrix of weights: lines as red, green and blue.
 *
 * In:  linear or display, any channels. Out: one plane a rule, same size and unit, out = Σ weight · in; not clamped.
 * NaN in a channel that a rule uses gives NaN. A variance is carried through (Σ weight² · variance). Cost: one pass a
 * rule. Where channels carry a sky, weights should sum to 1 so that it stays neutral; on linear data equalise the
 * channels first (`equaliseChannels`), because lines differ in strength tenfold.
 *
 * @throws {TypeError} if a channel is missing
 * @throws {RangeError} if a rule has no weight or one that is no number, or an output occurs twice
 *
 * @example Red from hydrogen, green and blue from oxygen
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, joinChannels, mapChannels } from "faintlight";
 *
 * const lines = joinChannels([
 *   constantImage(1, 1, 9, { channels: ["Ha"] }),
 *   constantImage(1, 1, 4, { channels: ["OIII"] }),
 * ]);
 * assert.deepEqual(mapChannels(lines).planes.map((plane) => plane.data[0]), [9, 4, 4]);
 * ```
 */
export function mapChannels(image: Image, options: Partial<MapChannelsOptions> = {}): Image {
  const used = settle("mapChannels", mapChannelsDefaults, options);
  const rules = typeof used.rules === "string" ? channelRulesOf(used.rules) : used.rules;
  if (rules.length === 0) throw new RangeError("mapChannels: rules must name at least one output, but got none");
  const outputs = new Set(rules.map((rule) => rule.output));
  if (outputs.size !== rules.length) {
    throw new RangeError("mapChannels: each output must have one rule, but one has two");
  }
  const { width, height } = image;
  const size = width * height;
  const terms = rules.map(({ output, from }) => {
    const list = Object.entries(from).filter(([, weight]) => weight !== 0);
    if (list.length === 0) {
      throw new RangeError(`mapChannels: a rule must have a weight, but "${output}" has none`);
    }
    return list.map(([channel, weight]) => {
      if (!Number.isFinite(weight)) {
        throw new RangeError(`mapChannels: weights must be numbers, but "${channel}" for "${output}" is ${weight}`);
      }
      const plane = planeOf(image, channel);
      return { data: plane.data, weight, index: image.planes.indexOf(plane) };
    });
  });
  const sum = (list: readonly { readonly data: Float32Array; readonly weight: number }[]): Float32Array => {
    const out = allocatePlane(width, height);
    if (list.length === 1) {
      const [{ data, weight }] = list;
      for (let i = 0; i < size; i++) out[i] = weight * data[i];
    } else {
      for (let i = 0; i < size; i++) {
        let value = 0;
        for (const { data, weight } of list) value += weight * data[i];
        out[i] = value;
      }
    }
    return out;
  };
  const planes = terms.map((list, k) => ({ channel: rules[k].output, data: sum(list) }));
  const { variance } = image;
  const carried = variance === null
    ? null
    : terms.map((list) => sum(list.map(({ weight, index }) => ({ data: variance[index], weight: weight * weight }))));
  return derive(image, { planes, variance: carried }, { step: "mapChannels", options: { rules } });
}

function channelRulesOf(name: string): ChannelRule[] {
  if (!["HOO", "SHO", "HSO", "OHS", "RGB"].includes(name)) {
    throw new RangeError(`mapChannels: rules must be a list or one of HOO, SHO, HSO, OHS, RGB, but got "${name}"`);
  }
  return channelRules(name as "HOO");
}
