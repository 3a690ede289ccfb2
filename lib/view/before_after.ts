/**
 * What a step did, on one sheet: before, after and their difference in the same place, histograms on shared axes,
 * numbers.
 */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { quantile } from "../stats/median.ts";
import { channelHistograms, endsInWords, histogramDrawing, histogramRange, valueLabel } from "./histogram_plot.ts";
import { box, composeSheet, heading, MARGIN, paragraph, picture } from "./layout.ts";
import { channelLabel, type Theme, type ThemeName, themes } from "./palette.ts";
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
  sampleOf,
  shownPlanes,
  unitLabel,
  wholeRegion,
} from "./preview.ts";
import type { ReportLedgerLine } from "./report.ts";
import type { Sheet } from "./sheet.ts";
import { capital, fitText, formatNumber, textElement, textWidth } from "./text.ts";

/** Options of {@linkcode beforeAfterSheet}. */
export interface BeforeAfterOptions {
  /** Heading: what the step is. */
  readonly title: string;
  /** Quieter line under it: channel, options used. */
  readonly caption: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** One channel; `null` shows the picture as a whole. */
  readonly channel: string | null;
  /**
   * Part shown enlarged, stored pixels; `null` takes the part that the step changed most; `"none"` leaves the row out.
   */
  readonly detailRegion: Region | null | "none";
  /**
   * How linear data are made visible: `sky` brightens for the screen, `linear` shows them in proportion. A finished
   * picture is shown as it is.
   */
  readonly stretch: "automatic" | "linear";
  /** Numbers to set beside the histograms. */
  readonly facts: readonly ReportLedgerLine[];
  /** What a reader should doubt, in sentences. */
  readonly doubts: readonly string[];
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode beforeAfterSheet} uses for an option left out. */
export const beforeAfterDefaults: BeforeAfterOptions = Object.freeze({
  title: "Before and after",
  caption: "",
  width: 1500,
  channel: null,
  detailRegion: null,
  stretch: "automatic",
  facts: Object.freeze([]),
  doubts: Object.freeze([]),
  theme: "light",
});

/** One colour each for less and more, from the theme, through the panel's colour at no change. */
function differenceColour(theme: Theme): (signed: number) => readonly [number, number, number] {
  const rgb = (hex: string) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const middle = rgb(theme.panel);
  const less = rgb(theme.blue);
  const more = rgb(theme.amber);
  return (signed) => {
    const end = signed < 0 ? less : more;
    const part = Math.min(1, Math.abs(signed));
    return [0, 1, 2].map((c) => Math.round(middle[c] + (end[c] - middle[c]) * part)) as [number, number, number];
  };
}

/** Mean of the planes' differences where both have data; a gray picture is set against each plane of a coloured one. */
function differencePlane(before: Preview, after: Preview): Float32Array {
  const out = new Float32Array(before.width * before.height);
  for (let i = 0; i < out.length; i++) {
    let sum = 0;
    for (let p = 0; p < after.planes.length; p++) {
      sum += after.planes[p][i] - before.planes[p % before.planes.length][i];
    }
    out[i] = sum / after.planes.length;
  }
  return out;
}

/** Span of a difference that leaves half a per cent of its pixels saturated. */
function differenceSpan(planes: readonly Float32Array[]): number {
  const sizes = planes.map((plane) => quantile(plane.map(Math.abs), 0.995)).filter((size) => size > 0);
  return sizes.length === 0 ? 0 : Math.max(...sizes);
}

/** The panel-sized square where a step changed the picture most, seen in 24 × 24 cells of the preview's difference. */
function mostChanged(before: Image, difference: Float32Array | null, preview: Preview, size: number): Region {
  const width = Math.min(Math.round(size), before.width);
  const height = Math.min(Math.round(size * 0.625), before.height);
  let best = { x: preview.width / 2, y: preview.height / 2, sum: -1 };
  if (difference !== null) {
    const cell = Math.max(4, Math.round(Math.min(preview.width, preview.height) / 12));
    for (let y = cell; y + cell < preview.height; y += cell) {
      for (let x = cell; x + cell < preview.width; x += cell) {
        let sum = 0;
        for (let v = y - cell; v < y + cell; v++) {
          for (let u = x - cell; u < x + cell; u++) {
            const d = Math.abs(difference[v * preview.width + u]);
            if (d === d) sum += d;
          }
        }
        if (sum > best.sum) best = { x, y, sum };
      }
    }
  }
  const scale = before.width / preview.width;
  const row = preview.topDown ? best.y : preview.height - best.y;
  const place = (centre: number, length: number, whole: number) =>
    Math.round(Math.max(0, Math.min(whole - length, centre * scale - length / 2)));
  return { x: place(best.x, width, before.width), y: place(row, height, before.height), width, height };
}

