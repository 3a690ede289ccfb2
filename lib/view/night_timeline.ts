/** A night in time: what each frame measured, and when what went wrong. */
import * as Plot from "@observablehq/plot";
import { settle } from "../core/options.ts";
import { type Block, composeSheet, heading, legend, type MarkShape, paragraph, sheetMargin } from "./layout.ts";
import { type Theme, themes } from "./palette.ts";
import { plotDrawing } from "./plot.ts";
import type { ReportFrame } from "./report.ts";
import type { Sheet } from "./sheet.ts";
import { textElement, tickText } from "./text.ts";
import { clock, type Spell, spellsOf, type TimeAxis, timeAxis, type TimedFrame } from "./time_axis.ts";
import type { SheetOptions } from "./view_options.ts";

/** Options of {@linkcode nightTimeline}. */
export type NightTimelineOptions = SheetOptions;

/** What {@linkcode nightTimeline} uses for an option left out. */
export const nightTimelineDefaults: NightTimelineOptions = Object.freeze({
  title: "The night",
  width: 1100,
  theme: "light",
});

/** How verdicts are drawn: shape and colour, never colour alone. */
export function verdictStyle(verdict: string, theme: Theme): { readonly shape: MarkShape; readonly colour: string } {
  if (verdict === "keep") return { shape: "circle", colour: theme.teal };
  if (verdict === "down-weight") return { shape: "triangle", colour: theme.amber };
  return { shape: "cross", colour: theme.red };
}

/** A quantity with a frame of its own. */
interface Quantity {
  readonly name: string;
  readonly valueOf: (frame: ReportFrame) => number | null;
  /** Whether the axis begins at 0. */
  readonly fromZero: boolean;
  /** Whether it is drawn as strokes along the stars' long axis. */
  readonly strokes: boolean;
}

/** What is drawn, from top to bottom. */
function quantitiesOf(frames: readonly ReportFrame[]): readonly Quantity[] {
  const inArcsec = frames.some((frame) => frame.fwhmArcsec !== null);
  const plain = { fromZero: false, strokes: false };
  return [
    {
      ...plain,
      name: `FWHM (${inArcsec ? "arcsec" : "pixels"})`,
      valueOf: (frame) => inArcsec ? frame.fwhmArcsec : frame.fwhmPixels,
    },
    {
      ...plain,
      name: "eccentricity, strokes along the stars' long axis",
      valueOf: (frame) => frame.eccentricity,
      strokes: true,
    },
    { ...plain, name: "background (ADU)", valueOf: (frame) => frame.backgroundAdu },
    { ...plain, name: "transparency", valueOf: (frame) => frame.transparency, fromZero: true },
    { ...plain, name: "stars", valueOf: (frame) => frame.stars, fromZero: true },
  ];
}

/** A frame's value in a plot. */
interface TimelinePoint {
  readonly time: number;
  readonly value: number;
  /** Where it is drawn: at most at the top of the frame. */
  readonly shown: number;
  readonly verdict: string;
  /** What is comparable is joined by a line: one rig, filter and exposure. */
  readonly line: string;
  /** Direction of a stroke, degrees from upwards. */
  readonly turn: number;
}

/** Kept frames from which the usual range of a quantity is known. */
const minimumKept = 3;

/**
 * Level above which a frame is drawn at the top, with its number: one frame far out of focus must not flatten the rest.
 * Three times the range of the kept frames (or a tenth of their highest) above their highest.
 */
function highestShown({ fromZero, strokes }: Quantity, kept: readonly number[]): number {
  if (fromZero || strokes || kept.length < minimumKept) return Infinity;
  const most = Math.max(...kept);
  return most + 3 * Math.max(most - Math.min(...kept), 0.1 * Math.abs(most));
}

/** The points of a quantity and the range of its axis. */
interface TimelineSeries {
  readonly points: readonly TimelinePoint[];
  readonly domain: readonly [number, number];
}

function timelineSeries(quantity: Quantity, rows: readonly TimedFrame[]): TimelineSeries {
  const measured = rows.flatMap(({ frame, time }) => {
    const value = quantity.valueOf(frame);
    const line = `${frame.rig} ${frame.filter} ${frame.exposureSeconds}`;
    return value === null || Number.isNaN(value)
      ? []
      : [{ time, value, verdict: frame.verdict, line, turn: 90 + (frame.elongationDegrees ?? 0) }];
  });
  const kept = measured.filter((point) => point.verdict === "keep").map((point) => point.value);
  const limit = highestShown(quantity, kept);
  const values = measured.map((point) => point.value);
  const [low, high] = values.length === 0 ? [0, 1] : [Math.min(...values), Math.min(limit, Math.max(...values))];
  const { fromZero } = quantity;
  const margin = ((fromZero ? high : high - low) || Math.abs(high) || 1) * 0.1; // room for the name above the marks
  return {
    points: measured.map((point) => ({ ...point, shown: Math.min(limit, point.value) })),
    domain: [fromZero ? 0 : low - margin, high + 3.5 * margin],
  };
}

