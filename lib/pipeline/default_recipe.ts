/** The processing that a set of filters calls for when the person names none. */
import { wavelengthOfFilter } from "../colour/filter_wavelengths.ts";
import type { Region } from "../core/geometry.ts";
import { settle } from "../core/options.ts";
import { colourPicture, type JoinedLine } from "./colour_recipe.ts";
import { linePicture } from "./line_recipe.ts";
import type { Recipe, RecipeStep } from "./recipe.ts";
import { calmSkyFewerStars, even, evenSky, maximumDrawnNoise, node } from "./recipe_parts.ts";

/** Options of {@linkcode defaultRecipe}. */
export interface DefaultRecipeOptions {
  /** Filter in front of a colour sensor: `HaOIII` and the like for a dual band; `""` for none. */
  readonly colourFilter: string;
}

/** What {@linkcode defaultRecipe} uses for an option left out. */
export const defaultRecipeDefaults: DefaultRecipeOptions = Object.freeze({ colourFilter: "" });

/** Lines of dual-band filters, longest wavelength first. */
const dualBands: Readonly<Record<string, readonly [string, string]>> = {
  HaOIII: ["Ha", "OIII"],
  SIIOIII: ["SII", "OIII"],
};

/** Emission lines, and the colours they shine in. */
const lineColours: Readonly<Record<string, readonly string[]>> = {
  SII: ["R"],
  NII: ["R"],
  Ha: ["R"],
  OIII: ["G", "B"],
  Hb: ["B"],
};

const isLine = (channel: string): boolean => channel in lineColours;

const nanometres = (band: string): number => wavelengthOfFilter(band) ?? NaN;

/** Broad bands by wavelength, longest first. */
const bandsOf = (channels: readonly string[]): string[] =>
  channels.filter((channel) => !isLine(channel) && wavelengthOfFilter(channel) !== null)
    .sort((a, b) => nanometres(b) - nanometres(a));

/** Three of more bands: the ends, and the one between them whose wavelength is nearest to their mean. */
function threeOf(bands: readonly string[]): readonly string[] {
  const [first, last] = [bands[0], bands[bands.length - 1]];
  const middle = (nanometres(first) + nanometres(last)) / 2;
  const off = (band: string) => Math.abs(nanometres(band) - middle);
  return [first, bands.slice(1, -1).reduce((best, each) => off(each) < off(best) ? each : best), last];
}

/** Three bands that are drawn as they are called. */
const plainBands: readonly string[] = ["R", "G", "B"];

/** Bands to be drawn, red first: R, G, B if there are, else two or three by wavelength; null for fewer than two. */
function drawnBands(channels: readonly string[]): readonly string[] | null {
  if (plainBands.every((each) => channels.includes(each))) return plainBands;
  const bands = bandsOf(channels);
  if (bands.length < 2) return null;
  return bands.length === 2 ? bands : threeOf(bands);
}

/** Gradient and joining of three bands, or of two with their mean for green; ends in the node `joined`. */
function joinBands(bands: readonly string[], region: Region): RecipeStep[] {
  const start = bands.flatMap((channel) => evenSky(channel, region));
  if (bands === plainBands) return [...start, node("joined", "joinChannels", bands.map(even))];
  const [red, green, blue] = bands.length === 3 ? bands : [bands[0], null, bands[1]];
  return [
    ...start,
    node("bands", "joinChannels", bands.map(even)),
    ...(green === null ? [node("alike", "equaliseChannels", ["bands"])] : []),
    node("joined", "mapChannels", [green === null ? "alike" : "bands"], "", {
      rules: [
        { output: "R", from: { [red]: 1 } },
        { output: "G", from: green === null ? { [red]: 0.5, [blue]: 0.5 } : { [green]: 1 } },
        { output: "B", from: { [blue]: 1 } },
      ],
    }),
  ];
}

/** Which band is drawn in which colour, in words. */
function bandsInWords(bands: readonly string[]): string {
  if (bands === plainBands) return "colour";
  const [red, green, blue] = bands.length === 3 ? bands : [bands[0], "their mean", bands[1]];
  return `bands by wavelength: ${red} red, ${green} green, ${blue} blue`;
}

/** The picture of broad bands, with the luminance and a single line there may be. */
function bandPicture(bands: readonly string[], channels: readonly string[], region: Region): Recipe {
  const luminance = channels.includes("L");
  const lines = channels.filter(isLine).map((line): JoinedLine => ({
    line,
    continuum: bands[lineColours[line].includes("R") ? 0 : bands.length - 1],
    to: lineColours[line],
  }));
  const names = [
    bandsInWords(bands),
    ...(luminance ? ["lightness from L and the colours"] : []),
    ...lines.map(({ line, to }) => `${line} joined to ${to.join(" and ")}`),
  ];
  return colourPicture({
    name: names.join("; "),
    start: [
      ...joinBands(bands, region),
      ...(luminance ? evenSky("L", region) : []),
      ...lines.flatMap(({ line }) => evenSky(line, region)),
    ],
    ready: "joined",
    luminance,
    lines,
  });
}

/** Lines of mono stacks, and R, G, B for the colours of the stars if there are. */
function monoLinePicture(lines: readonly string[], channels: readonly string[], region: Region): Recipe {
  const bands = drawnBands(channels);
  const start = [...lines.flatMap((line) => evenSky(line, region)), node("lines", "joinChannels", lines.map(even))];
  return bands?.length !== 3
    ? linePicture(lines, start)
    : linePicture(lines, [...start, ...joinBands(bands, region)], "joined");
}

/** A sensor of its own colours, or behind a dual-band filter. */
function sensorPicture(filter: string, region: Region): Recipe {
  const start = evenSky("colour", region);
  const lines = dualBands[filter];
  if (lines !== undefined) {
    return linePicture(lines, [...start, node("lines", "unmixLines", [even("colour")], "", { lines: [...lines] })]);
  }
  return colourPicture({ name: "colour", start, ready: even("colour"), luminance: false, lines: [] });
}

/** One stack in gray. */
function grayPicture(channel: string, region: Region): Recipe {
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

/**
 * The recipe for a set of stacks.
 *
 * - [S II], H-alpha and [O III]: SHO; two of them: two hues (HOO for H-alpha and [O III]); R, G, B besides give the
 *   stars their colours.
 * - A colour stack: colour; behind a dual-band filter its lines are unmixed and painted.
 * - R, G, B, or two and more bands of known wavelength, the longest red: colour. L besides gives the lightness, a line
 *   is joined to the colour it shines in, free of its continuum.
 * - Otherwise one stack in gray, that with the longest exposure.
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
export function defaultRecipe(
  channels: readonly string[],
  region: Region,
  options: Partial<DefaultRecipeOptions> = {},
): Recipe {
  const { colourFilter } = settle("defaultRecipe", defaultRecipeDefaults, options);
  const lines = ["SII", "Ha", "OIII"].filter((line) => channels.includes(line));
  if (lines.length >= 2) return monoLinePicture(lines, channels, region);
  if (channels.includes("colour")) return sensorPicture(colourFilter, region);
  const bands = drawnBands(channels);
  return bands === null ? grayPicture(channels[0], region) : bandPicture(bands, channels, region);
}

/** Stacks that a recipe makes no use of. */
export function unusedStacks(recipe: Recipe, channels: readonly string[]): string[] {
  const used = new Set(recipe.steps.flatMap(({ inputs }) => inputs));
  return channels.filter((channel) => !used.has(`stack.${channel}`));
}
