/** Histograms of an image drawn in a frame, for plots and sheets. */
import * as Plot from "@observablehq/plot";
import type { Image } from "../core/image.ts";
import { type Histogram, histogram } from "../stats/histogram.ts";
import { quantile } from "../stats/median.ts";
import { channelColour, channelLabel, type Theme } from "./palette.ts";
import { type Drawing, plotDrawing } from "./plot.ts";
import { sampleOf, shownPlanes, unitLabel } from "./preview.ts";
import { formatShare, tickText } from "./text.ts";

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
export function histogramRange(images: readonly Image[], channel: string): readonly [number, number] {
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
  channel: string,
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

/** A level marked by a vertical line. */
export interface MarkedLevel {
  /** Where, unit of the image. */
  readonly value: number;
  /** What stands beside the line. */
  readonly name: string;
}

/** The ends of a tone scale as marked levels; none for `null`. */
export const markedEnds = (mark: ToneEnds | null): readonly MarkedLevel[] =>
  mark === null ? [] : [
    ...(mark.black === undefined ? [] : [{ value: mark.black, name: "black" }]),
    ...(mark.white === undefined ? [] : [{ value: mark.white, name: "white" }]),
  ];

/** Ends of a tone scale, unit of the image; a stretch has them. */
export interface ToneEnds {
  /** Level drawn black. */
  readonly black?: number;
  /** Level drawn white. */
  readonly white?: number;
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
  /** Vertical lines with a name: black and white. */
  readonly points: readonly MarkedLevel[];
  /** Further marks on the same axes (a curve), scaled by the caller. */
  readonly marks: readonly Plot.Markish[];
}

/** Highest count of several histograms, for the axis that they share; at least 1. */
export const highestCount = (series: readonly ChannelHistogram[]): number =>
  Math.max(1, ...series.flatMap((each) => [...each.counts]));

/** Left margin of every histogram, so that those above each other line up. */
const leftMargin = 58;

/** Three or four round numbers from 0 up to a count. */
function niceTicks(most: number): number[] {
  const rough = most / 3;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = ([1, 2, 5, 10].find((factor) => factor * power >= rough) as number) * power;
  return Array.from({ length: Math.floor(most / step) + 1 }, (_, at) => at * step);
}

/** A row of the plot: one bin of one channel. */
interface BinRow {
  readonly channel: string;
  readonly value: number;
  readonly count: number;
}

/** Bins of all channels; counts are held above the foot of a logarithmic axis. */
const binRows = (series: readonly ChannelHistogram[], floor: number): BinRow[] =>
  series.flatMap(({ channel, counts, low, high }) =>
    Array.from(counts, (count, bin) => ({
      channel,
      value: low + (high - low) * (bin + 0.5) / counts.length,
      count: Math.max(floor, count),
    }))
  );

/** Areas and lines of the channels. */
function channelMarks(series: readonly ChannelHistogram[], floor: number, theme: Theme): Plot.Markish[] {
  const rows = binRows(series, floor);
  const own = (channel: string) => rows.filter((row) => row.channel === channel);
  return [
    ...series.map(({ channel }) =>
      Plot.areaY(own(channel), {
        x: "value",
        y1: floor,
        y2: "count",
        curve: "step",
        fill: channelColour(channel, theme),
        fillOpacity: series.length > 1 ? 0.16 : 0.25,
      })
    ),
    ...series.map(({ channel }) =>
      Plot.lineY(own(channel), {
        x: "value",
        y: "count",
        curve: "step",
        stroke: channelColour(channel, theme),
        strokeWidth: 1.6,
      })
    ),
  ];
}

/** Lines at marked levels with their names. */
function levelMarks(points: readonly MarkedLevel[], low: number, high: number, theme: Theme): Plot.Markish[] {
  return [
    Plot.ruleX(points, { x: "value", stroke: theme.ink, strokeDasharray: "5,4", strokeWidth: 1.4 }),
    // a name stands right of its line, or left of it where the frame ends soon
    ...[false, true].map((late) =>
      Plot.text(points.filter(({ value }) => value > low + 0.85 * (high - low) === late), {
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
  ];
}

/** Shares of the samples at or beyond the ends, each channel in a row of its own. */
function endMarks(series: readonly ChannelHistogram[], theme: Theme): Plot.Markish[] {
  return series.flatMap((each, row) =>
    (["start", "end"] as const).flatMap((textAnchor) => {
      const first = textAnchor === "start";
      const share = first ? each.lowShare : each.highShare;
      if (!(share > 0)) return [];
      return [
        Plot.text([{ x: first ? each.low : each.high }], {
          x: "x",
          frameAnchor: "top",
          dy: 22 + 16 * row,
          dx: first ? 6 : -6,
          text: () => first ? `◂ ${formatShare(share)}` : `${formatShare(share)} ▸`,
          textAnchor,
          fill: channelColour(each.channel, theme),
          fontWeight: "bold",
          stroke: theme.panel,
          strokeWidth: 3,
        }),
      ];
    })
  );
}

/** Foot of a logarithmic count axis: below one pixel, so that a bin of one pixel can be seen. */
const logFloor = 0.7;

/** The count axis and its ticks. */
function countAxis(logCounts: boolean, mostPixels: number): Plot.ScaleOptions & { readonly ticks: number[] } {
  const powers = Array.from({ length: 10 }, (_, power) => 10 ** power).filter((count) => count < 2 * mostPixels);
  return {
    type: logCounts ? "log" : "linear",
    domain: logCounts ? [logFloor, mostPixels * 2] : [0, mostPixels * 1.08],
    label: null,
    ticks: logCounts ? powers.filter((_, at) => powers.length < 6 || at % 2 === 0) : niceTicks(mostPixels),
    clamp: true,
    tickFormat: (v: number) => v >= 1e6 ? `${v / 1e6} M` : v >= 1e3 ? `${v / 1e3} k` : String(v),
  };
}

/** Histograms of one image in one frame. */
export function histogramDrawing(
  series: readonly ChannelHistogram[],
  style: HistogramStyle,
  at: { readonly x: number; readonly y: number } = { x: 0, y: 0 },
): Drawing {
  const { theme, logCounts, mostPixels, xLabel } = style;
  const [{ low, high }] = series;
  const y = countAxis(logCounts, mostPixels);
  return plotDrawing(
    {
      width: style.width,
      height: style.height,
      marginLeft: leftMargin,
      marginRight: 16,
      marginTop: 12,
      marginBottom: xLabel === "" ? 24 : 40,
      x: { domain: [low, high], label: null, ticks: 6, tickFormat: tickText },
      y,
      marks: [
        Plot.frame({ fill: theme.panel, stroke: theme.line }),
        Plot.gridY(y.ticks, { stroke: theme.line, strokeOpacity: 1 }),
        ...channelMarks(series, logCounts ? logFloor : 0, theme),
        ...levelMarks(style.points, low, high, theme),
        ...style.marks,
        ...endMarks(series, theme),
        ...(xLabel === "" ? [] : [Plot.text([xLabel], { frameAnchor: "bottom", dy: 34, fill: theme.ink })]),
      ],
    },
    theme,
    at,
  );
}

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
