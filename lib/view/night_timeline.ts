/** A night in time: what each frame measured, and when what went wrong. */
import * as Plot from "@observablehq/plot";
import { settle } from "../core/options.ts";
import { composeSheet, heading, legend, MARGIN, type MarkShape, paragraph } from "./layout.ts";
import { type Theme, type ThemeName, themes } from "./palette.ts";
import { plotDrawing } from "./plot.ts";
import type { ReportFrame } from "./report.ts";
import type { Sheet } from "./sheet.ts";
import { textElement, tickText } from "./text.ts";

/** Options of {@linkcode nightTimeline}. */
export interface NightTimelineOptions {
  /** Heading. */
  readonly title: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Height of each quantity's frame, drawing units. */
  readonly height: number;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode nightTimeline} uses for an option left out. */
export const nightTimelineDefaults: NightTimelineOptions = Object.freeze({
  title: "The night",
  width: 1100,
  height: 118,
  theme: "light",
});

/** How verdicts are drawn: shape and colour, never colour alone. */
export function verdictStyle(verdict: string, theme: Theme): { readonly shape: MarkShape; readonly colour: string } {
  if (verdict === "keep") return { shape: "circle", colour: theme.teal };
  if (verdict === "down-weight") return { shape: "triangle", colour: theme.amber };
  return { shape: "cross", colour: theme.red };
}

/** A plain stroke: an elongation has no head. */
const strokeShape = {
  draw(context: CanvasPath, length: number): void {
    context.moveTo(0, 0);
    context.lineTo(0, -length);
  },
};

/** Neighbouring frames that share a cause other than a clear sky. */
interface Spell {
  readonly cause: string;
  readonly verdict: string;
  readonly from: number;
  to: number;
  frames: number;
}

function spellsOf(rows: readonly { readonly frame: ReportFrame; readonly time: number }[], half: number): Spell[] {
  const spells: Spell[] = [];
  let open: Spell | null = null;
  for (const { frame, time } of rows) {
    const clear = frame.verdict === "keep" && (frame.cause === "" || frame.cause === "clear sky");
    if (clear) open = null;
    else if (open !== null && open.cause === frame.cause && open.verdict === frame.verdict) {
      open.to = time + half;
      open.frames += 1;
    } else {
      open = { cause: frame.cause, verdict: frame.verdict, from: time - half, to: time + half, frames: 1 };
      spells.push(open);
    }
  }
  return spells;
}

