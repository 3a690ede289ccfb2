/** A tone curve over the histogram of the image it is meant for. */
import * as Plot from "@observablehq/plot";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { channelHistograms, endsInWords, histogramDrawing, histogramRange, valueLabel } from "./histogram_plot.ts";
import { composeSheet, heading, MARGIN } from "./layout.ts";
import { type ThemeName, themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, tickText } from "./text.ts";

/** Options of {@linkcode curvePlot}. */
export interface CurvePlotOptions {
  /** Heading. */
  readonly title: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Height of the frame, drawing units. */
  readonly height: number;
  /** Lowest and highest level drawn, unit of the image; `null` chooses them. */
  readonly range: readonly [number, number] | null;
  /** One channel; `null` draws all that make up the picture. */
  readonly channel: string | null;
  /** Level to mark as black point, unit of the image. */
  readonly black: number | null;
  /** Level to mark as white point, unit of the image. */
  readonly white: number | null;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode curvePlot} uses for an option left out. */
export const curvePlotDefaults: CurvePlotOptions = Object.freeze({
  title: "Curve over the histogram",
  width: 860,
  height: 380,
  range: null,
  channel: null,
  black: null,
  white: null,
  theme: "light",
});

/**
 * A curve over the histogram of the image it is meant for: counts on the left (logarithmic), what the curve makes of
 * each level on the right.
 *
 * @param image the image before the curve
 * @param curve level in the image's unit → 0 … 1
 * @param options range, points, theme
 * @throws {RangeError} if the range is empty
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, curvePlot } from "faintlight";
 *
 * const sheet = curvePlot(constantImage(8, 8, 0.5, { unit: "display" }), (x) => Math.sqrt(x));
 * assert.match(sheet.alternativeText, /0.50 becomes 0.707/);
 * ```
 */
export function curvePlot(
  image: Image,
  curve: (level: number) => number,
  options: Partial<CurvePlotOptions> = {},
): Sheet {
  const used = settle("curvePlot", curvePlotDefaults, options);
  const theme = themes[used.theme];
  const [low, high] = used.range ?? histogramRange([image], used.channel);
  const series = channelHistograms(image, [low, high], 256, used.channel);
  const most = Math.max(1, ...series.flatMap((each) => [...each.counts]));
  // the curve's 0 … 1 laid on the count axis, which runs logarithmically from 0.7 to twice the highest count
  const floor = Math.log(0.7);
  const top = Math.log(2 * most);
  const onAxis = (y: number) => Math.exp(floor + (top - floor) * Math.max(0, Math.min(1, y)));
  const line = Array.from({ length: 401 }, (_, at) => {
    const x = low + (high - low) * at / 400;
    return { x, y: curve(x) };
  }).filter((point) => Number.isFinite(point.y));
  const ticks = [0, 0.25, 0.5, 0.75, 1];
  const marks: Plot.Markish[] = [
    Plot.line(line, { x: "x", y: (d: { y: number }) => onAxis(d.y), stroke: theme.panel, strokeWidth: 6 }),
    Plot.line(line, { x: "x", y: (d: { y: number }) => onAxis(d.y), stroke: theme.violet, strokeWidth: 3 }),
    Plot.ruleY(ticks, { y: onAxis, x1: high - 0.012 * (high - low), x2: high, stroke: theme.violet, strokeWidth: 2 }),
    Plot.text(ticks, {
      x: () => high,
      y: onAxis,
      text: (y: number) => tickText(y),
      dx: -16,
      textAnchor: "end",
      fill: theme.violet,
      stroke: theme.panel,
      strokeWidth: 3,
    }),
  ];
  const points = [
    { value: used.black, name: "black" },
    { value: used.white, name: "white" },
  ].flatMap(({ value, name }) => value === null ? [] : [{ value, name }]);
  const middle = (low + high) / 2;
  const words = `${formatNumber(middle, 2)} becomes ${formatNumber(curve(middle), 3)}`;
  const head = heading(
    used.title,
    "Left: pixels a bin. Right, violet: what the curve makes of each level.",
    used.width,
    theme,
  );
  const drawing = histogramDrawing(series, {
    width: used.width - 2 * MARGIN,
    height: used.height,
    theme,
    logCounts: true,
    mostPixels: most,
    xLabel: valueLabel(image),
    points,
    marks,
  }, { x: MARGIN, y: head.bottom });
  const alternative = `${used.title}: ${words}; ${endsInWords(image, series)}.`;
  const bottom = head.bottom + drawing.height + MARGIN / 2;
  return composeSheet(used.width, bottom, theme, alternative, [...head.elements, drawing.svg]);
}
