/** The processing that a set of filters calls for when the person names none. */
import type { Region } from "../core/geometry.ts";
import type { Json } from "../core/options.ts";
import type { Recipe, RecipeStep } from "./recipe.ts";

/**
 * Share of the stars' light that is taken away: our own judgement on the demo nights, where nebula and stars keep a
 * balance.
 */
const starReduction = 0.45;

/**
 * Grain that a picture whose noise was reduced may show: what is left is coarser than a frame's own and seen earlier;
 * our own judgement on the demo nights, of 0.006, 0.010, 0.012 and 0.020.
 */
const maximumDrawnNoise = 0.012;

/** Lightness of the sky: a field full of nebula needs a dark one for its contrast; our own judgement, of 4 to 13. */
const skyLightness = 5;

/** Where line pictures take their sky from: a nebula that fills the field is its most frequent level. */
const skyRegion = "darkest";

/**
 * Share of a line picture's sky below black: next to none, because little noise is left to measure it by and black
 * would come so near the sky that the curve lifts all of the faint nebula; our own judgement, of 1e-3 and 1e-6.
 */
const clippedSkyShare = 1e-6;

/**
 * Gains of details of 1, 2, 4 … pixels of a line picture behind the stretch, which flattens what is bright: our own
 * judgement.
 */
const lineGains: readonly Json[] = [1, 1.1, 1.2, 1.4, 1.4, 1.4];

const node = (
  id: string,
  step: string,
  inputs: readonly string[],
  channel = "",
  options: { readonly [name: string]: Json } = {},
): RecipeStep => ({ id, step, inputs, options, channel });

/** Crop and gradient of one stack; ends in the node `even-<channel>`. */
function evenSky(channel: string, region: Region): RecipeStep[] {
  const id = channel.replaceAll(/\W/g, "");
  return [
    node(`crop-${id}`, "cropImage", [`stack.${channel}`], channel, { ...region }),
    node(`even-${id}`, "extractGradient", [`crop-${id}`], channel),
  ];
}

const even = (channel: string): string => `even-${channel.replaceAll(/\W/g, "")}`;

/**
 * Noise taken off what lies behind the stars, then the stars put back, fewer of their light; ends in the nodes
 * `denoised` (no stars) and `starsReduced`. Stars are kept out of the cleaning: they are no noise and would hide the
 * noise round them.
 */
const calmSkyFewerStars = (ready: string): RecipeStep[] => [
  node("parts", "separateStars", [ready]),
  node("denoised", "reduceNoise", ["parts.starless"]),
  node("recombined", "recombineStars", ["denoised", "parts.stars"]),
  node("starsReduced", "reduceStars", ["recombined", "parts.stars"], "", { strength: starReduction }),
];

/**
 * Lines painted: lightness from all of them with fewer stars, hue from the nebula without stars, so that stars stay
 * white.
 */
function linePicture(lines: readonly string[], region: Region): Recipe {
  const hues: readonly Json[] = lines.length === 2
    ? [{ channel: "Ha", hueDegrees: 25 }, { channel: "OIII", hueDegrees: 212 }]
    : [{ channel: "SII", hueDegrees: 25 }, { channel: "Ha", hueDegrees: 85 }, { channel: "OIII", hueDegrees: 235 }];
  const weights = Object.fromEntries(lines.map((line) => [line, 1 / lines.length]));
  return {
    name: lines.length === 2 ? "H-alpha and oxygen: HOO" : "sulphur, hydrogen, oxygen: SHO",
    steps: [
      ...lines.flatMap((line) => evenSky(line, region)),
      node("lines", "joinChannels", lines.map(even)),
      ...calmSkyFewerStars("lines"),
      node("equalised", "equaliseChannels", ["starsReduced"], "", { skyRegion }),
      node("light", "mapChannels", ["equalised"], "luminance", { rules: [{ output: "L", from: weights }] }),
      node("stretched", "automaticStretch", ["light"], "luminance", {
        maximumDrawnNoise,
        skyLightness,
        clippedSkyShare,
      }),
      node("sharpened", "enhanceDetail", ["stretched"], "luminance", { gains: lineGains }),
      node("coloured", "blendLines", ["denoised", "sharpened"], "", { lines: hues, skyRegion }),
      node("picture", "saturate", ["coloured"], "", { factor: 1.15 }),
    ],
    result: "picture",
  };
}

/** Red, green and blue, from a colour sensor or from three filters. */
function colourPicture(start: readonly RecipeStep[], ready: string): Recipe {
  return {
    name: "colour",
    steps: [
      ...start,
      node("balanced", "balanceStars", [ready]),
      ...calmSkyFewerStars("balanced"),
      node("stretched", "automaticStretch", ["starsReduced"], "", { maximumDrawnNoise }),
      node("sharpened", "enhanceDetail", ["stretched"]),
      node("picture", "saturate", ["sharpened"], "", { factor: 1.3 }),
    ],
    result: "picture",
  };
}

/**
 * The recipe for a set of stacks.
 *
 * With [S II], H-alpha and [O III]: SHO; with two of those lines: HOO (H-alpha and oxygen); a colour stack or R, G, B:
 * colour; otherwise one stack in gray, that with the longest exposure.
 *
 * @param channels names of the stacks, the one with the longest exposure first
 * @param region part that enough frames cover
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { defaultRecipe } from "faintlight";
 *
 * const recipe = defaultRecipe(["Ha", "OIII"], { x: 0, y: 0, width: 100, height: 80 });
 * assert.equal(recipe.steps.at(-1)?.id, recipe.result);
 * ```
 */
export function defaultRecipe(channels: readonly string[], region: Region): Recipe {
  const have = (...names: readonly string[]) => names.every((name) => channels.includes(name));
  if (have("SII", "Ha", "OIII")) return linePicture(["SII", "Ha", "OIII"], region);
  if (have("Ha", "OIII")) return linePicture(["Ha", "OIII"], region);
  if (have("colour")) return colourPicture(evenSky("colour", region), even("colour"));
  if (have("R", "G", "B")) {
    const start = [
      ...["R", "G", "B"].flatMap((channel) => evenSky(channel, region)),
      node("joined", "joinChannels", ["R", "G", "B"].map(even)),
    ];
    return colourPicture(start, "joined");
  }
  const [channel] = channels;
  return {
    name: `${channel} alone`,
    steps: [
      ...evenSky(channel, region),
      ...calmSkyFewerStars(even(channel)),
      node("stretched", "automaticStretch", ["starsReduced"], channel, { maximumDrawnNoise }),
      node("picture", "enhanceDetail", ["stretched"], channel),
    ],
    result: "picture",
  };
}