/** Cloud of (before, after) values: where a curve put each level. Log counts, 8-bit samples of a square. */
function transferPixels(before: Preview, after: Preview, size: number, theme: Theme, range: readonly [number, number]) {
  const counts = new Float64Array(size * size);
  for (let p = 0; p < Math.min(before.planes.length, after.planes.length); p++) {
    for (let i = 0; i < before.planes[p].length; i++) {
      const u = (before.planes[p][i] - range[0]) / (range[1] - range[0]);
      const v = after.planes[p][i];
      if (!(u >= 0 && u <= 1 && v >= 0 && v <= 1)) continue;
      counts[Math.min(size - 1, Math.floor((1 - v) * size)) * size + Math.min(size - 1, Math.floor(u * size))]++;
    }
  }
  const top = Math.log1p(Math.max(1, ...counts));
  const rgb = (hex: string) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const from = rgb(theme.panel);
  const to = rgb(theme.ink);
  const samples = new Uint8Array(size * size * 3);
  counts.forEach((count, i) => {
    const part = count === 0 ? 0 : 0.25 + 0.75 * Math.log1p(count) / top;
    for (let c = 0; c < 3; c++) samples[3 * i + c] = Math.round(from[c] + (to[c] - from[c]) * part);
  });
  return samples;
}

/** Before, after and difference of one part of the image, as three pictures and their captions. */
interface PanelRow {
  readonly address: string;
  readonly caption: string;
  readonly crisp: boolean;
}

/** Text of a table of facts: quantity, before, after, change in columns. */
function factTable(
  facts: readonly ReportLedgerLine[],
  x: number,
  y: number,
  width: number,
  theme: Theme,
): { readonly elements: string[]; readonly bottom: number } {
  const size = 14;
  const step = 22;
  const at = [x, x + 0.40 * width, x + 0.60 * width, x + 0.80 * width];
  const room = [0.39, 0.19, 0.19, 0.20].map((part) => part * width);
  const elements: string[] = [];
  let line = y + size;
  if (facts.length === 0) return { elements, bottom: y };
  ["", "before", "after", "change"].forEach((name, column) => {
    if (name !== "") elements.push(textElement(name, at[column], line, { size: 13, fill: theme.muted }));
  });
  line += 7;
  elements.push(box(x, line, width, 1, theme.line));
  for (const fact of facts) {
    line += step;
    [fact.quantity, fact.before, fact.after, fact.change].forEach((text, column) => {
      const face = column === 3 ? "bold" : "text";
      elements.push(
        textElement(fitText(text, size, room[column], face), at[column], line, { size, fill: theme.ink, face }),
      );
    });
  }
  return { elements, bottom: line + 8 };
}

/**
 * Median of a plane; of an even sample of it when it is large, which moves the result by less than a hundredth of the
 * spread.
 */
const middleOf = (data: Float32Array): number => quantile(data.length > 4_000_000 ? sampleOf(data) : data, 0.5);

