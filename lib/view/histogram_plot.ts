/** Histogram of an image, channel by channel, with what lies at and beyond the ends. */
import * as Plot from "@observablehq/plot";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Histogram, histogram } from "../stats/histogram.ts";
import { quantile } from "../stats/median.ts";
import { composeSheet, heading, MARGIN } from "./layout.ts";
import { channelColour, channelLabel, type Theme, type ThemeName, themes } from "./palette.ts";
import { type Drawing, plotDrawing } from "./plot.ts";
import { sampleOf, shownPlanes, unitLabel } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { capital, formatShare, tickText } from "./text.ts";

/** Histogram of one plane. */
export interface ChannelHistogram extends Histogram {
  /** Channel. */
  readonly channel: string;
  /** Samples that are not NaN. */
  readonly total: number;
  /**
   * Share of them at or below black (0) and at or above white (1) in a finished picture; else below and above the
   * range drawn.
   */
  readonly lowShare: number;
  /** See `lowShare`. */
  readonly highShare: number;
}

/**
 * Range that shows the sky and the faint end of linear data: from the lowest samples to well above the sky; 0 … 1 for
 * pictures.
 */
export function histogramRange(images: readonly Image[], channel: string | null): readonly [number, number] {
  if (images.every((image) => image.unit === "display")) return [0, 1];
  let low = Infinity;
  let high = -Infinity;
  for (const image of images) {
    for (const plane of shownPlanes(image, channel)) {
      const some = sampleOf(plane.data);
      low = Math.min(low, quantile(some, 0.0002));
      high = Math.max(high, quantile(some, 0.995));
    }
  }
  if (!(high > low)) return Number.isFinite(low) ? [low - 0.5, low + 0.5] : [0, 1];
  const margin = 0.06 * (high - low);
  return [low - margin, high + 4 * margin];
}

/** Histograms of the planes shown, over a range. */
export function channelHistograms(
  image: Image,
  range: readonly [number, number],
  bins: number,
  channel: string | null,
): ChannelHistogram[] {
  return shownPlanes(image, channel).map((plane) => {
    const found = histogram(plane.data, bins, range[0], range[1]);
    const total = plane.data.length - found.missing;
    let low = found.below;
    let high = found.above;
    if (image.unit === "display") {
      low = 0;
      high = 0;
      for (let i = 0; i < plane.data.length; i++) {
        if (plane.data[i] <= 0) low++;
        else if (plane.data[i] >= 1) high++;
      }
    }
    const share = (count: number) => total === 0 ? 0 : count / total;
    return { ...found, channel: plane.channel, total, lowShare: share(low), highShare: share(high) };
  });
}

/** What a histogram is drawn with. */
export interface HistogramStyle {
  /** Width and height in drawing units. */
  readonly width: number;
  /** See `width`. */
  readonly height: number;
  /** Colours. */
  readonly theme: Theme;
  /** Counts on a logarithmic axis. */
  readonly logCounts: boolean;
  /** Highest count of the axis, so that two histograms share it. */
  readonly mostPixels: number;
  /** Label of the x axis; `""` for none. */
  readonly xLabel: string;
  /** Vertical lines with a name: black and white point. */
  readonly points: readonly { readonly value: number; readonly name: string }[];
  /** Further marks on the same axes (a curve), scaled by the caller. */
  readonly marks: readonly Plot.Markish[];
}

/** Left margin of every histogram, so that those above each other line up. */
export const HISTOGRAM_LEFT = 58;

/** Three or four round numbers from 0 up to a count. */
function niceTicks(most: number): number[] {
  const rough = most / 3;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = ([1, 2, 5, 10].find((factor) => factor * power >= rough) as number) * power;
  return Array.from({ length: Math.floor(most / step) + 1 }, (_, at) => at * step);
}

