/** Several images of one field beside one another: what each of several ways made of it. */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { channelHistograms, endsInWords, histogramDrawing, histogramRange, valueLabel } from "./histogram_plot.ts";
import { composeSheet, heading, MARGIN, paragraph, picture } from "./layout.ts";
import { type ThemeName, themes } from "./palette.ts";
import {
  anchorStretch,
  describeStretch,
  drawPreview,
  fitDisplayStretch,
  fitLinearDisplay,
  makePreview,
  pixelsAddress,
  wholeRegion,
} from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { capital, fitText, textElement } from "./text.ts";

/** One of the images beside one another. */
export interface SideBySidePanel {
  /** What made it, in a few words. */
  readonly title: string;
  /** The image. */
  readonly image: Image;
  /** A line or two under it: settings, numbers; left out for none. */
  readonly words?: string;
}

/** Options of {@linkcode sideBySide}. */
export interface SideBySideOptions {
  /** Heading. */
  readonly title: string;
  /** Images in a row. */
  readonly columns: number;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Part to show, stored pixels; `null` for the whole. */
  readonly region: Region | null;
  /** One channel; `null` shows three planes in colour and else the first. */
  readonly channel: string | null;
  /** How linear data are made visible: `sky` brightens for the screen, `linear` shows them in proportion. */
  readonly stretch: "automatic" | "linear";
  /** Whether the histogram of each stands under it, all on the same axes. */
  readonly histograms: boolean;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode sideBySide} uses for an option left out. */
export const sideBySideDefaults: SideBySideOptions = Object.freeze({
  title: "Side by side",
  columns: 3,
  width: 1200,
  region: null,
  channel: null,
  stretch: "automatic",
  histograms: false,
  theme: "light",
});

/**
 * Images of one unit beside one another, in rows, each with its name and a line of words. Linear data share one
 * display stretch, the clipLimit that one of them would have alone, each with its own sky at the same gray, so that
 * what differs on the sheet differs in the data; pictures are shown as they are.
 *
 * In: images of any size; NaN is drawn blue. Cost: a pass over the part shown of each.
 *
 * @param panels the images with their names
 * @param options heading, columns, part to show
 * @throws {RangeError} if there is no image, they differ in unit, or columns is not a whole number above 0
 * @throws {TypeError} if the channel asked for is missing in one
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, sideBySide } from "faintlight";
 *
 * const grey = (level: number) => constantImage(40, 30, level, { unit: "display" });
 * const sheet = sideBySide([{ title: "darker", image: grey(0.1) }, { title: "lighter", image: grey(0.3) }]);
 * assert.match(sheet.alternativeText, /darker; lighter/);
 * ```
 */
export function sideBySide(panels: readonly SideBySidePanel[], options: Partial<SideBySideOptions> = {}): Sheet {
  const used = settle("sideBySide", sideBySideDefaults, options);
  const { columns, width, channel, stretch } = used;
  if (panels.length === 0) throw new RangeError("sideBySide: panels must be at least one, but got none");
  if (!(Number.isInteger(columns) && columns >= 1)) {
    throw new RangeError(`sideBySide: columns must be a whole number from 1, but got ${columns}`);
  }
  const units = new Set(panels.map(({ image }) => image.unit));
  if (units.size > 1) {
    throw new RangeError(`sideBySide: images must have one unit, but got ${[...units].join(", ")}; show them apart`);
  }
  const theme = themes[used.theme];
  const gap = 14;
  const across = Math.min(columns, panels.length);
  const panelWidth = Math.floor((width - 2 * MARGIN - gap * (across - 1)) / across);
  const previews = panels.map(({ image }) =>
    makePreview(image, { width: panelWidth, height: 1.5 * panelWidth }, used.region ?? wholeRegion(image), channel)
  );
  // the clipLimit of those they would have alone, so that nothing which any of them shows is hidden
  const alone = previews.map((each) => stretch === "linear" ? fitLinearDisplay(each) : fitDisplayStretch(each));
  const steepness = alone.map((each) => each.kind === "sky" ? each.beta / each.span : 0);
  const lead = steepness.indexOf(Math.max(...steepness));
  const own = alone[lead];
  const range = histogramRange(panels.map(({ image }) => image), channel);
  const series = used.histograms ? panels.map(({ image }) => channelHistograms(image, range, 128, channel)) : [];
  const most = Math.max(1, ...series.flat().flatMap((each) => [...each.counts]));
  const stretchWords = own.kind === "none" ? "" : `${capital(describeStretch(own, panels[0].image.unit))}.`;
  const head = heading(used.title, stretchWords, width, theme);
  const elements = [...head.elements];
  let y = head.bottom;
  for (let from = 0; from < panels.length; from += across) {
    let bottom = y;
    panels.slice(from, from + across).forEach(({ title, image, words = "" }, column) => {
      const at = from + column;
      const preview = previews[at];
      const x = MARGIN + column * (panelWidth + gap);
      const stretch = preview.planes.length === previews[lead].planes.length
        ? anchorStretch(own, previews[lead], preview)
        : alone[at];
      const scale = Math.min(panelWidth / preview.width, 1.5 * panelWidth / preview.height);
      const shownWidth = preview.width * scale;
      const shownHeight = preview.height * scale;
      elements.push(
        textElement(fitText(title, 15, panelWidth, "bold"), x, y + 15, { size: 15, fill: theme.ink, face: "bold" }),
        picture(
          pixelsAddress(drawPreview(preview, stretch), preview.width, preview.height),
          x,
          y + 22,
          shownWidth,
          shownHeight,
          scale > 1.4,
        ),
      );
      let under = y + 22 + shownHeight + 4;
      if (used.histograms) {
        const drawing = histogramDrawing(series[at], {
          width: panelWidth,
          height: 150,
          theme,
          logCounts: true,
          mostPixels: most,
          xLabel: valueLabel(image),
          points: [],
          marks: [],
        }, { x, y: under });
        elements.push(drawing.svg);
        under += drawing.height;
      }
      if (words !== "") {
        const set = paragraph(words, x, under, panelWidth, { size: 14, fill: theme.muted });
        elements.push(...set.elements);
        under = set.bottom;
      }
      bottom = Math.max(bottom, under);
    });
    y = bottom + gap;
  }
  const names = panels.map(({ title, words = "" }) => words === "" ? title : `${title} (${words})`).join("; ");
  const ends = series.length === 0
    ? ""
    : ` ${panels.map(({ title, image }, at) => `${capital(title)}: ${endsInWords(image, series[at])}.`).join(" ")}`;
  return composeSheet(width, y + MARGIN / 2, theme, `${used.title}: ${names}.${ends}`, elements);
}
