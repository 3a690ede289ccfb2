/** Two lines from the three colours of a sensor behind a dual-band filter. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { measureSky, type SkyPart } from "../measure/sky_level.ts";
import { quantile } from "../stats/median.ts";
import { colourPlanes } from "./oklab_image.ts";

/** How much of each line a colour of the sensor records: one row a colour R, G, B, one column a line. */
export type LineResponse = readonly [
  readonly [number, number],
  readonly [number, number],
  readonly [number, number],
];

/** Options of {@linkcode unmixLines}. */
export interface UnmixLinesOptions {
  /** Names of the lines: the one at longer wavelength first. */
  readonly lines: readonly [string, string];
  /** What each colour records of each line; "automatic" measures it where the field tells. */
  readonly response: LineResponse | "automatic";
  /** Where sky and noise are measured: a part that is free of nebula, `darkest` to find one, null for all of it. */
  readonly skyRegion: SkyPart;
}

/** What {@linkcode unmixLines} uses for an option left out. */
export const unmixLinesDefaults: Readonly<UnmixLinesOptions> = Object.freeze({
  lines: Object.freeze(["Ha", "OIII"] as const),
  response: "automatic",
  skyRegion: "darkest",
});

/**
 * What a common sensor records of hydrogen at 656 nm and oxygen at 501 nm, each line's strongest colour 1 (orders of
 * magnitude of published curves, from memory): what a field does not tell is taken from here.
 */
const usualResponse: LineResponse = [[1, 0.06], [0.1, 1], [0.03, 0.65]];

/** Side of the blocks that ratios are measured in, pixels. */
const blockSide = 8;
/** Least height of a block over its noise: its ratio is known to 1 %, so that noise alone makes no edge. */
const minimumBlockSnr = 100;
/** Fewest such blocks that tell an edge. */
const minimumBlocks = 40;
/** The edge of the ratios: this share of the blocks lies beyond it. */
const edgeShare = 0.02;
/** Largest cross-talk that is believed: where the smallest ratio is larger, no part shows one line alone. */
const maximumCrosstalk = 0.25;

/** Means of blocks above the sky, one list a colour, for blocks with data. */
function blockMeans(planes: readonly Float32Array[], { width, height }: Image, sky: readonly number[]): number[][] {
  const means: number[][] = planes.map(() => []);
  for (let y = 0; y + blockSide <= height; y += blockSide) {
    for (let x = 0; x + blockSide <= width; x += blockSide) {
      const sums = planes.map((data, c) => {
        let sum = 0;
        for (let j = 0; j < blockSide; j++) {
          for (let i = 0; i < blockSide; i++) sum += data[(y + j) * width + x + i];
        }
        return sum / (blockSide * blockSide) - sky[c];
      });
      if (sums.every((each) => each === each)) sums.forEach((each, c) => means[c].push(each));
    }
  }
  return means;
}

/** The smallest ratio of two colours over the blocks where the second is clear; null where the field does not tell. */
function edgeRatio(of: readonly number[], over: readonly number[], noise: number): number | null {
  const ratios = over.flatMap((each, k) => each > minimumBlockSnr * noise ? [of[k] / each] : []);
  if (ratios.length < minimumBlocks) return null;
  const edge = quantile(ratios, edgeShare);
  return edge <= maximumCrosstalk ? Math.max(0, edge) : null;
}

/** The ratio of blue to green where red is least: there oxygen shines alone. */
function blueOverGreen([red, green, blue]: readonly number[][], noise: readonly number[]): number | null {
  const clear = green.flatMap((each, k) => each > minimumBlockSnr * noise[1] ? [k] : []);
  if (clear.length < minimumBlocks) return null;
  const edge = quantile(clear.map((k) => red[k] / green[k]), 0.1);
  const alone = clear.filter((k) => red[k] / green[k] <= edge);
  return quantile(alone.map((k) => blue[k] / green[k]), 0.5);
}

/** A response, and what of it was measured. */
interface MeasuredResponse {
  readonly response: LineResponse;
  readonly note: string;
}

