/**
 * What a step did, on one sheet: before, after and their difference in the same place, histograms on shared axes,
 * numbers.
 */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import {
  differenceAddress,
  differencePlane,
  differenceScale,
  differenceSpan,
  mostChangedRegion,
} from "./difference_picture.ts";
import { factColumn, medianFacts } from "./fact_column.ts";
import {
  type ChannelHistogram,
  channelHistograms,
  endsInWords,
  highestCount,
  histogramDrawing,
  histogramRange,
  valueLabel,
} from "./histogram_drawing.ts";
import { type Block, type Box, composeSheet, heading, paragraph, picture, sheetMargin } from "./layout.ts";
import { channelLabel, type Theme, themes } from "./palette.ts";
import {
  commonStretch,
  describeStretch,
  type DisplayStretch,
  drawPreview,
  fitDisplayStretch,
  fitLinearDisplay,
  makePreview,
  pixelsAddress,
  type Preview,
  unitLabel,
  wholeRegion,
} from "./preview.ts";
import type { ReportLedgerLine } from "./report.ts";
import type { Sheet } from "./sheet.ts";
import { capital, textElement } from "./text.ts";
import { transferPanel } from "./transfer_panel.ts";
import { sharedViewOptions, type ViewOptions } from "./view_options.ts";

/** What was measured of a step, in words. */
export interface SheetFindings {
  /** Numbers. */
  readonly facts: readonly ReportLedgerLine[];
  /** What a reader should doubt, in sentences. */
  readonly doubts: readonly string[];
}

/** Options of {@linkcode beforeAfterSheet}. */
export interface BeforeAfterOptions extends Omit<ViewOptions, "region"> {
  /** Quieter line under the heading: channel, options used. */
  readonly caption: string;
  /**
   * Part shown enlarged, stored pixels; `"automatic"` takes the part that the step changed most; `"none"` leaves the
   * row out.
   */
  readonly detailRegion: Region | "automatic" | "none";
  /** What was measured; set beside the histograms. */
  readonly findings: SheetFindings;
}

/** What {@linkcode beforeAfterSheet} uses for an option left out. */
export const beforeAfterDefaults: BeforeAfterOptions = Object.freeze({
  title: "Before and after",
  caption: "",
  width: 1500,
  channel: sharedViewOptions.channel,
  detailRegion: "automatic",
  stretch: sharedViewOptions.stretch,
  findings: Object.freeze({ facts: Object.freeze([]), doubts: Object.freeze([]) }),
  theme: sharedViewOptions.theme,
});

/** Distance between the three columns. */
const columnGap = 14;
/** Greatest height of a panel, drawing units. */
const maximumPanelHeight = 620;
/** Bins of the histograms. */
const histogramBins = 256;

/** The three columns of the sheet. */
interface Columns {
  readonly theme: Theme;
  readonly width: number;
  readonly left: readonly [number, number, number];
}

function columnsOf(sheetWidth: number, theme: Theme): Columns {
  const width = Math.floor((sheetWidth - 2 * sheetMargin - 2 * columnGap) / 3);
  return { theme, width, left: [sheetMargin, sheetMargin + width + columnGap, sheetMargin + 2 * (width + columnGap)] };
}

/** One part of the field before and after, at the size of a panel. */
interface PreviewPair {
  readonly before: Preview;
  readonly after: Preview;
  /** After minus before; `null` where the two cannot be subtracted. */
  readonly difference: Float32Array | null;
}

/** All that is drawn, worked out before anything is placed. */
interface ComparedImages {
  readonly before: Image;
  readonly after: Image;
  readonly sameSize: boolean;
  readonly sameUnit: boolean;
  /** Whether the step turned linear data into a picture. */
  readonly stretched: boolean;
  /** The whole field. */
  readonly whole: PreviewPair;
  /** The part shown enlarged; `null` for none. */
  readonly detail: PreviewPair | null;
  /** How either is made visible. */
  readonly stretches: readonly [DisplayStretch, DisplayStretch];
  /** Difference drawn in full colour, on the whole and on the part alike. */
  readonly span: number;
}

function comparedImages(
  before: Image,
  after: Image,
  used: BeforeAfterOptions,
  panelWidth: number,
): ComparedImages {
  const { channel } = used;
  const sameSize = before.width === after.width && before.height === after.height;
  const sameUnit = before.unit === after.unit;
  const stretched = before.unit !== "display" && after.unit === "display";
  const panel = { width: panelWidth, height: maximumPanelHeight };

  const wholeBefore = makePreview(before, panel, wholeRegion(before), channel);
  const wholeAfter = makePreview(after, panel, wholeRegion(after), channel);
  const own = (preview: Preview): DisplayStretch =>
    used.stretch === "linear" || stretched ? fitLinearDisplay(preview) : fitDisplayStretch(preview);
  const stretches = sameUnit
    ? commonStretch(wholeBefore, wholeAfter, used.stretch)
    : [own(wholeBefore), own(wholeAfter)] as const;
  const comparable = sameSize && sameUnit &&
    (wholeBefore.planes.length === wholeAfter.planes.length || wholeBefore.planes.length === 1);
  const paired = (one: Preview, two: Preview): PreviewPair => ({
    before: one,
    after: two,
    difference: comparable ? differencePlane(one, two) : null,
  });

  const whole = paired(wholeBefore, wholeAfter);
  const part = used.detailRegion === "none" || !sameSize
    ? null
    : used.detailRegion === "automatic"
    ? mostChangedRegion(before, whole.difference, wholeBefore, panelWidth / 2)
    : used.detailRegion;
  const detail = part === null
    ? null
    : paired(makePreview(before, panel, part, channel), makePreview(after, panel, part, channel));
  const differences = [whole, detail].flatMap((pair) => pair?.difference ?? null).filter((each) => each !== null);
  const span = differenceSpan(differences);
  return { before, after, sameSize, sameUnit, stretched, whole, detail, stretches, span };
}