/** Histograms of one image in one frame. */
export function histogramDrawing(
  series: readonly ChannelHistogram[],
  style: HistogramStyle,
  at: { readonly x: number; readonly y: number } = { x: 0, y: 0 },
): Drawing {
  const { theme, logCounts, mostPixels } = style;
  const floor = logCounts ? 0.7 : 0;
  const rows = series.flatMap(({ channel, counts, low, high }) =>
    Array.from(counts, (count, bin) => ({
      channel,
      value: low + (high - low) * (bin + 0.5) / counts.length,
      count: Math.max(floor, count),
    }))
  );
  const [low, high] = [series[0].low, series[0].high];
  const colour = (channel: string) => channelColour(channel, theme);
  const powers = Array.from({ length: 10 }, (_, power) => 10 ** power).filter((count) => count < 2 * mostPixels);
  const yTicks = logCounts ? powers.filter((_, at) => powers.length < 6 || at % 2 === 0) : niceTicks(mostPixels);
  const ends = series.flatMap((each, row) => {
    const label = (share: number) => share > 0 ? formatShare(share) : "";
    return [
      { x: low, anchor: "start", dx: 6, row, text: label(each.lowShare), arrow: "◂ ", channel: each.channel },
      { x: high, anchor: "end", dx: -6, row, text: label(each.highShare), arrow: " ▸", channel: each.channel },
    ].filter((end) => end.text !== "");
  });
  return plotDrawing(
    {
      width: style.width,
      height: style.height,
      marginLeft: HISTOGRAM_LEFT,
      marginRight: 16,
      marginTop: 12,
      marginBottom: style.xLabel === "" ? 24 : 40,
      x: { domain: [low, high], label: null, ticks: 6, tickFormat: tickText },
      y: {
        type: logCounts ? "log" : "linear",
        domain: logCounts ? [floor, mostPixels * 2] : [0, mostPixels * 1.08],
        label: null,
        ticks: yTicks,
        clamp: true,
        tickFormat: (v: number) => v >= 1e6 ? `${v / 1e6} M` : v >= 1e3 ? `${v / 1e3} k` : String(v),
      },
      marks: [
        Plot.frame({ fill: theme.panel, stroke: theme.line }),
        Plot.gridY(yTicks, { stroke: theme.line, strokeOpacity: 1 }),
        ...series.map(({ channel }) =>
          Plot.areaY(rows.filter((row) => row.channel === channel), {
            x: "value",
            y1: floor,
            y2: "count",
            curve: "step",
            fill: colour(channel),
            fillOpacity: series.length > 1 ? 0.16 : 0.25,
          })
        ),
        ...series.map(({ channel }) =>
          Plot.lineY(rows.filter((row) => row.channel === channel), {
            x: "value",
            y: "count",
            curve: "step",
            stroke: colour(channel),
            strokeWidth: 1.6,
          })
        ),
        Plot.ruleX(style.points, { x: "value", stroke: theme.ink, strokeDasharray: "5,4", strokeWidth: 1.4 }),
        // a name stands right of its line, or left of it where the frame ends soon
        ...[false, true].map((late) =>
          Plot.text(style.points.filter(({ value }) => value > low + 0.85 * (high - low) === late), {
            x: "value",
            frameAnchor: "top",
            text: "name",
            dy: 6,
            dx: late ? -5 : 5,
            textAnchor: late ? "end" : "start",
            fill: theme.ink,
            stroke: theme.panel,
            strokeWidth: 3,
          })
        ),
        ...style.marks,
        ...ends.map((end) =>
          Plot.text([end], {
            x: "x",
            frameAnchor: "top",
            dy: 22 + 16 * end.row,
            dx: end.dx,
            text: () => end.anchor === "start" ? `◂ ${end.text}` : `${end.text} ▸`,
            textAnchor: end.anchor as "start" | "end",
            fill: colour(end.channel),
            fontWeight: "bold",
            stroke: theme.panel,
            strokeWidth: 3,
          })
        ),
        ...(style.xLabel === "" ? [] : [
          Plot.text([style.xLabel], {
            frameAnchor: "bottom",
            dy: 34,
            fill: theme.ink,
          }),
        ]),
      ],
    },
    theme,
    at,
  );
}

