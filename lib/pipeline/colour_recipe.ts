/** The recipe for colours: of a sensor, of three filters, with a luminance, with the light of a line. */
import type { Json } from "../core/options.ts";
import type { Recipe, RecipeStep } from "./recipe.ts";
import { calmSkyFewerStars, even, maximumDrawnNoise, node } from "./recipe_parts.ts";

/** A line that is joined to colours, and the channel its continuum is taken from. */
export interface JoinedLine {
  /** Channel of the line. */
  readonly line: string;
  /** Stack that holds its continuum. */
  readonly continuum: string;
  /** Channels that receive it. */
  readonly to: readonly string[];
}

/** What a colour picture is made of. */
export interface ColourParts {
  /** What it is, for a person. */
  readonly name: string;
  /** Steps that end in `ready`. */
  readonly start: readonly RecipeStep[];
  /** Node with the planes R, G, B. */
  readonly ready: string;
  /** Whether a stack of a clear filter gives the lightness. */
  readonly luminance: boolean;
  /** Lines to join. */
  readonly lines: readonly JoinedLine[];
}

/** Saturation of a colour picture: our own judgement on the demo nights. */
const saturation: Readonly<Record<string, Json>> = { factor: 1.3 };

/** Each line freed of its continuum and added to the colours; ends in the node of the last of them. */
function joinLines(ready: string, lines: readonly JoinedLine[]): { steps: RecipeStep[]; ready: string } {
  const steps: RecipeStep[] = [];
  let last = ready;
  for (const { line, continuum, to } of lines) {
    steps.push(
      node(`line-${line}`, "subtractContinuum", [even(line), even(continuum)], line),
      node(`with-${line}`, "addLine", [last, `line-${line}`], "", { to }),
    );
    last = `with-${line}`;
  }
  return { steps, ready: last };
}

/** Steps from the colours to the picture, the lightness of a clear filter laid over them. */
const underLuminance = (colours: string): RecipeStep[] => [
  node("luminance", "mixLuminance", [even("L"), colours], "luminance"),
  ...calmSkyFewerStars("luminance", "L", "luminance"),
  node("stretchedL", "automaticStretch", ["starsReducedL"], "luminance", { maximumDrawnNoise }),
  node("sharpened", "enhanceDetail", ["stretchedL"], "luminance"),
  node("lightened", "replaceLuminance", ["stretched", "sharpened"]),
  node("picture", "saturate", ["lightened"], "", saturation),
];

/** Red, green and blue as a picture. */
export function colourPicture({ name, start, ready, luminance, lines }: ColourParts): Recipe {
  const joined = joinLines(ready, lines);
  return {
    name,
    steps: [
      ...start,
      ...joined.steps,
      node("balanced", "balanceStars", [joined.ready]),
      ...calmSkyFewerStars("balanced"),
      node("stretched", "automaticStretch", ["starsReduced"], "", { maximumDrawnNoise }),
      ...(luminance ? underLuminance(ready) : [
        node("sharpened", "enhanceDetail", ["stretched"]),
        node("picture", "saturate", ["sharpened"], "", saturation),
      ]),
    ],
    result: "picture",
  };
}
