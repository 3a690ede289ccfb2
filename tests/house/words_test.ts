/**
 * One word a thing: every public name, option, step title and id of the default recipe consists of words that DEVELOPERS.md
 * explains, and words that were given up stay away.
 */
import { describe, expect, it } from "vitest";
import { readdirSync, readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { defaultRecipe, defaultsOf } from "faintlight";
import { findStep, stepNames } from "faintlight/extend";
import { namesWithOptions } from "../../lib/help/defaults_of.ts";
import { doorValues } from "./doors.ts";

const root = fileURLToPath(new URL("../../", import.meta.url));

/** Words of the list: the first cell of each row of the table at the end of DEVELOPERS.md. */
function listedWords(): ReadonlySet<string> {
  const [, section] = readFileSync(`${root}DEVELOPERS.md`, "utf8").split("\n## Words\n");
  const cells = section.split("\n").filter((line) => line.startsWith("|")).map((line) => line.split("|")[1]);
  return new Set(cells.flatMap((cell) => cell.toLowerCase().split(/[\s,()]+/)));
}

/** `equaliseAdaptiveHistogram` → equalise, adaptive, histogram; `encodePng16` → encode, png, 16. */
const wordsOf = (name: string): readonly string[] =>
  (name.match(/[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+/g) ?? []).map((word) => word.toLowerCase());

const doors = await doorValues();
const region = { x: 0, y: 0, width: 9, height: 9 };
const stacks: readonly (readonly string[])[] = [["SII", "Ha", "OIII"], ["Ha", "OIII"], ["colour"], ["R", "G", "B"], [
  "L",
]];
const recipes = stacks.map((channels) => defaultRecipe(channels, region));
const names: Readonly<Record<string, readonly string[]>> = {
  "public names": [...doors.values()].flatMap((values) => Object.keys(values)),
  "options": namesWithOptions.flatMap((name) => Object.keys(defaultsOf(name))),
  "step titles": stepNames.map((name) => findStep(name).title),
  "ids of the default recipe": recipes.flatMap(({ steps }) => steps.map(({ id }) => id.replace(/-.*/, ""))),
};

describe("words", () => {
  const listed = listedWords();

  it.each(Object.keys(names))("of %s are listed with their meaning", (kind) => {
    const missing = names[kind].flatMap((name) =>
      wordsOf(name).filter((word) => !listed.has(word)).map((word) =>
        `${word} (${name}): enter it with its meaning, or use the field's word`
      )
    );
    expect(names[kind].length).toBeGreaterThan(5);
    expect([...new Set(missing)].join("\n")).toBe("");
  });
});

/** Words that were given up, and what to say instead. */
const gone: readonly (readonly [word: RegExp, instead: string])[] = [
  [/\bundoBlur|\bBlur taken back/, "deconvolve, Deconvolution"],
  [/\bequaliseContrast|\bContrast by parts/, "equaliseAdaptiveHistogram, Adaptive contrast"],
  [/\bpartCrowd|\bpart_crowd/, "deblend"],
  [/\bintegrateImages\b|\bIntegrationFrame\b|\bintegrateTile\b/, "stackImages, FrameToStack, stackTile"],
  [/\bcombineLuminance\b/, "replaceLuminance"],
  [/\bparseOverrides\b|\boverrides\b/, "parseDecisions, decisions"],
  [/\b(parse|run|default)Workflow\b/, "…Recipe"],
  [/\breadNight\b/, "listFrames"],
  [/\b(tile|line|ring)Middles\b|\bmiddleOf\b/, "…Medians, medianOf"],
  [/\b(lostShare|goodPairsLost)\b/, "falseRejectionShare"],
  [/\b(leastSnr|smallestScale|largestScale|mostLights|leastFlat|leastResponse|enoughFrames)\b/, "minimum…, maximum…"],
  [/\bpartsAlong\b|\bsteepest:/, "tilesAlong, clipLimit"],
  [/\bskyFrom\b/, "skyRegion"],
  [/\blightRatio\b|\bstarLight\b|\bframeLight\b/, "fluxRatio, starFlux, frameFlux"],
  [/\b(STRAY|OUTSHINES|SURELY|LOOKS|UNREST|RESTLESS|TELLING)\b|loneliest|glimpse/, "a name of quantity and side"],
  [
    /To doubt|Stars apart from what lies behind|Channels brought to one strength/,
    "Please check, Star separation, Channel equalisation",
  ],
];

describe("words that were given up", () => {
  const files = ["lib", "tests", "notebooks"].flatMap((folder) =>
    readdirSync(`${root}${folder}`, { recursive: true, encoding: "utf8" }).map((name) => `${folder}/${name}`)
  ).filter((name) => /\.(ts|ipynb|md|py)$/.test(name) && !name.endsWith("house/words_test.ts"));

  it.each(gone.map(([word, instead]) => [word.source, instead] as const))("%s: say %s", (source) => {
    const word = new RegExp(source);
    expect(files.length).toBeGreaterThan(300);
    expect(files.filter((name) => word.test(readFileSync(root + name, "utf8"))).join("\n")).toBe("");
  });
});
