/** How star shapes vary over the field: FWHM as colour and size, elongation as a stroke. */
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { median } from "../stats/median.ts";
import { type Box, box, composeSheet, heading, sheetMargin } from "./layout.ts";
import { mixedColour, rgbOf, type Theme, themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, round, textElement } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

/** Options of {@linkcode shapeMap}. */
export interface ShapeMapOptions extends SheetOptions {
  /** Cells along the longer side; fewer are used when the stars are too few for four a cell. */
  readonly cellsAlong: number;
  /** Whether the first stored row is the top. */
  readonly topDown: boolean;
}

/** What {@linkcode shapeMap} uses for an option left out. */
export const shapeMapDefaults: ShapeMapOptions = Object.freeze({
  title: "Star shapes over the field",
  width: 860,
  cellsAlong: 12,
  topDown: true,
  theme: "light",
});

/** Columns and rows. */
interface Size {
  readonly width: number;
  readonly height: number;
}

/** Cells over the field. */
interface CellGrid {
  readonly columns: number;
  readonly rows: number;
}

/** What the stars of one cell measure. */
interface ShapeCell {
  readonly column: number;
  readonly row: number;
  readonly fwhm: number;
  readonly eccentricity: number;
  /** Direction of the long axis, degrees from +x towards +y. */
  readonly degrees: number;
}

/** Stars that a cell should hold on average. */
const starsPerCell = 4;

/** Nearly square cells, at most `cellsAlong` along the longer side, fewer where stars are few. */
function cellGrid(stars: number, { width, height }: Size, cellsAlong: number): CellGrid {
  const longer = Math.max(width, height);
  const wanted = Math.sqrt(Math.max(1, stars) / starsPerCell * longer * longer / (width * height));
  const cells = Math.max(1, Math.min(cellsAlong, Math.floor(wanted)));
  return {
    columns: Math.max(1, Math.round(cells * width / longer)),
    rows: Math.max(1, Math.round(cells * height / longer)),
  };
}

/**
 * Median FWHM and median shape (as a spin-2 vector, so that opposite elongations cancel) of the stars in each cell.
 */
function shapeCells(stars: readonly Star[], { width, height }: Size, { columns, rows }: CellGrid): ShapeCell[] {
  const groups = new Map<number, Star[]>();
  for (const star of stars) {
    if (star.saturated || !(star.fwhmPixels > 0)) continue;
    const column = Math.min(columns - 1, Math.max(0, Math.floor((star.x + 0.5) / width * columns)));
    const row = Math.min(rows - 1, Math.max(0, Math.floor((star.y + 0.5) / height * rows)));
    const key = row * columns + column;
    groups.set(key, [...groups.get(key) ?? [], star]);
  }
  return [...groups].map(([key, group]) => {
    const s = median(group.map((star) => star.shape[0]));
    const t = median(group.map((star) => star.shape[1]));
    const size = Math.min(0.999, Math.hypot(s, t)); // (a² − b²)/(a² + b²), so that e² = 2 size / (1 + size)
    return {
      column: key % columns,
      row: Math.floor(key / columns),
      fwhm: median(group.map((star) => star.fwhmPixels)),
      eccentricity: Math.sqrt(2 * size / (1 + size)),
      degrees: (Math.atan2(t, s) * 90 / Math.PI + 180) % 180,
    };
  });
}

/** The cells together. */
interface ShapeSummary {
  /** Lowest FWHM. */
  readonly lowest: number;
  /** FWHM that the shades span. */
  readonly spread: number;
  readonly words: string;
}

/** Shades span at least this share of the median, so that a flat field looks flat. */
const minimumSpreadShare = 0.2;

function shapeSummary(cells: readonly ShapeCell[]): ShapeSummary {
  if (cells.length === 0) return { lowest: 0, spread: 1, words: "no stars" };
  const fwhms = cells.map((cell) => cell.fwhm);
  const lowest = Math.min(...fwhms);
  const highest = Math.max(...fwhms);
  const typical = median(fwhms);
  const eccentricity = median(cells.map((cell) => cell.eccentricity));
  return {
    lowest,
    spread: Math.max(highest - lowest, minimumSpreadShare * typical) || 1,
    words:
      `FWHM ${formatNumber(lowest, 3)} to ${formatNumber(highest, 3)} px, median ${formatNumber(typical, 3)} px; ` +
      `median eccentricity of the cells ${formatNumber(eccentricity, 2)}`,
  };
}

/** Colour from the panel to the hue as a value goes from 0 to 1. */
function shadeOf(theme: Theme): (part: number) => string {
  const from = rgbOf(theme.panel);
  const to = rgbOf(theme.amber);
  return (part) => {
    const mixed = mixedColour(from, to, Math.max(0, Math.min(1, part)));
    return `#${mixed.map((c) => c.toString(16).padStart(2, "0")).join("")}`;
  };
}

