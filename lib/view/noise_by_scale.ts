/** Noise against the size of structures. */
import * as Plot from "@observablehq/plot";
import { settle } from "../core/options.ts";
import { composeSheet, heading, legend, sheetMargin } from "./layout.ts";
import { type Theme, themes } from "./palette.ts";
import { plotDrawing } from "./plot.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, tickText } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

/** Options of {@linkcode noiseByScale}. */
export type NoiseByScaleOptions = SheetOptions;

/** Noise of one wavelet scale. */
export interface ScaleNoise {
  /** Size of structures at this scale, pixels. */
  readonly scalePixels: number;
  /** Noise at this scale, unit of the image. */
  readonly noise: number;
}

/** What {@linkcode noiseByScale} uses for an option left out. */
export const noiseByScaleDefaults: NoiseByScaleOptions = Object.freeze({
  title: "Noise by scale",
  width: 720,
  theme: "light",
});

/** A named line of the plot. */
export interface NoiseSeries {
  /** What the legend calls it. */
  readonly name: string;
  /** Its noise, scale by scale. */
  readonly scales: readonly ScaleNoise[];
}

/** Height of the frame for its sheet's width: 360 at the width of 720. */
const heightShare = 0.5;

/** How the lines are told apart, in order: shape of the legend, symbol of the plot, colour. */
const lineStyles = [
  { shape: "circle", symbol: "circle", colour: (theme: Theme) => theme.muted },
  { shape: "square", symbol: "square", colour: (theme: Theme) => theme.blue },
  { shape: "triangle", symbol: "triangle", colour: (theme: Theme) => theme.amber },
  { shape: "cross", symbol: "times", colour: (theme: Theme) => theme.violet },
] as const;

/** Levels 1, 2 and 5 of each power of ten within a range. */
const niceLevels = (low: number, high: number): number[] =>
  [-6, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 6]
    .flatMap((power) => [1, 2, 5].map((factor) => Number(`${factor}e${power}`)))
    .filter((level) => level > low && level < high);

/** Lines with a mark at each scale. */
const seriesMarks = (measured: readonly (readonly ScaleNoise[])[], theme: Theme): Plot.Markish[] =>
  measured.flatMap((own, at) => {
    const { symbol } = lineStyles[at];
    const colour = lineStyles[at].colour(theme);
    return [
      Plot.line(own, { x: "scalePixels", y: "noise", stroke: colour, strokeWidth: 2 }),
      Plot.dot(own, { x: "scalePixels", y: "noise", r: 5, symbol, fill: colour, stroke: colour }),
    ];
  });

/** A line in words: its noise at each scale. */
const seriesWords = ({ name, scales }: NoiseSeries, unit: string): string => {
  const values = scales.map(({ scalePixels, noise }) =>
    `${formatNumber(noise, 3)} ${unit} at ${scalePixels} pixel${scalePixels === 1 ? "" : "s"}`
  );
  return `${name}: ${values.join(", ")}`;
};

/**
 * Noise against the size of structures, before and after a step, both axes logarithmic: noise reduction lowers the
 * left end, a gradient or mottling that is left raises the right one.
 *
 * @param series named lines in the order to draw them, at most four
 * @param unit what the noise is measured in, for the label
 * @param options heading, theme
 * @throws {RangeError} if there is no line or more than four
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { noiseByScale } from "faintlight";
 *
 * const sheet = noiseByScale([{
 *   name: "before",
 *   scales: [{ scalePixels: 1, noise: 9 }, { scalePixels: 2, noise: 4 }],
 * }], "ADU");
 * assert.match(sheet.alternativeText, /before: 9.00 ADU at 1 pixel/);
 * ```
 */
export function noiseByScale(
  series: readonly NoiseSeries[],
  unit: string,
  options: Partial<NoiseByScaleOptions> = {},
): Sheet {
  const { title, width, theme: themeName } = settle("noiseByScale", noiseByScaleDefaults, options);
  if (series.length === 0 || series.length > lineStyles.length) {
    throw new RangeError(`noiseByScale: series must be 1 … ${lineStyles.length} lines, but got ${series.length}`);
  }
  const theme = themes[themeName];
  const measured = series.map(({ scales }) => scales.filter((each) => each.noise > 0));
  const scales = [...new Set(measured.flat().map((each) => each.scalePixels))].sort((a, b) => a - b);
  const noises = measured.flat().map((each) => each.noise);
  const [low, high] = noises.length === 0 ? [1, 10] : [Math.min(...noises), Math.max(...noises)];
  const domain = [low * 0.75, high * 1.4] as const;

  const head = heading(title, "", width, theme);
  const height = Math.round(width * heightShare);
  const drawing = plotDrawing(
    {
      width: width - 2 * sheetMargin,
      height,
      marginLeft: 70,
      marginBottom: 44,
      marginTop: 12,
      x: { type: "point", domain: scales, padding: 0.3, label: null, tickFormat: tickText },
      y: { type: "log", domain, label: null, ticks: niceLevels(...domain), tickFormat: tickText },
      marks: [
        Plot.frame({ fill: theme.panel, stroke: theme.line }),
        Plot.gridX(scales, { stroke: theme.line, strokeOpacity: 1 }),
        ...seriesMarks(measured, theme),
        Plot.text([`size of structures (pixels); noise (${unit})`], { frameAnchor: "bottom", dy: 36 }),
      ],
    },
    theme,
    { x: sheetMargin, y: head.bottom + 24 },
  );
  const entries = series.map(({ name }, at) => ({
    shape: lineStyles[at].shape,
    colour: lineStyles[at].colour(theme),
    words: name,
  }));
  const key = legend(entries, sheetMargin, head.bottom + 14, theme);
  const words = `${title}. ${series.map((line) => seriesWords(line, unit)).join("; ")}.`;
  const bottom = head.bottom + 24 + height + sheetMargin / 2;
  return composeSheet(width, bottom, theme, words, [...head.elements, ...key, drawing.svg]);
}
