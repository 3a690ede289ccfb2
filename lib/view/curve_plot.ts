/** A tone curve over the histogram of the image it is meant for. */
import * as Plot from "@observablehq/plot";
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { CurveParameters } from "../tone/curve.ts";
import { drawnLevels, type StretchSettings } from "../tone/stretch.ts";
import {
  channelHistograms,
  endsInWords,
  highestCount,
  histogramDrawing,
  histogramRange,
  markedEnds,
  type ToneEnds,
  valueLabel,
} from "./histogram_drawing.ts";
import { composeSheet, heading, sheetMargin } from "./layout.ts";
import { type Theme, themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, tickText } from "./text.ts";
import { sharedViewOptions, type ViewOptions } from "./view_options.ts";

/** What {@linkcode curvePlot} draws: the value that a step applies, or any function of a level. */
export type DrawnCurve =
  | CurveParameters
  | Pick<StretchSettings, "curve" | "black" | "white">
  | ((level: number) => number);

/** Options of {@linkcode curvePlot}. */
export interface CurvePlotOptions extends Pick<ViewOptions, "title" | "width" | "channel" | "theme"> {
  /** Lowest and highest level drawn, unit of the image; `"automatic"` chooses them. */
  readonly range: readonly [number, number] | "automatic";
  /** Ends of a tone scale to mark, unit of the image: those of a stretch, or one of them; `null` for none. */
  readonly mark: ToneEnds | null;
}

/** What {@linkcode curvePlot} uses for an option left out. */
export const curvePlotDefaults: CurvePlotOptions = Object.freeze({
  title: "Curve over the histogram",
  width: 860,
  channel: sharedViewOptions.channel,
  range: "automatic",
  mark: null,
  theme: sharedViewOptions.theme,
});

/** Height of the frame for its sheet's width: 380 at the width of 860. */
const heightShare = 380 / 860;
/** Points that the curve is drawn through, and bins of the histogram. */
const curvePoints = 401;
const histogramBins = 256;

/** The curve's 0 … 1 laid on the count axis, which runs logarithmically from 0.7 to twice the highest count. */
function onCountAxis(mostPixels: number): (value: number) => number {
  const floor = Math.log(0.7);
  const top = Math.log(2 * mostPixels);
  return (value) => Math.exp(floor + (top - floor) * Math.max(0, Math.min(1, value)));
}

/** A point of the curve: level before, value after. */
interface CurvePoint {
  readonly x: number;
  readonly y: number;
}

/** The curve and its own axis at the right edge. */
function curveMarks(
  curve: (level: number) => number,
  [low, high]: readonly [number, number],
  onAxis: (value: number) => number,
  theme: Theme,
): Plot.Markish[] {
  const line = Array.from({ length: curvePoints }, (_, at): CurvePoint => {
    const x = low + (high - low) * at / (curvePoints - 1);
    return { x, y: curve(x) };
  }).filter((point) => Number.isFinite(point.y));
  const y = (point: CurvePoint) => onAxis(point.y);
  const ticks = [0, 0.25, 0.5, 0.75, 1];
  return [
    Plot.line(line, { x: "x", y, stroke: theme.panel, strokeWidth: 6 }),
    Plot.line(line, { x: "x", y, stroke: theme.violet, strokeWidth: 3 }),
    Plot.ruleY(ticks, { y: onAxis, x1: high - 0.012 * (high - low), x2: high, stroke: theme.violet, strokeWidth: 2 }),
    Plot.text(ticks, {
      x: () => high,
      y: onAxis,
      text: (value: number) => tickText(value),
      dx: -16,
      textAnchor: "end",
      fill: theme.violet,
      stroke: theme.panel,
      strokeWidth: 3,
    }),
  ];
}

/**
 * A curve over the histogram of the image it is meant for: counts on the left (logarithmic), what the curve makes of
 * each level on the right.
 *
 * @param image the image before the curve
 * @param curve a curve on 0 … 1, a stretch with its black and white, or any function of a level in the image's unit
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
  curve: DrawnCurve,
  options: Partial<CurvePlotOptions> = {},
): Sheet {
  requireImage("curvePlot", image);
  const made = drawnLevels(curve);
  const used = settle("curvePlot", curvePlotDefaults, options);
  const { title, width, channel } = used;
  const theme = themes[used.theme];
  const range = used.range === "automatic" ? histogramRange([image], channel) : used.range;
  const series = channelHistograms(image, range, histogramBins, channel);
  const mostPixels = highestCount(series);
  const middle = (range[0] + range[1]) / 2;
  const words = `${formatNumber(middle, 2)} becomes ${formatNumber(made(middle), 3)}`;

  const caption = "Left: pixels a bin. Right, violet: what the curve makes of each level.";
  const head = heading(title, caption, width, theme);
  const drawing = histogramDrawing(series, {
    width: width - 2 * sheetMargin,
    height: Math.round(width * heightShare),
    theme,
    logCounts: true,
    mostPixels,
    xLabel: valueLabel(image),
    points: markedEnds(used.mark),
    marks: curveMarks(made, range, onCountAxis(mostPixels), theme),
  }, { x: sheetMargin, y: head.bottom });
  const bottom = head.bottom + drawing.height + sheetMargin / 2;
  const alternative = `${title}: ${words}; ${endsInWords(image, series)}.`;
  return composeSheet(width, bottom, theme, alternative, [...head.elements, drawing.svg]);
}
