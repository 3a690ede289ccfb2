/** Chains of steps that recipes share. */
import type { Region } from "../core/geometry.ts";
import type { Json } from "../core/options.ts";
import type { RecipeStep } from "./recipe.ts";

/**
 * Share of the stars' light that is taken away: our own judgement on the demo nights, where nebula and stars keep a
 * balance.
 */
const starReduction = 0.45;

/**
 * Grain that a picture whose noise was reduced may show: what is left is coarser than a frame's own and seen earlier;
 * our own judgement on the demo nights, of 0.006, 0.010, 0.012 and 0.020.
 */
export const maximumDrawnNoise: number = 0.012;

/** A step of a recipe. */
export const node = (
  id: string,
  step: string,
  inputs: readonly string[],
  channel = "",
  options: { readonly [name: string]: Json } = {},
): RecipeStep => ({ id, step, inputs, options, channel });

/** A channel's name as part of a node's. */
const idOf = (channel: string): string => channel.replaceAll(/\W/g, "");

/** The node that {@linkcode evenSky} ends in. */
export const even = (channel: string): string => `even-${idOf(channel)}`;

/** Crop and gradient of one stack; ends in the node {@linkcode even}. */
export function evenSky(channel: string, region: Region): RecipeStep[] {
  const crop = `crop-${idOf(channel)}`;
  return [
    node(crop, "cropImage", [`stack.${channel}`], channel, { ...region }),
    node(even(channel), "extractGradient", [crop], channel),
  ];
}

/**
 * Noise taken off what lies behind the stars, then the stars put back, fewer of their light; ends in the nodes
 * `denoised` (no stars) and `starsReduced`, with the name's end behind them. Stars are kept out of the cleaning: they
 * are no noise and would hide the noise round them.
 */
export const calmSkyFewerStars = (ready: string, end = "", channel = ""): RecipeStep[] => [
  node(`parts${end}`, "separateStars", [ready], channel),
  node(`denoised${end}`, "reduceNoise", [`parts${end}.starless`], channel),
  node(`recombined${end}`, "recombineStars", [`denoised${end}`, `parts${end}.stars`], channel),
  node(`starsReduced${end}`, "reduceStars", [`recombined${end}`, `parts${end}.stars`], channel, {
    strength: starReduction,
  }),
];