/** The quieter line under the heading: what the caller says, which channels are drawn how, and the size. */
function captionLine(compared: ComparedImages, { caption, channel }: BeforeAfterOptions): string {
  const { before, after, sameSize, whole } = compared;
  const size = `${before.width} × ${before.height}${sameSize ? "" : ` → ${after.width} × ${after.height}`} pixels`;
  const hidden = before.planes.length > whole.before.planes.length && channel === "automatic";
  const names = whole.before.channels.map(channelLabel);
  const shown = hidden
    ? `of ${before.planes.length} channels ${names[0]} is shown`
    : names.length === 2
    ? `${names[0]} drawn red, ${names[1]} cyan`
    : "";
  return [caption, shown, size].filter((each) => each !== "").join(" · ");
}

/** How often a picture is enlarged to fill its panel: whole times, so that each pixel is drawn as it is. */
const enlargement = (preview: Preview, panelWidth: number): number =>
  Math.max(1, Math.floor(Math.min(panelWidth / preview.width, maximumPanelHeight / preview.height)));

/** A row of panels, with the place of its pictures. */
interface PanelRow extends Block {
  readonly top: number;
  readonly pictureHeight: number;
}

/** Before, after and difference of one part beside one another, each under its name. */
function panelRow(
  pair: PreviewPair,
  compared: ComparedImages,
  names: readonly string[],
  columns: Columns,
  y: number,
): PanelRow {
  const { theme, left } = columns;
  const { before, after, difference } = pair;
  const top = Math.round(y + 22);
  const placeOf = (column: number, preview: Preview): Box => {
    const times = enlargement(preview, columns.width);
    return { x: left[column], y: top, width: times * preview.width, height: times * preview.height };
  };
  const places = [placeOf(0, before), placeOf(1, after), placeOf(2, before)];
  const drawn = (preview: Preview, stretch: DisplayStretch) =>
    pixelsAddress(drawPreview(preview, stretch), preview.width, preview.height);

  const elements = names.flatMap((name, column) =>
    name === "" ? [] : [textElement(name, left[column], y + 15, { size: 15, fill: theme.ink, face: "bold" })]
  );
  elements.push(
    picture(drawn(before, compared.stretches[0]), places[0], "exact"),
    picture(drawn(after, compared.stretches[1]), places[1], "exact"),
  );
  if (difference !== null) {
    const address = differenceAddress(difference, before, compared.span, theme);
    elements.push(picture(address, places[2], "exact"));
  }
  const { height } = places[0];
  return { elements, top, bottom: top + Math.max(height, places[1].height), pictureHeight: height };
}

/** The whole field, with where each level went when the step was a stretch, and a caption under each panel. */
function wholeFieldRow(compared: ComparedImages, columns: Columns, y: number): Block {
  const { before, after, whole, stretches, span } = compared;
  const { theme, width, left } = columns;
  const levels = whole.difference === null && compared.stretched && compared.sameSize;
  const third = whole.difference !== null ? "difference: after − before" : levels ? "where each level went" : "";
  const row = panelRow(whole, compared, ["before", "after", third], columns, y);
  const elements = [...row.elements];
  if (levels) {
    const panel = { x: left[2], y: row.top, width, height: row.pictureHeight };
    elements.push(...transferPanel(whole.before, whole.after, before.unit, panel, theme));
  }

  const under = row.bottom + 8;
  const captions = [before, after].map((image, side) =>
    paragraph(capital(describeStretch(stretches[side], image.unit)), left[side], under, width, {
      size: 13,
      fill: theme.muted,
    })
  );
  if (whole.difference !== null) {
    captions.push(differenceScale(span, unitLabel(before.unit), { x: left[2], y: under + 4, width }, theme));
  }
  elements.push(...captions.flatMap((caption) => caption.elements));
  return { elements, bottom: Math.max(...captions.map((caption) => caption.bottom)) + 6 };
}

/** The part shown enlarged; nothing when there is none. */
function detailRow(compared: ComparedImages, columns: Columns, y: number): Block {
  const { detail } = compared;
  if (detail === null) return { elements: [], bottom: y };
  const { x, y: first, width, height } = detail.before.region;
  const times = enlargement(detail.before, columns.width);
  const name = `part at x ${x} … ${x + width - 1}, y ${first} … ${first + height - 1}` +
    (times === 1 ? "" : `, ${times} × enlarged`);
  const row = panelRow(detail, compared, [name, "", ""], columns, y);
  return { elements: row.elements, bottom: row.bottom + 14 };
}

