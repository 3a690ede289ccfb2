/** How star shapes vary over the field: FWHM as colour and size, elongation as a stroke. */
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { median } from "../stats/median.ts";
import { box, composeSheet, heading, MARGIN } from "./layout.ts";
import { type Theme, type ThemeName, themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, round, textElement } from "./text.ts";

/** Options of {@linkcode shapeMap}. */
export interface ShapeMapOptions {
  /** Heading. */
  readonly title: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Cells along the longer side; fewer are used when the stars are too few for four a cell. */
  readonly cellsAlong: number;
  /** Whether the first stored row is the top. */
  readonly topDown: boolean;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode shapeMap} uses for an option left out. */
export const shapeMapDefaults: ShapeMapOptions = Object.freeze({
  title: "Star shapes over the field",
  width: 860,
  cellsAlong: 12,
  topDown: true,
  theme: "light",
});

interface ShapeCell {
  readonly column: number;
  readonly row: number;
  readonly stars: number;
  readonly fwhm: number;
  readonly eccentricity: number;
  readonly degrees: number;
}

/**
 * Median FWHM and mean shape (averaged as a spin-2 vector, so that opposite elongations cancel) of the stars in each
 * cell.
 */
function shapeCells(stars: readonly Star[], width: number, height: number, columns: number, rows: number): ShapeCell[] {
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
      stars: group.length,
      fwhm: median(group.map((star) => star.fwhmPixels)),
      eccentricity: Math.sqrt(2 * size / (1 + size)),
      degrees: (Math.atan2(t, s) * 90 / Math.PI + 180) % 180,
    };
  });
}

/** Colour from the panel to the hue as a value goes from 0 to 1. */
function ramp(theme: Theme): (part: number) => string {
  const rgb = (hex: string) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const from = rgb(theme.panel);
  const to = rgb(theme.amber);
  return (part) => {
    const p = Math.max(0, Math.min(1, part));
    return `#${from.map((c, i) => Math.round(c + (to[i] - c) * p).toString(16).padStart(2, "0")).join("")}`;
  };
}

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
  if (!(size.width > 0 && size.height > 0)) {
    throw new RangeError(`shapeMap: size must be above 0, but got ${size.width} × ${size.height}`);
  }
  if (!(used.cellsAlong >= 1)) throw new RangeError(`shapeMap: cells must be ≥ 1, but got ${used.cellsAlong}`);
  const theme = themes[used.theme];
  const longer = Math.max(size.width, size.height);
  const wanted = Math.sqrt(Math.max(1, stars.length) / 4 * longer * longer / (size.width * size.height));
  const cells = Math.max(1, Math.min(used.cellsAlong, Math.floor(wanted)));
  const columns = Math.max(1, Math.round(cells * size.width / longer));
  const rows = Math.max(1, Math.round(cells * size.height / longer));
  const found = shapeCells(stars, size.width, size.height, columns, rows);
  const fwhms = found.map((cell) => cell.fwhm);
  const [least, most] = found.length === 0 ? [0, 1] : [Math.min(...fwhms), Math.max(...fwhms)];
  const middle = found.length === 0 ? NaN : median(fwhms);
  const eccentricity = found.length === 0 ? NaN : median(found.map((cell) => cell.eccentricity));
  const words = found.length === 0
    ? "no stars"
    : `FWHM ${formatNumber(least, 3)} to ${formatNumber(most, 3)} px, median ${formatNumber(middle, 3)} px; ` +
      `median eccentricity of the cells ${formatNumber(eccentricity, 2)}`;
  const head = heading(
    used.title,
    `Figures: FWHM in pixels. Strokes: mean elongation of a cell's stars. ${words}.`,
    used.width,
    theme,
  );
  const room = used.width - 2 * MARGIN;
  const scale = Math.min(room / size.width, 900 / size.height);
  const width = size.width * scale;
  const height = size.height * scale;
  const left = MARGIN + (room - width) / 2;
  const top = head.bottom;
  const cellWidth = width / columns;
  const cellHeight = height / rows;
  const colour = ramp(theme);
  // shades span at least a fifth of the median, so that a flat field looks flat
  const spread = Math.max(most - least, 0.2 * middle) || 1;
  const elements = [...head.elements, box(left, top, width, height, theme.panel)];
  for (const cell of found) {
    const row = used.topDown ? cell.row : rows - 1 - cell.row;
    const x = left + cell.column * cellWidth;
    const y = top + row * cellHeight;
    elements.push(box(x, y, cellWidth, cellHeight, colour((cell.fwhm - least) / spread * 0.6)));
    const length = 0.66 * Math.min(cellWidth, cellHeight) * cell.eccentricity;
    const sense = used.topDown ? 1 : -1;
    const angle = sense * cell.degrees * Math.PI / 180;
    const dx = length / 2 * Math.cos(angle);
    const dy = length / 2 * Math.sin(angle);
    const cx = x + cellWidth / 2;
    const cy = y + cellHeight * 0.38;
    elements.push(
      `<path d="M ${round(cx - dx)} ${round(cy - dy)} L ${round(cx + dx)} ${
        round(cy + dy)
      }" stroke="${theme.ink}" stroke-width="3" stroke-linecap="round"/>`,
    );
    const figures = { size: Math.min(14, cellWidth / 3.2), fill: theme.ink, anchor: "middle" as const };
    elements.push(textElement(formatNumber(cell.fwhm, 3), cx, y + cellHeight - 5, figures));
  }
  elements.push(box(left, top, width, height, "none", `stroke="${theme.line}"`));
  const keyY = top + height + 24;
  const key = 0.66 * Math.min(cellWidth, cellHeight);
  elements.push(
    `<path d="M ${left} ${keyY - 5} h ${
      round(key * 0.5)
    }" stroke="${theme.ink}" stroke-width="3" stroke-linecap="round"/>`,
    textElement("eccentricity 0.5 (long axis is 1.15 times the short one)", left + key * 0.5 + 10, keyY, {
      size: 14,
      fill: theme.ink,
    }),
  );
  return composeSheet(used.width, keyY + MARGIN / 2, theme, `${used.title}: ${words}.`, elements);
}
