/** Noise against the size of structures. */
import * as Plot from "@observablehq/plot";
import { settle } from "../core/options.ts";
import { composeSheet, heading, legend, MARGIN } from "./layout.ts";
import { type ThemeName, themes } from "./palette.ts";
import { plotDrawing } from "./plot.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, tickText } from "./text.ts";

/** Options of {@linkcode noiseByScale}. */
export interface NoiseByScaleOptions {
  /** Heading. */
  readonly title: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Height of the frame, drawing units. */
  readonly height: number;
  /** Colours. */
  readonly theme: ThemeName;
}

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
  height: 360,
  theme: "light",
});

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
 * const sheet = noiseByScale([{ name: "before", scales: [{ scalePixels: 1, noise: 9 }, { scalePixels: 2, noise: 4 }] }], "ADU");
 * assert.match(sheet.alternativeText, /before: 9.00 ADU at 1 pixel/);
 * ```
 */
export function noiseByScale(
  series: readonly { readonly name: string; readonly scales: readonly ScaleNoise[] }[],
  unit: string,
  options: Partial<NoiseByScaleOptions> = {},
): Sheet {
  const used = settle("noiseByScale", noiseByScaleDefaults, options);
  if (series.length === 0 || series.length > 4) {
    throw new RangeError(`noiseByScale: series must be 1 … 4 lines, but got ${series.length}`);
  }
  const theme = themes[used.theme];
  const colours = [theme.muted, theme.blue, theme.amber, theme.violet];
  const shapes = ["circle", "square", "triangle", "cross"] as const;
  const symbols = ["circle", "square", "triangle", "times"] as const;
  const rows = series.flatMap((line, at) =>
    line.scales.filter((each) => each.noise > 0).map((each) => ({ ...each, at }))
  );
  const scales = [...new Set(rows.map((row) => row.scalePixels))].sort((a, b) => a - b);
  const noises = rows.map((row) => row.noise);
  const [low, high] = noises.length === 0 ? [1, 10] : [Math.min(...noises), Math.max(...noises)];
  const levels = [-6, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 6]
    .flatMap((power) => [1, 2, 5].map((factor) => Number(`${factor}e${power}`)))
    .filter((level) => level > low * 0.75 && level < high * 1.4);
  const head = heading(used.title, "", used.width, theme);
  const drawing = plotDrawing(
    {
      width: used.width - 2 * MARGIN,
      height: used.height,
      marginLeft: 70,
      marginBottom: 44,
      marginTop: 12,
      x: { type: "point", domain: scales, padding: 0.3, label: null, tickFormat: tickText },
      y: { type: "log", domain: [low * 0.75, high * 1.4], label: null, ticks: levels, tickFormat: tickText },
      marks: [
        Plot.frame({ fill: theme.panel, stroke: theme.line }),
        Plot.gridX(scales, { stroke: theme.line, strokeOpacity: 1 }),
        ...series.flatMap((_, at) => {
          const own = rows.filter((row) => row.at === at);
          return [
            Plot.line(own, { x: "scalePixels", y: "noise", stroke: colours[at], strokeWidth: 2 }),
            Plot.dot(own, {
              x: "scalePixels",
              y: "noise",
              r: 5,
              symbol: symbols[at],
              fill: colours[at],
              stroke: colours[at],
            }),
          ];
        }),
        Plot.text([`size of structures (pixels); noise (${unit})`], { frameAnchor: "bottom", dy: 36 }),
      ],
    },
    theme,
    { x: MARGIN, y: head.bottom + 24 },
  );
  const key = legend(
    series.map((line, at) => ({ shape: shapes[at], colour: colours[at], words: line.name })),
    MARGIN,
    head.bottom + 14,
    theme,
  );
  const words = series.map((line) =>
    `${line.name}: ${
      line.scales.map((each) =>
        `${formatNumber(each.noise, 3)} ${unit} at ${each.scalePixels} pixel${each.scalePixels === 1 ? "" : "s"}`
      ).join(", ")
    }`
  ).join("; ");
  const bottom = head.bottom + 24 + used.height + MARGIN / 2;
  return composeSheet(used.width, bottom, theme, `${used.title}. ${words}.`, [...head.elements, ...key, drawing.svg]);
}