/** Histograms of an image, with the words for what lies at their ends. */
interface ImageHistograms {
  readonly image: Image;
  readonly series: readonly ChannelHistogram[];
  readonly words: string;
}

/** Histograms of both; on one range when they have one unit. */
function histogramsOf({ before, after, sameUnit }: ComparedImages, channel: string): readonly ImageHistograms[] {
  const shared = sameUnit ? histogramRange([before, after], channel) : null;
  return [before, after].map((image) => {
    const series = channelHistograms(image, shared ?? histogramRange([image], channel), histogramBins, channel);
    return { image, series, words: endsInWords(image, series) };
  });
}

/** Two histograms above each other on shared count axes; value axes are shared as well unless the units differ. */
function histogramPair(pair: readonly ImageHistograms[], ownAxes: boolean, columns: Columns, top: number): Block {
  const { theme } = columns;
  const width = columns.width * 2 + columnGap;
  const mostPixels = highestCount(pair.flatMap(({ series }) => series));
  const elements: string[] = [];
  let y = top;
  pair.forEach(({ image, series }, at) => {
    const xLabel = ownAxes || at === 1 ? valueLabel(image) : "";
    const height = xLabel === "" ? 190 : 206;
    const style = { width, height, theme, logCounts: true, mostPixels, xLabel, points: [], marks: [] };
    const drawing = histogramDrawing(series, style, { x: sheetMargin, y });
    const label = at === 0 ? "before, pixels a bin" : "after, pixels a bin";
    elements.push(
      drawing.svg,
      textElement(label, sheetMargin + width / 2, y + 30, {
        size: 14,
        fill: theme.ink,
        face: "bold",
        anchor: "middle",
      }),
    );
    y += drawing.height;
  });
  return { elements, bottom: y };
}

/** The sheet in words: heading, changes, ends of the histograms, doubts. */
function sheetWords(
  { title, findings: { facts, doubts } }: BeforeAfterOptions,
  [before, after]: readonly ImageHistograms[],
  sameUnit: boolean,
): string {
  const changes = facts.map((fact) => `${fact.quantity} ${fact.before} to ${fact.after}`).join(", ");
  const ends = `${sameUnit ? `Before, ${before.words}. ` : ""}After, ${after.words}.`;
  return [`${title}: before and after, with histograms`, changes, ends, ...doubts]
    .filter((each) => each !== "").map((each) => `${capital(each.replace(/\.$/, ""))}.`).join(" ");
}

/**
 * What a step did: before, after and their difference at the same scale and display stretch; the part it changed most,
 * enlarged; both histograms on shared axes; numbers and doubts. When the step turned linear data into a picture there
 * is no difference to show: the third panel then shows where it put each level.
 *
 * In: two images of one size (else the difference is left out); any unit. NaN is drawn blue and left out of the
 * histograms. Cost: a few passes over the planes shown and about half a second of drawing.
 *
 * @param before the image that went in
 * @param after what came out
 * @param options heading, numbers to print, part to enlarge, theme
 * @throws {TypeError} if the channel asked for is missing in either
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { beforeAfterSheet } from "faintlight/view";
 *
 * const sheet = beforeAfterSheet(constantImage(32, 24, 5), constantImage(32, 24, 3), { title: "Two less" });
 * assert.match(sheet.alternativeText, /^Two less/);
 * ```
 */
export function beforeAfterSheet(before: Image, after: Image, options: Partial<BeforeAfterOptions> = {}): Sheet {
  const used = settle("beforeAfterSheet", beforeAfterDefaults, options);
  const { channel, width, findings: { facts, doubts } } = used;
  const theme = themes[used.theme];
  const columns = columnsOf(width, theme);
  const compared = comparedImages(before, after, used, columns.width);

  const head = heading(used.title, captionLine(compared, used), width, theme);
  const whole = wholeFieldRow(compared, columns, head.bottom);
  const detail = detailRow(compared, columns, whole.bottom);

  // histograms to the left, numbers to the right; these begin higher where the enlarged part has no third panel
  const histograms = histogramsOf(compared, channel);
  const left = histogramPair(histograms, !compared.sameUnit, columns, detail.bottom);
  const thirdIsFree = compared.detail !== null && compared.detail.difference === null;
  const place = {
    x: columns.left[2],
    y: thirdIsFree ? whole.bottom + 12 : detail.bottom + 4,
    width: columns.width,
  };
  const right = factColumn([...facts, ...medianFacts(before, after, channel)], doubts, place, theme);

  const blocks = [head, whole, detail, left, right];
  const bottom = Math.max(left.bottom, right.bottom) + sheetMargin / 2;
  const words = sheetWords(used, histograms, compared.sameUnit);
  return composeSheet(width, bottom, theme, words, blocks.flatMap((block) => block.elements));
}
