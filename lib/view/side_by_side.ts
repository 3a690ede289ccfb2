/** Several images of one field beside one another: what each of several ways made of it. */
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import {
  type ChannelHistogram,
  channelHistograms,
  endsInWords,
  highestCount,
  histogramDrawing,
  histogramRange,
  valueLabel,
} from "./histogram_drawing.ts";
import { type Block, composeSheet, heading, paragraph, picture, sheetMargin } from "./layout.ts";
import { type Theme, themes } from "./palette.ts";
import {
  anchorStretch,
  describeStretch,
  type DisplayStretch,
  drawPreview,
  fitDisplayStretch,
  fitLinearDisplay,
  makePreview,
  pixelsAddress,
  type Preview,
  steepness,
  wholeRegion,
} from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { capital, fitText, textElement } from "./text.ts";
import { sharedViewOptions, type ViewOptions } from "./view_options.ts";

/** One of the images beside one another. */
export interface SideBySidePanel {
  /** What made it, in a few words. */
  readonly title: string;
  /** The image. */
  readonly image: Image;
  /** A line or two under it: settings, numbers; left out for none. */
  readonly caption?: string;
}

/** Options of {@linkcode sideBySide}. */
export interface SideBySideOptions extends ViewOptions {
  /** Images in a row. */
  readonly columns: number;
  /** Whether the histogram of each stands under it, all on the same axes. */
  readonly histograms: boolean;
}

/** What {@linkcode sideBySide} uses for an option left out. */
export const sideBySideDefaults: SideBySideOptions = Object.freeze({
  ...sharedViewOptions,
  title: "Side by side",
  columns: 3,
  width: 1200,
  histograms: false,
});

/** Bins of the histograms. */
const histogramBins = 128;
/** Greatest height of a picture for its width. */
const maximumHeightShare = 1.5;

/** A panel with everything that is drawn of it. */
interface PreparedPanel extends Required<SideBySidePanel> {
  readonly preview: Preview;
  readonly stretch: DisplayStretch;
  /** `null` when no histograms are wanted. */
  readonly series: readonly ChannelHistogram[] | null;
}

/** Panels as a list. */
const listed = (panels: readonly SideBySidePanel[] | Readonly<Record<string, Image>>): readonly SideBySidePanel[] =>
  isList(panels) ? panels : Object.entries(panels).map(([title, image]) => ({ title, image }));

const isList = (
  panels: readonly SideBySidePanel[] | Readonly<Record<string, Image>>,
): panels is readonly SideBySidePanel[] => Array.isArray(panels);

function checkPanels(panels: readonly SideBySidePanel[], columns: number): void {
  if (panels.length === 0) throw new RangeError("sideBySide: panels must be at least one, but got none");
  if (!(Number.isInteger(columns) && columns >= 1)) {
    throw new RangeError(`sideBySide: columns must be a whole number from 1, but got ${columns}`);
  }
  const units = new Set(panels.map(({ image }) => image.unit));
  if (units.size > 1) {
    throw new RangeError(`sideBySide: images must have one unit, but got ${[...units].join(", ")}; show them apart`);
  }
}

/** The stretch that all share, and each panel's own black for it. */
interface SharedStretch {
  readonly shared: DisplayStretch;
  readonly each: readonly DisplayStretch[];
}

/** The steepest of the stretches they would have alone, so that nothing which any of them shows is hidden. */
function sharedStretch(previews: readonly Preview[], stretch: ViewOptions["stretch"]): SharedStretch {
  const alone = previews.map((each) => stretch === "linear" ? fitLinearDisplay(each) : fitDisplayStretch(each));
  const steep = alone.map(steepness);
  const lead = steep.indexOf(Math.max(...steep));
  return {
    shared: alone[lead],
    each: previews.map((preview, at) =>
      preview.planes.length === previews[lead].planes.length
        ? anchorStretch(alone[lead], previews[lead], preview)
        : alone[at]
    ),
  };
}