/** Length of a stroke of eccentricity 1, as a share of the shorter side of a cell. */
const strokeShare = 0.66;

/** A cell on the sheet: its shade, a stroke for the elongation and the FWHM in figures. */
function cellElements(cell: ShapeCell, place: Box, shade: string, topDown: boolean, theme: Theme): string[] {
  const { x, y, width, height } = place;
  const length = strokeShare * Math.min(width, height) * cell.eccentricity;
  const angle = (topDown ? 1 : -1) * cell.degrees * Math.PI / 180;
  const dx = length / 2 * Math.cos(angle);
  const dy = length / 2 * Math.sin(angle);
  const cx = x + width / 2;
  const cy = y + height * 0.38;
  const figures = { size: Math.min(14, width / 3.2), fill: theme.ink, anchor: "middle" as const };
  return [
    box(place, shade),
    `<path d="M ${round(cx - dx)} ${round(cy - dy)} L ${round(cx + dx)} ${
      round(cy + dy)
    }" stroke="${theme.ink}" stroke-width="3" stroke-linecap="round"/>`,
    textElement(formatNumber(cell.fwhm, 3), cx, y + height - 5, figures),
  ];
}

/** What a stroke means: one of eccentricity 0.5, with words. */
function strokeKey(x: number, y: number, fullLength: number, theme: Theme): string[] {
  const length = fullLength * 0.5;
  return [
    `<path d="M ${x} ${y - 5} h ${round(length)}" stroke="${theme.ink}" stroke-width="3" stroke-linecap="round"/>`,
    textElement("eccentricity 0.5 (long axis is 1.15 times the short one)", x + length + 10, y, {
      size: 14,
      fill: theme.ink,
    }),
  ];
}

/** Greatest height of the field on the sheet, drawing units. */
const maximumMapHeight = 900;

/**
 * Star shapes over the field: each cell's median FWHM as its shade and in figures, the mean elongation as a stroke
 * along the stars' long axis, its length growing with eccentricity. Tilt shows as one-sided widening, a field rotating
 * as strokes around a centre, drift as parallel strokes.
 *
 * In: stars of one frame with positions in stored pixels. Saturated stars are left out.
 *
 * @param stars stars of the frame
 * @param size columns and rows of the frame
 * @param options heading, cells, orientation, theme
 * @throws {RangeError} if the size is not above 0
 *
 * Source: averaging shapes as spin-2 quantities is usual in weak lensing (Kaiser, Squires & Broadhurst 1995, ApJ 449,
 * 460).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { shapeMap } from "faintlight";
 *
 * assert.match(shapeMap([], { width: 100, height: 80 }).alternativeText, /no stars/);
 * ```
 */
export function shapeMap(
  stars: readonly Star[],
  size: { readonly width: number; readonly height: number },
  options: Partial<ShapeMapOptions> = {},
): Sheet {
  const used = settle("shapeMap", shapeMapDefaults, options);
  const { title, cellsAlong, topDown } = used;
  if (!(size.width > 0 && size.height > 0)) {
    throw new RangeError(`shapeMap: size must be above 0, but got ${size.width} × ${size.height}`);
  }
  if (!(cellsAlong >= 1)) throw new RangeError(`shapeMap: cellsAlong must be ≥ 1, but got ${cellsAlong}`);
  const theme = themes[used.theme];
  const grid = cellGrid(stars.length, size, cellsAlong);
  const cells = shapeCells(stars, size, grid);
  const { lowest, spread, words } = shapeSummary(cells);

  const caption = `Figures: FWHM in pixels. Strokes: mean elongation of a cell's stars. ${words}.`;
  const head = heading(title, caption, used.width, theme);
  const room = used.width - 2 * sheetMargin;
  const scale = Math.min(room / size.width, maximumMapHeight / size.height);
  const width = size.width * scale;
  const height = size.height * scale;
  const field = { x: sheetMargin + (room - width) / 2, y: head.bottom, width, height };
  const cellWidth = width / grid.columns;
  const cellHeight = height / grid.rows;
  const shade = shadeOf(theme);

  const elements = [...head.elements, box(field, theme.panel)];
  for (const cell of cells) {
    const row = topDown ? cell.row : grid.rows - 1 - cell.row;
    const place = {
      x: field.x + cell.column * cellWidth,
      y: field.y + row * cellHeight,
      width: cellWidth,
      height: cellHeight,
    };
    elements.push(...cellElements(cell, place, shade((cell.fwhm - lowest) / spread * 0.6), topDown, theme));
  }
  const keyY = field.y + height + 24;
  elements.push(
    box(field, "none", `stroke="${theme.line}"`),
    ...strokeKey(field.x, keyY, strokeShare * Math.min(cellWidth, cellHeight), theme),
  );
  return composeSheet(used.width, keyY + sheetMargin / 2, theme, `${title}: ${words}.`, elements);
}
