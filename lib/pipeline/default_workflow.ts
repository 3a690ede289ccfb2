/** The processing that a set of filters calls for when the person names none. */
import type { Region } from "../core/geometry.ts";
import type { Json } from "../core/options.ts";
import type { Workflow, WorkflowNode } from "./workflow.ts";

/**
 * Share of the stars' light that is taken away: our own judgement on the demo nights, where nebula and stars keep a
 * balance.
 */
const starReduction = 0.45;

/**
 * Grain that a picture whose noise was reduced may show: what is left is coarser than a frame's own and seen earlier;
 * our own judgement on the demo nights, of 0.006, 0.010, 0.012 and 0.020.
 */
const renderedNoise = 0.012;

/** Lightness of the sky: a field full of nebula needs a dark one for its contrast; our own judgement, of 4 to 13. */
const skyLightness = 5;

/** Where line pictures take their sky from: a nebula that fills the field is its most frequent level. */
const skyFrom = "darkest";

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
): WorkflowNode => ({ id, step, inputs, options, channel });

/** Crop and gradient of one stack; ends in the node `even-<channel>`. */
function evenSky(channel: string, region: Region): WorkflowNode[] {
  const id = channel.replaceAll(/\W/g, "");
  return [
    node(`crop-${id}`, "cropImage", [`stack.${channel}`], channel, { ...region }),
    node(`even-${id}`, "extractGradient", [`crop-${id}`], channel),
  ];
}

const even = (channel: string): string => `even-${channel.replaceAll(/\W/g, "")}`;

/**
 * Noise taken off what lies behind the stars, then the stars put back, fewer of their light; ends in the nodes `calm`
 * (no stars) and `fewer`. Stars are kept out of the cleaning: they are no noise and would hide the noise round them.
 */
const calmSkyFewerStars = (ready: string): WorkflowNode[] => [
  node("parts", "separateStars", [ready]),
  node("calm", "reduceNoise", ["parts.starless"]),
  node("whole", "recombineStars", ["calm", "parts.stars"]),
  node("fewer", "reduceStars", ["whole", "parts.stars"], "", { strength: starReduction }),
];

/**
 * Lines painted: lightness from all of them with fewer stars, hue from the nebula without stars, so that stars stay
 * white.
 */
function linePicture(lines: readonly string[], region: Region): Workflow {
  const hues: readonly Json[] = lines.length === 2
    ? [{ channel: "Ha", hue: 25 }, { channel: "OIII", hue: 212 }]
    : [{ channel: "SII", hue: 25 }, { channel: "Ha", hue: 85 }, { channel: "OIII", hue: 235 }];
  const weights = Object.fromEntries(lines.map((line) => [line, 1 / lines.length]));
  return {
    name: lines.length === 2 ? "H-alpha and oxygen: HOO" : "sulphur, hydrogen, oxygen: SHO",
    nodes: [
      ...lines.flatMap((line) => evenSky(line, region)),
      node("lines", "joinChannels", lines.map(even)),
      ...calmSkyFewerStars("lines"),
      node("strong", "equaliseChannels", ["fewer"], "", { skyFrom }),
      node("light", "mapChannels", ["strong"], "luminance", { rules: [{ output: "L", from: weights }] }),
      node("drawn", "automaticStretch", ["light"], "luminance", { renderedNoise, skyLightness, clippedSkyShare }),
      node("clear", "enhanceDetail", ["drawn"], "luminance", { gains: lineGains }),
      node("painted", "blendLines", ["calm", "clear"], "", { lines: hues, skyFrom }),
      node("picture", "saturate", ["painted"], "", { factor: 1.15 }),
    ],
    result: "picture",
  };
}

/** Red, green and blue, from a colour sensor or from three filters. */
function colourPicture(start: readonly WorkflowNode[], ready: string): Workflow {
  return {
    name: "colour",
    nodes: [
      ...start,
      node("balanced", "balanceStars", [ready]),
      ...calmSkyFewerStars("balanced"),
      node("drawn", "automaticStretch", ["fewer"], "", { renderedNoise }),
      node("clear", "enhanceDetail", ["drawn"]),
      node("picture", "saturate", ["clear"], "", { factor: 1.3 }),
    ],
    result: "picture",
  };
}

/**
 * The workflow for a set of stacks.
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
 * import { defaultWorkflow } from "faintlight";
 *
 * const workflow = defaultWorkflow(["Ha", "OIII"], { x: 0, y: 0, width: 100, height: 80 });
 * assert.equal(workflow.nodes.at(-1)?.id, workflow.result);
 * ```
 */
export function defaultWorkflow(channels: readonly string[], region: Region): Workflow {
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
    nodes: [
      ...evenSky(channel, region),
      ...calmSkyFewerStars(even(channel)),
      node("drawn", "automaticStretch", ["fewer"], channel, { renderedNoise }),
      node("picture", "enhanceDetail", ["drawn"], channel),
    ],
    result: "picture",
  };
}