/** Options of {@linkcode histogramPlot}. */
export interface HistogramPlotOptions {
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Height of one frame, drawing units. */
  readonly height: number;
  /** Number of bins. */
  readonly bins: number;
  /** Which counts are drawn: `log` shows stars and the faint end, `linear` the bulk. */
  readonly counts: "log" | "linear" | "both";
  /** Lowest and highest value drawn, unit of the image; `null` chooses them. */
  readonly range: readonly [number, number] | null;
  /** One channel; `null` draws all that make up the picture. */
  readonly channel: string | null;
  /** Level to mark as black point, unit of the image. */
  readonly black: number | null;
  /** Level to mark as white point, unit of the image. */
  readonly white: number | null;
  /** Heading. */
  readonly title: string;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode histogramPlot} uses for an option left out. */
export const histogramPlotDefaults: HistogramPlotOptions = Object.freeze({
  width: 860,
  height: 240,
  bins: 256,
  counts: "both",
  range: null,
  channel: null,
  black: null,
  white: null,
  title: "Histogram",
  theme: "light",
});

/** Label of the value axis. */
export const valueLabel = (image: Image): string => {
  const unit = unitLabel(image.unit);
  return unit === "" ? "brightness (0 black, 1 white)" : `level (${unit})`;
};

/** What the ends of a histogram hold, in words. */
export function endsInWords(image: Image, series: readonly ChannelHistogram[]): string {
  const finished = image.unit === "display";
  const end = (where: string, shareOf: (each: ChannelHistogram) => number) => {
    const found = series.filter((each) => shareOf(each) > 0);
    if (found.length === 0) return [];
    return [
      `${where}: ${found.map((each) => `${channelLabel(each.channel)} ${formatShare(shareOf(each))}`).join(", ")}`,
    ];
  };
  const words = [
    ...end(finished ? "at black" : "below the range drawn", (each) => each.lowShare),
    ...end(finished ? "at white" : "above the range drawn", (each) => each.highShare),
  ];
  return words.length === 0
    ? (finished ? "nothing is clipped" : "every sample is in the range drawn")
    : words.join("; ");
}

/**
 * Histogram of an image as a sheet: counts on a logarithmic and a linear axis, one line a channel, the share of
 * samples clipped at each end (for linear data: outside the range drawn) beside the arrows, black and white points
 * where given.
 *
 * In: any image. NaN is left out. Cost: one pass over the planes shown, two when the range is to be found.
 *
 * @throws {RangeError} if the range is empty or there are no bins
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
  const used = settle("histogramPlot", histogramPlotDefaults, options);
  const theme = themes[used.theme];
  const range = used.range ?? histogramRange([image], used.channel);
  const series = channelHistograms(image, range, used.bins, used.channel);
  const most = Math.max(1, ...series.flatMap((each) => [...each.counts]));
  const points = [
    { value: used.black, name: "black" },
    { value: used.white, name: "white" },
  ].flatMap(({ value, name }) => value === null ? [] : [{ value, name }]);
  const words = endsInWords(image, series);
  const legend = series.map((each) => channelLabel(each.channel)).join(", ");
  const head = heading(used.title, `Pixels a bin, ${legend}. ${capital(words)}.`, used.width, theme);
  const kinds = used.counts === "both" ? ["log", "linear"] as const : [used.counts];
  const elements = [...head.elements];
  let y = head.bottom;
  kinds.forEach((kind, at) => {
    const last = at === kinds.length - 1;
    const drawing = histogramDrawing(series, {
      width: used.width - 2 * MARGIN,
      height: used.height,
      theme,
      logCounts: kind === "log",
      mostPixels: most,
      xLabel: last ? valueLabel(image) : "",
      points,
      marks: [],
    }, { x: MARGIN, y });
    elements.push(drawing.svg);
    y += drawing.height;
  });
  return composeSheet(used.width, y + MARGIN / 2, theme, `${used.title}. ${capital(words)}.`, elements);
}