/** A plain stroke: an elongation has no head. */
const strokeShape = {
  draw(context: CanvasPath, length: number): void {
    context.moveTo(0, 0);
    context.lineTo(0, -length);
  },
};

/** Frames from which marks are drawn smaller. */
const manyFrames = 300;

/** Elongations as strokes: as long as the eccentricity is high, along the stars' long axis as the frame is stored. */
const strokeMark = (points: readonly TimelinePoint[], theme: Theme): Plot.Markish =>
  Plot.vector(points, {
    x: "time",
    y: "value",
    length: (point: TimelinePoint) => 6 + 26 * point.value,
    rotate: "turn",
    anchor: "middle",
    shape: strokeShape,
    stroke: (point: TimelinePoint) => verdictStyle(point.verdict, theme).colour,
    strokeWidth: points.length > manyFrames ? 1.2 : 2.2,
  });

const plotSymbols = { circle: "circle", triangle: "triangle", cross: "times", square: "square" } as const;

/** Values as one mark a frame, shape and colour by verdict. */
const verdictMarks = (points: readonly TimelinePoint[], theme: Theme): Plot.Markish[] =>
  ["keep", "down-weight", "other"].map((kind) => {
    const { shape, colour } = verdictStyle(kind, theme);
    const other = kind === "other";
    const own = points.filter(({ verdict }) =>
      other ? verdict !== "keep" && verdict !== "down-weight" : verdict === kind
    );
    return Plot.dot(own, {
      x: "time",
      y: "shown",
      r: points.length > manyFrames ? 2.5 : 4,
      symbol: plotSymbols[shape],
      fill: other ? "none" : colour,
      stroke: colour,
      strokeWidth: other ? 1.8 : 0,
    });
  });

/** What stands behind the values: frame, grid and the spells of trouble. */
const groundMarks = (spells: readonly Spell[], theme: Theme): Plot.Markish[] => [
  Plot.frame({ fill: theme.panel, stroke: theme.line }),
  Plot.gridY({ stroke: theme.line, strokeOpacity: 1, ticks: 4 }),
  Plot.rectX(spells, {
    x1: "from",
    x2: "to",
    fill: (spell: Spell) => verdictStyle(spell.verdict, theme).colour,
    fillOpacity: 0.14,
  }),
];

/** Numbers of the spells above the first frame. */
const spellNumbers = (spells: readonly Spell[], theme: Theme): Plot.Markish =>
  Plot.text(spells, {
    x: "middle",
    frameAnchor: "top",
    dy: -14,
    text: "number",
    fontWeight: "bold",
    fill: theme.ink,
  });

/** Height of each quantity's frame without axis and numbers, drawing units. */
const frameHeight = 118;

/** What all frames of a timeline share. */
interface TimelineStyle {
  readonly width: number;
  readonly theme: Theme;
  readonly axis: TimeAxis;
  readonly spells: readonly Spell[];
}

/** One quantity in its frame; the first carries the numbers of the spells, the last the time axis. */
function quantityBlock(
  quantity: Quantity,
  place: "first" | "between" | "last",
  y: number,
  style: TimelineStyle,
): Block {
  const { theme, axis, spells } = style;
  const { points, domain } = timelineSeries(quantity, axis.rows);
  const first = place === "first";
  const last = place === "last";
  const height = frameHeight + (first ? 16 : 0) + (last ? 26 : 0);
  const marginTop = first ? 22 : 6;
  const marks = [
    ...groundMarks(spells, theme),
    Plot.line(points, { x: "time", y: "shown", z: "line", stroke: theme.line, strokeWidth: 1.2 }),
    ...(quantity.strokes ? [strokeMark(points, theme)] : verdictMarks(points, theme)),
    Plot.text(points.filter((point) => point.value > point.shown), {
      x: "time",
      y: "shown",
      dx: 8,
      textAnchor: "start",
      text: (point: TimelinePoint) => tickText(Number(point.value.toPrecision(3))),
      fill: theme.ink,
    }),
    ...(first ? [spellNumbers(spells, theme)] : []),
  ];
  const drawing = plotDrawing(
    {
      width: style.width - 2 * sheetMargin,
      height,
      marginLeft: 76,
      marginRight: 12,
      marginTop,
      marginBottom: last ? 32 : 6,
      x: {
        type: axis.dated ? "utc" : "linear",
        domain: axis.domain,
        axis: last ? "bottom" : null,
        label: null,
        ...(axis.dated ? { tickFormat: (d: Date) => clock(Number(d)) } : {}),
      },
      y: { domain, label: null, ticks: 4, tickFormat: tickText },
      marks,
    },
    theme,
    { x: sheetMargin, y },
  );
  const name = textElement(quantity.name, sheetMargin + 84, y + marginTop + 17, {
    size: 14,
    fill: theme.ink,
    face: "bold",
  });
  return { elements: [drawing.svg, name], bottom: y + height };
}

