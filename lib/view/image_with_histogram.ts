/** An image as it shows itself: the picture, and its histogram below. */
import { type Image, isLinear } from "../core/image.ts";
import {
  channelHistograms,
  endsInWords,
  highestCount,
  histogramDrawing,
  histogramRange,
  valueLabel,
} from "./histogram_drawing.ts";
import { imageViewDefaults, placeImage } from "./image_view.ts";
import { composeSheet, sheetMargin } from "./layout.ts";
import { themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { capital } from "./text.ts";

/** Bins and height of the histogram. */
const histogramBins = 256;
const histogramHeight = 170;

/** The picture of an image with its histogram, counts logarithmic. */
export function imageWithHistogram(image: Image): Sheet {
  const used = { ...imageViewDefaults, title: isLinear(image) ? "" : "Picture" };
  const { width, channel } = used;
  const theme = themes[used.theme];
  const placed = placeImage("show", image, used);
  const series = channelHistograms(image, histogramRange([image], channel), histogramBins, channel);
  const drawing = histogramDrawing(series, {
    width: width - 2 * sheetMargin,
    height: histogramHeight,
    theme,
    logCounts: true,
    mostPixels: highestCount(series),
    xLabel: `${valueLabel(image)}; pixels a bin`,
    points: [],
    marks: [],
  }, { x: sheetMargin, y: placed.bottom });
  const title = used.title === "" ? "Image" : used.title;
  const ends = capital(endsInWords(image, series));
  const words = `${title}: ${placed.words}; ${placed.stretchWords}. ${ends}.`;
  const bottom = placed.bottom + drawing.height + sheetMargin / 2;
  return composeSheet(width, bottom, theme, words, [...placed.elements, drawing.svg]);
}
