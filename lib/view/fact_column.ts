/** Numbers and doubts beside the histograms of a before/after sheet. */
import type { Image } from "../core/image.ts";
import { quantile } from "../stats/median.ts";
import { type Block, box, paragraph } from "./layout.ts";
import { channelLabel, type Theme } from "./palette.ts";
import { sampleOf, shownPlanes, unitLabel } from "./preview.ts";
import type { ReportLedgerLine } from "./report.ts";
import { fitText, formatNumber, textElement } from "./text.ts";

/** Where a column of text stands. */
interface ColumnPlace {
  /** Left edge. */
  readonly x: number;
  /** Upper edge. */
  readonly y: number;
  /** Width. */
  readonly width: number;
}

/** Samples of a plane up to which its median is taken of all of them. */
const maximumMedianSamples = 4_000_000;

/**
 * Median of a plane; of an even sample of it when it is large, which moves the result by less than a hundredth of the
 * spread.
 */
const planeMedian = (data: Float32Array): number =>
  quantile(data.length > maximumMedianSamples ? sampleOf(data) : data, 0.5);

/** Numbers that hold for any two images: the median of each channel shown. */
export function medianFacts(before: Image, after: Image, channel: string): ReportLedgerLine[] {
  const rows: ReportLedgerLine[] = [];
  const one = shownPlanes(before, channel);
  const two = shownPlanes(after, channel);
  one.forEach((plane, at) => {
    // other channels after than before (lines mapped to colours) have no median in common
    if (two[at] === undefined || (one.length > 1 && plane.channel !== two[at].channel)) return;
    const a = planeMedian(plane.data);
    const b = planeMedian(two[at].data);
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

/** Where the four columns begin and how wide their text may be, as shares of the width. */
const factColumns = [
  { name: "", from: 0, room: 0.39 },
  { name: "before", from: 0.40, room: 0.19 },
  { name: "after", from: 0.60, room: 0.19 },
  { name: "change", from: 0.80, room: 0.20 },
] as const;

/** A table of facts: quantity, before, after, change in columns. */
function factTable(facts: readonly ReportLedgerLine[], { x, y, width }: ColumnPlace, theme: Theme): Block {
  if (facts.length === 0) return { elements: [], bottom: y };
  const size = 14;
  let line = y + size;
  const elements = factColumns.filter(({ name }) => name !== "").map(({ name, from }) =>
    textElement(name, x + from * width, line, { size: 13, fill: theme.muted })
  );
  line += 7;
  elements.push(box({ x, y: line, width, height: 1 }, theme.line));
  for (const fact of facts) {
    line += 22;
    [fact.quantity, fact.before, fact.after, fact.change].forEach((text, column) => {
      const { name, from, room } = factColumns[column];
      const face = name === "change" ? "bold" : "text";
      const fitted = fitText(text, size, room * width, face);
      elements.push(textElement(fitted, x + from * width, line, { size, fill: theme.ink, face }));
    });
  }
  return { elements, bottom: line + 8 };
}

/** Doubts as a list under a heading, each with a mark. */
function doubtList(doubts: readonly string[], { x, y, width }: ColumnPlace, theme: Theme): Block {
  const elements = [textElement("Please check", x, y + 14, { size: 15, fill: theme.ink, face: "bold" })];
  let line = y + 22;
  for (const doubt of doubts) {
    elements.push(`<path d="M ${x} ${line + 14} l 5 -9 l 5 9 z" fill="${theme.amber}"/>`);
    const set = paragraph(doubt, x + 18, line, width - 18, { size: 14, fill: theme.ink });
    elements.push(...set.elements);
    line = set.bottom + 4;
  }
  return { elements, bottom: line };
}

/** Facts, and under them what a reader should check. */
export function factColumn(
  facts: readonly ReportLedgerLine[],
  doubts: readonly string[],
  place: ColumnPlace,
  theme: Theme,
): Block {
  const table = factTable(facts, place, theme);
  const below = { ...place, y: table.bottom + 10 };
  if (doubts.length === 0) return { elements: table.elements, bottom: below.y };
  const list = doubtList(doubts, below, theme);
  return { elements: [...table.elements, ...list.elements], bottom: list.bottom };
}