/** The spells in words, and how many files could not be read. */
function spellLines(spells: readonly Spell[], { dated, half, unread }: TimeAxis): string[] {
  const name = dated ? clock : String;
  const lines = spells.map((spell) => {
    const begin = name(spell.from + half);
    const end = name(spell.to - half);
    const when = `${dated ? "" : "frame "}${begin === end ? begin : `${begin}–${end}`}`;
    const count = `${spell.frames} frame${spell.frames === 1 ? "" : "s"}`;
    return `${spell.number}  ${spell.cause} (${spell.verdict}), ${count}, ${when}`;
  });
  if (unread > 0) lines.push(`–  ${unread} file${unread === 1 ? "" : "s"} that could not be read`);
  return lines;
}

/** Lines in two columns. */
function twoColumns(lines: readonly string[], y: number, width: number, theme: Theme): Block {
  const columns = 2;
  const room = (width - 2 * sheetMargin) / columns;
  const perColumn = Math.ceil(lines.length / columns);
  const elements: string[] = [];
  let bottom = y;
  for (let column = 0; column < columns; column++) {
    let line = y;
    for (const text of lines.slice(column * perColumn, (column + 1) * perColumn)) {
      const set = paragraph(text, sheetMargin + column * room, line, room - 16, { size: 14, fill: theme.ink });
      elements.push(...set.elements);
      line = set.bottom + 3;
    }
    bottom = Math.max(bottom, line);
  }
  return { elements, bottom };
}

/**
 * A night in time: FWHM, eccentricity, background, transparency and stars of every frame on one time axis, the verdict
 * as shape and colour, spells of trouble shaded and numbered, their causes listed below. Frames without a date are set
 * by their order instead.
 *
 * @param frames rows of the night in order of time
 * @param options heading, size, theme
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { nightTimeline } from "faintlight";
 *
 * assert.match(nightTimeline([]).alternativeText, /0 frames/);
 * ```
 */
export function nightTimeline(frames: readonly ReportFrame[], options: Partial<NightTimelineOptions> = {}): Sheet {
  const { title, width, theme: themeName } = settle("nightTimeline", nightTimelineDefaults, options);
  const theme = themes[themeName];
  const axis = timeAxis(frames);
  const spells = spellsOf(axis);
  const counts = ["keep", "down-weight", "reject", "unreadable"]
    .map((verdict) => ({ verdict, count: frames.filter((frame) => frame.verdict === verdict).length }))
    .filter(({ count }) => count > 0);
  const summary = `${frames.length} frames` +
    (counts.length === 0 ? "" : `: ${counts.map((each) => `${each.count} ${each.verdict}`).join(", ")}`);

  const head = heading(title, `${summary}. ${axis.dated ? "Times are UTC." : "In order of the files."}`, width, theme);
  const verdicts = counts.map(({ verdict, count }) => ({
    ...verdictStyle(verdict, theme),
    words: `${verdict} (${count})`,
  }));
  const elements = [...head.elements, ...legend(verdicts, sheetMargin, head.bottom + 12, theme)];

  let y = head.bottom + 26;
  const quantities = quantitiesOf(frames);
  quantities.forEach((quantity, at) => {
    const place = at === 0 ? "first" : at === quantities.length - 1 ? "last" : "between";
    const block = quantityBlock(quantity, place, y, { width, theme, axis, spells });
    elements.push(...block.elements);
    y = block.bottom;
  });

  const listed = spellLines(spells, axis);
  const list = twoColumns(listed, y + 12, width, theme);
  const words = `${title}: ${[summary, ...listed].join("; ")}.`;
  return composeSheet(width, list.bottom + sheetMargin / 2, theme, words, [...elements, ...list.elements]);
}