const pad = (value: number) => String(value).padStart(2, "0");
const clock = (time: number) => {
  const date = new Date(time);
  return `${pad(date.getUTCHours())}:${pad(date.getUTCMinutes())}`;
};

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
  const used = settle("nightTimeline", nightTimelineDefaults, options);
  const theme = themes[used.theme];
  // what could not be read has no time and nothing to draw: it is listed below
  const readable = frames.filter((frame) => frame.verdict !== "unreadable" || frame.dateUtc !== null);
  const unread = frames.length - readable.length;
  const dated = readable.length > 0 && readable.every((frame) => frame.dateUtc !== null);
  const rows = readable.map((frame, at) => ({ frame, time: dated ? Date.parse(`${frame.dateUtc}Z`) : at + 1 }))
    .sort((a, b) => a.time - b.time);
  const gaps = rows.slice(1).map((row, at) => row.time - rows[at].time).filter((gap) => gap > 0).sort((a, b) => a - b);
  const half = (gaps.length === 0 ? (dated ? 60000 : 1) : gaps[gaps.length >> 1]) / 2;
  const spells = spellsOf(rows, half);
  const first = rows.length === 0 ? 0 : rows[0].time - 2 * half;
  const last = rows.length === 0 ? 1 : rows[rows.length - 1].time + 2 * half;
  const counts = ["keep", "down-weight", "reject", "unreadable"].flatMap((verdict) => {
    const count = frames.filter((frame) => frame.verdict === verdict).length;
    return count === 0 ? [] : [{ verdict, count }];
  });
  const summary = `${frames.length} frames` +
    (counts.length === 0 ? "" : `: ${counts.map((each) => `${each.count} ${each.verdict}`).join(", ")}`);
  const head = heading(
    used.title,
    dated ? `${summary}. Times are UTC.` : `${summary}. In order of the files.`,
    used.width,
    theme,
  );
  const elements = [
    ...head.elements,
    ...legend(
      counts.map(({ verdict, count }) => ({ ...verdictStyle(verdict, theme), words: `${verdict} (${count})` })),
      MARGIN,
      head.bottom + 12,
      theme,
    ),
  ];
  let y = head.bottom + 26;
  const inArcsec = frames.some((frame) => frame.fwhmArcsec !== null);
  const quantities: readonly (readonly [string, (frame: ReportFrame) => number | null, boolean])[] = [
    [`FWHM (${inArcsec ? "arcsec" : "pixels"})`, (frame) => inArcsec ? frame.fwhmArcsec : frame.fwhmPixels, false],
    ["eccentricity", (frame) => frame.eccentricity, false],
    ["background (ADU)", (frame) => frame.backgroundAdu, false],
    ["transparency", (frame) => frame.transparency, true],
    ["stars", (frame) => frame.stars, true],
  ];
  const numbers = spells.map((spell, at) => ({
    ...spell,
    number: String(at + 1),
    middle: (spell.from + spell.to) / 2,
  }));
  quantities.forEach(([name, valueOf, fromZero], panel) => {
    const strokes = name === "eccentricity";
    const points = rows.flatMap(({ frame, time }) => {
      const value = valueOf(frame);
      const line = `${frame.rig} ${frame.filter} ${frame.exposureSeconds}`; // what is comparable is joined
      return value === null || Number.isNaN(value)
        ? []
        : [{ time, value, shown: value, verdict: frame.verdict, line, turn: 90 + (frame.elongationDegrees ?? 0) }];
    });
    const values = points.map((point) => point.value);
    // one frame far out of focus must not flatten the rest: what lies far above the kept frames stands at the top,
    // with its number
    const kept = points.filter((point) => point.verdict === "keep").map((point) => point.value);
    const limit = fromZero || strokes || kept.length < 3
      ? Infinity
      : Math.max(...kept) + 3 * Math.max(Math.max(...kept) - Math.min(...kept), 0.1 * Math.abs(Math.max(...kept)));
    const beyond = points.filter((point) => point.value > limit);
    for (const point of beyond) point.shown = limit;
    const [low, high] = values.length === 0 ? [0, 1] : [Math.min(...values), Math.min(limit, Math.max(...values))];
    const margin = ((fromZero ? high : high - low) || Math.abs(high) || 1) * 0.1; // room for the name above the marks
    const bottom = panel === quantities.length - 1;
    const height = used.height + (panel === 0 ? 16 : 0) + (bottom ? 26 : 0);
    const symbol = (verdict: string) =>
      ({ circle: "circle", triangle: "triangle", cross: "times", square: "square" } as const)[
        verdictStyle(verdict, theme).shape
      ];
    const drawing = plotDrawing(
      {
        width: used.width - 2 * MARGIN,
        height,
        marginLeft: 76,
        marginRight: 12,
        marginTop: panel === 0 ? 22 : 6,
        marginBottom: bottom ? 32 : 6,
        x: {
          type: dated ? "utc" : "linear",
          domain: [first, last],
          axis: bottom ? "bottom" : null,
          label: null,
          ...(dated ? { tickFormat: (d: Date) => clock(Number(d)) } : {}),
        },
        y: { domain: [fromZero ? 0 : low - margin, high + 3.5 * margin], label: null, ticks: 4, tickFormat: tickText },
        marks: [
          Plot.frame({ fill: theme.panel, stroke: theme.line }),
          Plot.gridY({ stroke: theme.line, strokeOpacity: 1, ticks: 4 }),
          Plot.rectX(numbers, {
            x1: "from",
            x2: "to",
            fill: (spell: Spell) => verdictStyle(spell.verdict, theme).colour,
            fillOpacity: 0.14,
          }),
          Plot.line(points, { x: "time", y: "shown", z: "line", stroke: theme.line, strokeWidth: 1.2 }),
          ...(strokes
            ? [Plot.vector(points, {
              x: "time",
              y: "value",
              // as long as the eccentricity is high, along the stars' long axis as the frame is stored
              length: (point: { readonly value: number }) => 6 + 26 * point.value,
              rotate: "turn",
              anchor: "middle",
              shape: strokeShape,
              stroke: (point: { readonly verdict: string }) => verdictStyle(point.verdict, theme).colour,
              strokeWidth: points.length > 300 ? 1.2 : 2.2,
            })]
            : []),
          ...(strokes ? [] : ["keep", "down-weight", "other"]).map((kind) =>
            Plot.dot(
              points.filter((p) =>
                kind === "other" ? p.verdict !== "keep" && p.verdict !== "down-weight" : p.verdict === kind
              ),
              {
                x: "time",
                y: "shown",
                r: points.length > 300 ? 2.5 : 4,
                symbol: symbol(kind),
                fill: kind === "other" ? "none" : verdictStyle(kind, theme).colour,
                stroke: verdictStyle(kind, theme).colour,
                strokeWidth: kind === "other" ? 1.8 : 0,
              },
            )
          ),
          Plot.text(beyond, {
            x: "time",
            y: "shown",
            dx: 8,
            textAnchor: "start",
            text: (point: { readonly value: number }) => tickText(Number(point.value.toPrecision(3))),
            fill: theme.ink,
          }),
          ...(panel === 0
            ? [
              Plot.text(numbers, {
                x: "middle",
                frameAnchor: "top",
                dy: -14,
                text: "number",
                fontWeight: "bold",
                fill: theme.ink,
              }),
            ]
            : []),
        ],
      },
      theme,
      { x: MARGIN, y },
    );
    elements.push(drawing.svg);
    elements.push(
      textElement(
        strokes ? "eccentricity, strokes along the stars' long axis" : name,
        MARGIN + 84,
        y + (panel === 0 ? 22 : 6) + 17,
        { size: 14, fill: theme.ink, face: "bold" },
      ),
    );
    y += height;
  });
  y += 12;
  const listed = numbers.map((spell) => {
    const name = dated ? clock : String;
    const [begin, end] = [name(spell.from + half), name(spell.to - half)];
    const when = `${dated ? "" : "frame "}${begin === end ? begin : `${begin}–${end}`}`;
    return `${spell.number}  ${spell.cause} (${spell.verdict}), ${spell.frames} frame${
      spell.frames === 1 ? "" : "s"
    }, ${when}`;
  });
  if (unread > 0) listed.push(`–  ${unread} file${unread === 1 ? "" : "s"} that could not be read`);
  const columns = 2;
  const room = (used.width - 2 * MARGIN) / columns;
  const perColumn = Math.ceil(listed.length / columns);
  let lowest = y;
  for (let column = 0; column < columns; column++) {
    let line = y;
    for (const text of listed.slice(column * perColumn, (column + 1) * perColumn)) {
      const set = paragraph(text, MARGIN + column * room, line, room - 16, { size: 14, fill: theme.ink });
      elements.push(...set.elements);
      line = set.bottom + 3;
    }
    lowest = Math.max(lowest, line);
  }
  return composeSheet(
    used.width,
    lowest + MARGIN / 2,
    theme,
    `${used.title}: ${[summary, ...listed].join("; ")}.`,
    elements,
  );
}
