/** Histogram of an image, channel by channel, with what lies at and beyond the ends. */
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
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
import { channelLabel, themes } from "./palette.ts";
import { partOf } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { capital } from "./text.ts";
import { sharedViewOptions, type ViewOptions } from "./view_options.ts";

/** Options of {@linkcode histogramPlot}. */
export interface HistogramPlotOptions extends Omit<ViewOptions, "stretch"> {
  /** Which counts are drawn: `log` shows stars and the faint end, `linear` the bulk. */
  readonly counts: "log" | "linear" | "both";
  /** Lowest and highest value drawn, unit of the image; `"automatic"` chooses them. */
  readonly range: readonly [number, number] | "automatic";
  /** Ends of a tone scale to mark, unit of the image: those of a stretch, or one of them; `null` for none. */
  readonly mark: ToneEnds | null;
}

/** What {@linkcode histogramPlot} uses for an option left out. */
export const histogramPlotDefaults: HistogramPlotOptions = Object.freeze({
  title: "Histogram",
  width: 860,
  channel: sharedViewOptions.channel,
  region: sharedViewOptions.region,
  counts: "both",
  range: "automatic",
  mark: null,
  theme: sharedViewOptions.theme,
});

/** Bins of the histogram. */
const histogramBins = 256;

/** Height of one frame for its sheet's width: 240 at the width of 860. */
const heightShare = 240 / 860;

/**
 * Histogram of an image as a sheet: counts on a logarithmic and a linear axis, one line a channel, the share of
 * samples clipped at each end (for linear data: outside the range drawn) beside the arrows, the ends of a
 * tone scale where given.
 *
 * In: any image. NaN is left out. Cost: one pass over the planes shown, two when the range is to be found.
 *
 * @throws {RangeError} if the range is empty
 * @throws {TypeError} if the channel does not exist
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, histogramPlot } from "faintlight";
 *
 * const sheet = histogramPlot(constantImage(8, 8, 1, { unit: "display" }), { counts: "log" });
 * assert.match(sheet.alternativeText, /At white: luminance 100 %/);
 * ```
 */
export function histogramPlot(image: Image, options: Partial<HistogramPlotOptions> = {}): Sheet {
  requireImage("histogramPlot", image);
  const used = settle("histogramPlot", histogramPlotDefaults, options);
  const { channel, width } = used;
  const theme = themes[used.theme];
  const part = partOf("histogramPlot", image, used.region);
  const range = used.range === "automatic" ? histogramRange([part], channel) : used.range;
  const series = channelHistograms(part, range, histogramBins, channel);
  const words = endsInWords(part, series);
  const names = series.map((each) => channelLabel(each.channel)).join(", ");
  const head = heading(used.title, `Pixels a bin, ${names}. ${capital(words)}.`, width, theme);

  const kinds = used.counts === "both" ? ["log", "linear"] as const : [used.counts];
  const elements = [...head.elements];
  let y = head.bottom;
  kinds.forEach((kind, at) => {
    const last = at === kinds.length - 1;
    const drawing = histogramDrawing(series, {
      width: width - 2 * sheetMargin,
      height: Math.round(width * heightShare),
      theme,
      logCounts: kind === "log",
      mostPixels: highestCount(series),
      xLabel: last ? valueLabel(part) : "",
      points: markedEnds(used.mark),
      marks: [],
    }, { x: sheetMargin, y });
    elements.push(drawing.svg);
    y += drawing.height;
  });
  return composeSheet(width, y + sheetMargin / 2, theme, `${used.title}. ${capital(words)}.`, elements);
}
