/** The recipe for narrowband lines. */
import type { Json } from "../core/options.ts";
import type { Recipe, RecipeStep } from "./recipe.ts";
import { calmSkyFewerStars, maximumDrawnNoise, node } from "./recipe_parts.ts";

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

/** Hues of two lines and of three, degrees, longest wavelength first. */
const twoHues = [25, 212] as const;
const threeHues = [25, 85, 235] as const;

/**
 * Lines painted: lightness from all of them with fewer stars, hue from the nebula without stars, so that stars stay
 * white.
 *
 * @param lines the lines, longest wavelength first
 * @param start steps that end in the node `lines`, an image with a plane for each of them
 * @param starColours node of a broadband image whose stars take the place of the white ones; null for none
 */
export function linePicture(
  lines: readonly string[],
  start: readonly RecipeStep[],
  starColours: string | null = null,
): Recipe {
  const degrees = lines.length === 3 ? threeHues : twoHues;
  const hues = lines.map((channel, k) => ({ channel, hueDegrees: degrees[k] }));
  const weights = Object.fromEntries(lines.map((line) => [line, 1 / lines.length]));
  const bare = starColours === null ? "starsReduced" : "denoised";
  const names = lines.length === 3
    ? "sulphur, hydrogen, oxygen: SHO"
    : lines.includes("SII")
    ? `${lines.join(" and ")} in two hues`
    : "H-alpha and oxygen: HOO";
  return {
    name: starColours === null ? names : `${names}, stars in their own colours`,
    steps: [
      ...start,
      ...calmSkyFewerStars("lines"),
      node("equalised", "equaliseChannels", [bare], "", { skyRegion }),
      node("light", "mapChannels", ["equalised"], "luminance", { rules: [{ output: "L", from: weights }] }),
      node("stretched", "automaticStretch", ["light"], "luminance", {
        maximumDrawnNoise,
        skyLightness,
        clippedSkyShare,
      }),
      node("sharpened", "enhanceDetail", ["stretched"], "luminance", { gains: lineGains }),
      node("coloured", "blendLines", ["denoised", "sharpened"], "", { lines: hues, skyRegion }),
      ...(starColours === null ? [] : [node("starred", "placeStarColours", ["coloured", starColours])]),
      node("picture", "saturate", [starColours === null ? "coloured" : "starred"], "", { factor: 1.15 }),
    ],
    result: "picture",
  };
}