/** One panel: title, picture, histogram, caption. */
function panelBlock(panel: PreparedPanel, x: number, y: number, width: number, style: PanelStyle): Block {
  const { theme } = style;
  const { preview } = panel;
  const scale = Math.min(width / preview.width, maximumHeightShare * width / preview.height);
  const place = { x, y: y + 22, width: preview.width * scale, height: preview.height * scale };
  const address = pixelsAddress(drawPreview(preview, panel.stretch), preview.width, preview.height);
  const elements = [
    textElement(fitText(panel.title, 15, width, "bold"), x, y + 15, { size: 15, fill: theme.ink, face: "bold" }),
    picture(address, place, scale > 1.4 ? "crisp" : "smooth"),
  ];
  let bottom = place.y + place.height + 4;
  if (panel.series !== null) {
    const drawing = histogramDrawing(panel.series, {
      width,
      height: 150,
      theme,
      logCounts: true,
      mostPixels: style.mostPixels,
      xLabel: valueLabel(panel.image),
      points: [],
      marks: [],
    }, { x, y: bottom });
    elements.push(drawing.svg);
    bottom += drawing.height;
  }
  if (panel.caption !== "") {
    const set = paragraph(panel.caption, x, bottom, width, { size: 14, fill: theme.muted });
    elements.push(...set.elements);
    bottom = set.bottom;
  }
  return { elements, bottom };
}

/** What all panels share. */
interface PanelStyle {
  readonly theme: Theme;
  /** Highest count of the histograms' common axis. */
  readonly mostPixels: number;
}

/** The sheet in words: titles with captions, and the ends of the histograms. */
function sheetWords(title: string, panels: readonly PreparedPanel[]): string {
  const names = panels.map((panel) => panel.caption === "" ? panel.title : `${panel.title} (${panel.caption})`);
  const ends = panels.flatMap((panel) =>
    panel.series === null ? [] : [` ${capital(panel.title)}: ${endsInWords(panel.image, panel.series)}.`]
  );
  return `${title}: ${names.join("; ")}.${ends.join("")}`;
}

/**
 * Images of one unit beside one another, in rows, each with its name and a line of words. Linear data share one
 * display stretch, the steepest that one of them would have alone, each with its own sky at the same grey, so that
 * what differs on the sheet differs in the data; pictures are shown as they are.
 *
 * In: images of any size; NaN is drawn blue. Cost: a pass over the part shown of each.
 *
 * @param panels the images under their titles: `{ "a title": image, … }`, or a list where captions are wanted
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
 * const sheet = sideBySide({ "darker": grey(0.1), "lighter": grey(0.3) });
 * assert.match(sheet.alternativeText, /darker; lighter/);
 * ```
 */
export function sideBySide(
  panels: readonly SideBySidePanel[] | Readonly<Record<string, Image>>,
  options: Partial<SideBySideOptions> = {},
): Sheet {
  const used = settle("sideBySide", sideBySideDefaults, options);
  const { title, width, channel } = used;
  const given = listed(panels);
  checkPanels(given, used.columns);
  const theme = themes[used.theme];
  const gap = 14;
  const across = Math.min(used.columns, given.length);
  const panelWidth = Math.floor((width - 2 * sheetMargin - gap * (across - 1)) / across);
  const box = { width: panelWidth, height: maximumHeightShare * panelWidth };

  const previews = given.map(({ image }) => makePreview(image, box, used.region ?? wholeRegion(image), channel));
  const { shared, each } = sharedStretch(previews, used.stretch);
  const range = histogramRange(given.map(({ image }) => image), channel);
  const prepared = given.map((panel, at): PreparedPanel => ({
    ...panel,
    caption: panel.caption ?? "",
    preview: previews[at],
    stretch: each[at],
    series: used.histograms ? channelHistograms(panel.image, range, histogramBins, channel) : null,
  }));
  const style = { theme, mostPixels: highestCount(prepared.flatMap(({ series }) => series ?? [])) };

  const caption = shared.kind === "none" ? "" : `${capital(describeStretch(shared, given[0].image.unit))}.`;
  const head = heading(title, caption, width, theme);
  const elements = [...head.elements];
  let y = head.bottom;
  for (let from = 0; from < prepared.length; from += across) {
    const row = prepared.slice(from, from + across).map((panel, column) =>
      panelBlock(panel, sheetMargin + column * (panelWidth + gap), y, panelWidth, style)
    );
    elements.push(...row.flatMap((block) => block.elements));
    y = Math.max(...row.map((block) => block.bottom)) + gap;
  }
  return composeSheet(width, y + sheetMargin / 2, theme, sheetWords(title, prepared), elements);
}