/** Numbers that hold for any two images: median level and spread of each channel shown. */
function plainFacts(before: Image, after: Image, channel: string | null): ReportLedgerLine[] {
  const rows: ReportLedgerLine[] = [];
  const one = shownPlanes(before, channel);
  const two = shownPlanes(after, channel);
  one.forEach((plane, at) => {
    // other channels after than before (lines mapped to colours) have no median in common
    if (two[at] === undefined || (one.length > 1 && plane.channel !== two[at].channel)) return;
    const a = middleOf(plane.data);
    const b = middleOf(two[at].data);
    const name = `median${one.length > 1 ? ` ${channelLabel(plane.channel)}` : ""}`;
    const unit = unitLabel(before.unit);
    const same = before.unit === after.unit;
    const change = same ? formatNumber(b - a, 3) : "";
    rows.push({
      quantity: same && unit !== "" ? `${name} (${unit})` : name,
      before: formatNumber(a, 4),
      after: formatNumber(b, 4),
      change: change === "" || change.startsWith("−") || change === "0" ? change : `+${change}`,
    });
  });
  return rows;
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
  const { channel, width, facts, doubts } = used;
  const theme = themes[used.theme];
  const gap = 14;
  const panelWidth = Math.floor((width - 2 * MARGIN - 2 * gap) / 3);
  const sameSize = before.width === after.width && before.height === after.height;
  const sameUnit = before.unit === after.unit;
  const stretched = before.unit !== "display" && after.unit === "display";

  const stretchFor = (preview: Preview): DisplayStretch =>
    used.stretch === "linear" || stretched ? fitLinearDisplay(preview) : fitDisplayStretch(preview);
  const wholeBox = { width: panelWidth, height: 620 };
  const wholeBefore = makePreview(before, wholeBox, wholeRegion(before), channel);
  const wholeAfter = makePreview(after, wholeBox, wholeRegion(after), channel);
  const [stretchBefore, stretchAfter] = sameUnit
    ? commonStretch(wholeBefore, wholeAfter, used.stretch)
    : [stretchFor(wholeBefore), stretchFor(wholeAfter)];
  const comparable = sameSize && sameUnit &&
    (wholeBefore.planes.length === wholeAfter.planes.length || wholeBefore.planes.length === 1);
  const wholeDifference = comparable ? differencePlane(wholeBefore, wholeAfter) : null;
  const detail = used.detailRegion === "none" || !sameSize
    ? null
    : used.detailRegion ?? mostChanged(before, wholeDifference, wholeBefore, panelWidth / 2);
  const detailBefore = detail === null ? null : makePreview(before, wholeBox, detail, channel);
  const detailAfter = detail === null ? null : makePreview(after, wholeBox, detail, channel);
  const detailDifference = detailBefore !== null && detailAfter !== null && comparable
    ? differencePlane(detailBefore, detailAfter)
    : null;
  const span = differenceSpan([wholeDifference, detailDifference].flatMap((each) => each === null ? [] : [each]));

  const draw = (preview: Preview, stretch: DisplayStretch) =>
    pixelsAddress(drawPreview(preview, stretch), preview.width, preview.height);
  const drawDifference = (difference: Float32Array, preview: Preview) => {
    const samples = new Uint8Array(difference.length * 3);
    const colour = differenceColour(theme);
    difference.forEach((d, i) => samples.set(d !== d ? [46, 58, 92] : colour(span > 0 ? d / span : 0), 3 * i));
    return pixelsAddress(samples, preview.width, preview.height);
  };

  const size = `${before.width} × ${before.height}${sameSize ? "" : ` → ${after.width} × ${after.height}`} pixels`;
  const hidden = before.planes.length > wholeBefore.planes.length && channel === null;
  const names = wholeBefore.channels.map(channelLabel);
  const shown = hidden
    ? `of ${before.planes.length} channels ${names[0]} is shown`
    : names.length === 2
    ? `${names[0]} drawn red, ${names[1]} cyan`
    : "";
  const subtitle = [used.caption, shown, size].filter((each) => each !== "")
    .join(
      " · ",
    );
  const head = heading(used.title, subtitle, width, theme);
  const elements = [...head.elements];
  let y = head.bottom;
  const panelX = (column: number) => MARGIN + column * (panelWidth + gap);
  const panelRow = (
    shownBefore: Preview,
    shownAfter: Preview,
    difference: Float32Array | null,
    names: readonly [string, string, string],
    crisp: boolean,
  ) => {
    const height = Math.round(panelWidth * shownBefore.height / shownBefore.width);
    const shown = Math.min(height, 620);
    const shownWidth = Math.round(panelWidth * shown / height);
    const heightAfter = Math.round(shownWidth * shownAfter.height / shownAfter.width);
    names.forEach((name, column) => {
      if (name !== "") {
        elements.push(textElement(name, panelX(column), y + 15, { size: 15, fill: theme.ink, face: "bold" }));
      }
    });
    y += 22;
    elements.push(picture(draw(shownBefore, stretchBefore), panelX(0), y, shownWidth, shown, crisp));
    elements.push(picture(draw(shownAfter, stretchAfter), panelX(1), y, shownWidth, Math.min(heightAfter, 620), crisp));
    if (difference !== null) {
      elements.push(picture(drawDifference(difference, shownBefore), panelX(2), y, shownWidth, shown, crisp));
    }
    const bottom = y + Math.max(shown, Math.min(heightAfter, 620));
    return { top: y, bottom, shownWidth, shown };
  };

  const third = comparable ? "difference: after − before" : stretched && sameSize ? "where each level went" : "";
  const first = panelRow(wholeBefore, wholeAfter, wholeDifference, ["before", "after", third], false);
  if (third !== "" && wholeDifference === null) {
    const range = [0, 0.9].map((part) =>
      part === 0
        ? Math.min(...wholeBefore.planes.map((plane) => quantile(plane, 0.0005)))
        : Math.max(...wholeBefore.planes.map((plane) => quantile(plane, 0.995)))
    ) as [number, number];
    const size = 220;
    const left = panelX(2) + 46;
    const side = Math.min(first.shown - 44, panelWidth - 60);
    const samples = transferPixels(wholeBefore, wholeAfter, size, theme, range);
    elements.push(picture(pixelsAddress(samples, size, size), left, first.top + 6, panelWidth - 60, side));
    elements.push(
      `<rect x="${left}" y="${first.top + 6}" width="${
        panelWidth - 60
      }" height="${side}" fill="none" stroke="${theme.line}"/>`,
    );
    const small = { size: 13, fill: theme.ink };
    const under = first.top + side + 22;
    const ends = range.map((end) => formatNumber(end, 3));
    const words = `${unitLabel(before.unit)} before → brightness after`;
    // on a narrow sheet the words go below the numbers
    const room = panelWidth - 60 - textWidth(ends.join(""), 13) - 16;
    const below = textWidth(words, 13) > room ? 17 : 0;
    [0, 0.5, 1].forEach((v) =>
      elements.push(
        textElement(formatNumber(v, 2), left - 8, first.top + 10 + (1 - v) * side, { ...small, anchor: "end" }),
      )
    );
    [0, 1].forEach((end) =>
      elements.push(
        textElement(ends[end], left + end * (panelWidth - 60), under, {
          ...small,
          anchor: end === 0 ? "start" : "end",
        }),
      )
    );
    elements.push(textElement(words, left + (panelWidth - 60) / 2, under + below, { ...small, anchor: "middle" }));
  }
  y = first.bottom + 8;
  // captions: what stretch was used, and the scale of the difference
  const captionOf = (stretch: DisplayStretch, image: Image) => capital(describeStretch(stretch, image.unit));
  const captions = [captionOf(stretchBefore, before), captionOf(stretchAfter, after)];
  const bottoms = captions.map((text, column) => {
    const set = paragraph(text, panelX(column), y, panelWidth, { size: 13, fill: theme.muted });
    elements.push(...set.elements);
    return set.bottom;
  });
  if (wholeDifference !== null) {
    const barX = panelX(2);
    const barY = y + 4;
    const unit = unitLabel(before.unit);
    if (span > 0) {
      const ramp = new Uint8Array(65 * 3);
      const colour = differenceColour(theme);
      for (let i = 0; i < 65; i++) ramp.set(colour((i - 32) / 32), 3 * i);
      elements.push(picture(pixelsAddress(ramp, 65, 1), barX, barY, panelWidth, 12));
      elements.push(box(barX, barY, panelWidth, 12, "none", `stroke="${theme.line}"`));
      const tick = { size: 13, fill: theme.muted };
      elements.push(textElement(`${formatNumber(-span, 3)} ${unit}`, barX, barY + 28, tick));
      elements.push(textElement("0", barX + panelWidth / 2, barY + 28, { ...tick, anchor: "middle" }));
      elements.push(
        textElement(`+${formatNumber(span, 3)} ${unit}`, barX + panelWidth, barY + 28, { ...tick, anchor: "end" }),
      );
    } else elements.push(textElement("no pixel changed", barX, barY + 14, { size: 13, fill: theme.muted }));
    bottoms.push(barY + 36);
  }
  y = Math.max(...bottoms) + 6;

  const detailTop = y;
  if (detail !== null && detailBefore !== null && detailAfter !== null) {
    const times = panelWidth / detailBefore.width;
    const name =
      `part at x ${detail.x} … ${detail.x + detail.width - 1}, y ${detail.y} … ${detail.y + detail.height - 1}` +
      `, ${formatNumber(times, 2)} × enlarged`;
    const row = panelRow(detailBefore, detailAfter, detailDifference, [name, "", ""], times > 1.4);
    y = row.bottom + 14;
  }

  // histograms to the left, numbers to the right
  const histogramWidth = panelWidth * 2 + gap;
  const rightX = panelX(2);
  const bottomTop = y;
  let seriesWords = "";
  if (sameUnit) {
    const range = histogramRange([before, after], channel);
    const pair = [before, after].map((image) => channelHistograms(image, range, 256, channel));
    const most = Math.max(1, ...pair.flat().flatMap((each) => [...each.counts]));
    seriesWords = `Before, ${endsInWords(before, pair[0])}. After, ${endsInWords(after, pair[1])}.`;
    y = drawPair(elements, [[before, pair[0]], [after, pair[1]]], most, y, histogramWidth, theme, false);
  } else {
    const pair = [before, after].map((image) =>
      channelHistograms(image, histogramRange([image], channel), 256, channel)
    );
    const most = Math.max(1, ...pair.flat().flatMap((each) => [...each.counts]));
    seriesWords = `After, ${endsInWords(after, pair[1])}.`;
    y = drawPair(elements, [[before, pair[0]], [after, pair[1]]], most, y, histogramWidth, theme, true);
  }
  const tableTop = detail !== null && detailDifference === null ? detailTop + 12 : bottomTop + 4;
  const table = factTable([...facts, ...plainFacts(before, after, channel)], rightX, tableTop, panelWidth, theme);
  elements.push(...table.elements);
  let rightY = table.bottom + 10;
  if (doubts.length > 0) {
    elements.push(textElement("Please check", rightX, rightY + 14, { size: 15, fill: theme.ink, face: "bold" }));
    rightY += 22;
    for (const doubt of doubts) {
      elements.push(`<path d="M ${rightX} ${rightY + 14} l 5 -9 l 5 9 z" fill="${theme.amber}"/>`);
      const set = paragraph(doubt, rightX + 18, rightY, panelWidth - 18, { size: 14, fill: theme.ink });
      elements.push(...set.elements);
      rightY = set.bottom + 4;
    }
  }
  const changes = facts.map((fact) => `${fact.quantity} ${fact.before} to ${fact.after}`).join(", ");
  const alternative = [`${used.title}: before and after, with histograms`, changes, seriesWords, ...doubts]
    .filter((each) => each !== "").map((each) => `${capital(each.replace(/\.$/, ""))}.`).join(" ");
  return composeSheet(width, Math.max(y, rightY) + MARGIN / 2, theme, alternative, elements);
}

/** Two histograms above each other on shared count axes; value axes are shared as well unless the units differ. */
function drawPair(
  elements: string[],
  pair: readonly (readonly [Image, ReturnType<typeof channelHistograms>])[],
  most: number,
  top: number,
  width: number,
  theme: Theme,
  ownAxes: boolean,
): number {
  let y = top;
  pair.forEach(([image, series], at) => {
    const xLabel = ownAxes || at === 1 ? valueLabel(image) : "";
    const drawing = histogramDrawing(series, {
      width,
      height: xLabel === "" ? 190 : 206,
      theme,
      logCounts: true,
      mostPixels: most,
      xLabel,
      points: [],
      marks: [],
    }, { x: MARGIN, y });
    elements.push(drawing.svg);
    const style = { size: 14, fill: theme.ink, face: "bold" as const };
    const label = at === 0 ? "before, pixels a bin" : "after, pixels a bin";
    elements.push(textElement(label, MARGIN + width / 2, y + 30, { ...style, anchor: "middle" }));
    y += drawing.height;
  });
  return y;
}