/** The response as the field shows it: cross-talk is the smallest ratio found anywhere. */
function measureResponse(
  planes: readonly Float32Array[],
  image: Image,
  sky: readonly { readonly level: number; readonly noise: number }[],
): MeasuredResponse {
  const means = blockMeans(planes, image, sky.map(({ level }) => level));
  const noise = sky.map((each) => each.noise / blockSide);
  const [red, green, blue] = means;
  const greenOfRed = edgeRatio(green, red, noise[0]);
  const blueOfRed = edgeRatio(blue, red, noise[0]);
  const redOfGreen = edgeRatio(red, green, noise[1]);
  const blueOfGreen = redOfGreen === null ? null : blueOverGreen(means, noise);
  const found = { greenOfRed, blueOfRed, redOfGreen, blueOfGreen };
  const missing = Object.values(found).filter((each) => each === null).length;
  return {
    response: [
      [1, redOfGreen ?? usualResponse[0][1]],
      [greenOfRed ?? usualResponse[1][0], 1],
      [blueOfRed ?? usualResponse[2][0], blueOfGreen ?? usualResponse[2][1]],
    ],
    note: missing === 0
      ? "response measured in the field"
      : `response: ${4 - missing} of 4 ratios measured in the field, the others those of a common sensor`,
  };
}

/** Weights of R, G, B that give a line: least squares with each colour's noise, (MᵀWM)⁻¹MᵀW. */
export function unmixingWeights(
  response: LineResponse,
  noise: readonly number[],
): readonly [readonly number[], readonly number[]] {
  const weights = noise.map((sigma) => 1 / (sigma * sigma));
  let a = 0;
  let b = 0;
  let d = 0;
  response.forEach(([first, second], c) => {
    a += weights[c] * first * first;
    b += weights[c] * first * second;
    d += weights[c] * second * second;
  });
  const determinant = a * d - b * b;
  if (!(determinant > 1e-6 * a * d)) {
    throw new RangeError("unmixLines: response must tell the two lines apart, but its columns are alike");
  }
  return [
    response.map(([first, second], c) => weights[c] * (d * first - b * second) / determinant),
    response.map(([first, second], c) => weights[c] * (a * second - b * first) / determinant),
  ];
}

/**
 * Two lines from the colours of a sensor behind a dual-band filter. Each colour is a sum of both lines, y = M F, with
 * what it records of each in M; F follows by least squares with the noise of the colours, which takes the share of one
 * line in the other's colour (cross-talk) away. Light of stars, which is in both bands, goes into both lines.
 *
 * In: linear, planes R, G, B, gradient removed. Out: one plane a line, unit as before, each with the sky of its
 * strongest colour; a variance is not carried. NaN in a colour gives NaN.
 *
 * The response is given, or measured: the smallest ratio of green to red anywhere is what hydrogen alone leaves in
 * green. It is an upper bound where no part of the field shows one line alone; a ratio that cannot be so is replaced by
 * that of a common sensor, and the notes say so.
 *
 * Source: weighted linear least squares, any textbook (for example Press et al., Numerical Recipes, section 15.4).
 *
 * @throws {TypeError} if the image is a stretched picture or has not three planes
 * @throws {RangeError} if the response does not tell the lines apart
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, unmixLines } from "faintlight";
 *
 * const image = constantImage(4, 4, 10, { channels: ["R", "G", "B"] });
 * const lines = unmixLines(image, { response: [[0.85, 0.06], [0.12, 0.8], [0.03, 0.55]], skyRegion: null });
 * assert.deepEqual(lines.planes.map(({ channel }) => channel), ["Ha", "OIII"]);
 * ```
 */
export function unmixLines(image: Image, options: Partial<UnmixLinesOptions> = {}): Image {
  const used = settle("unmixLines", unmixLinesDefaults, options);
  requireLinear("unmixLines", image);
  const colours = colourPlanes("unmixLines", image);
  const sky = measureSky(image, used.skyRegion);
  const measured = used.response === "automatic" ? measureResponse(colours, image, sky) : null;
  const response = measured?.response ?? used.response as LineResponse;
  // a noise of 0, in a made-up image, weighs all colours alike
  const noise = sky.map((each) => each.noise > 0 ? each.noise : 1);
  const weights = unmixingWeights(response, noise);
  const { width, height } = image;
  const planes = used.lines.map((channel, line) => {
    const [r, g, b] = weights[line];
    const strongest = response.reduce((best, row, c) => row[line] > response[best][line] ? c : best, 0);
    const data = allocatePlane(width, height);
    const pedestal = sky[strongest].level - (r * sky[0].level + g * sky[1].level + b * sky[2].level);
    for (let i = 0; i < data.length; i++) {
      data[i] = pedestal + r * colours[0][i] + g * colours[1][i] + b * colours[2][i];
    }
    return { channel, data };
  });
  const shown = response.map((row, c) => `${"RGB"[c]} ${row.map((each) => each.toFixed(3)).join(" and ")}`).join("; ");
  return derive(image, { planes, variance: null }, {
    step: "unmixLines",
    options: { ...used, response },
    notes: [`${used.lines.join(" and ")} in ${shown}`, ...(measured === null ? [] : [measured.note])],
  });
}
