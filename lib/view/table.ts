/** A table as a sheet, for what has no better picture. */
import { settle } from "../core/options.ts";
import { box, composeSheet, heading, MARGIN } from "./layout.ts";
import { type ThemeName, themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { fitText, formatNumber, textElement, textWidth, wrapText } from "./text.ts";

/** A cell: text as it is, a number set with four significant digits, `null` as a dash. */
export type Cell = string | number | boolean | null;

/** Options of {@linkcode table}. */
export interface TableSheetOptions {
  /** Heading; `""` for none. */
  readonly title: string;
  /** Columns by key of the rows, in order; `null` takes the keys of the first row. */
  readonly columns: readonly string[] | null;
  /** Most rows to set; the rest is counted in a last line. */
  readonly maximumRows: number;
  /** Widest a column may become, drawing units; longer text runs on in lines below. */
  readonly maximumColumnWidth: number;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode table} uses for an option left out. */
export const tableSheetDefaults: TableSheetOptions = Object.freeze({
  title: "",
  columns: null,
  maximumRows: 60,
  maximumColumnWidth: 320,
  theme: "light",
});

const SIZE = 14;
const ROW = 24;
const LINE = 18;
const PAD = 9;
/** Lines a cell may run over before it is cut. */
const MOST_LINES = 5;

/**
 * Rows of plain values as a table: numbers to the right, text to the left, columns as wide as they need to be.
 *
 * @param rows one object a row, keys are columns
 * @param options heading, columns, theme
 * @throws {TypeError} if a column named does not occur in any row
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { table } from "faintlight";
 *
 * const sheet = table([{ filter: "Ha", "FWHM (px)": 2.31 }, { filter: "OIII", "FWHM (px)": null }], { title: "Stars" });
 * assert.equal(sheet.alternativeText, "Stars: table of 2 rows with filter, FWHM (px).");
 * ```
 */
export function table(
  rows: readonly Readonly<Record<string, Cell>>[],
  options: Partial<TableSheetOptions> = {},
): Sheet {
  const used = settle("table", tableSheetDefaults, options);
  const theme = themes[used.theme];
  const columns = used.columns ?? Object.keys(rows[0] ?? {});
  for (const column of columns) {
    if (rows.length > 0 && !rows.some((row) => column in row)) {
      throw new TypeError(`table: column "${column}" must be a key of a row, but the rows have none of that name`);
    }
  }
  const shown = rows.slice(0, used.maximumRows);
  const textOf = (cell: Cell | undefined): string =>
    typeof cell === "number"
      ? Number.isInteger(cell)
        ? formatNumber(cell, 1 + Math.floor(Math.log10(Math.max(1, Math.abs(cell)))))
        : formatNumber(cell, 4)
      : cell === null || cell === undefined
      ? "–"
      : typeof cell === "boolean"
      ? (cell ? "yes" : "no")
      : cell;
  const numeric = columns.map((column) =>
    shown.every((row) => typeof row[column] === "number" || row[column] === null || row[column] === undefined) &&
    shown.some((row) => typeof row[column] === "number")
  );
  const widths = columns.map((column) =>
    Math.min(
      used.maximumColumnWidth,
      2 * PAD + Math.max(
        textWidth(column, SIZE, "bold"),
        ...shown.map((row) => textWidth(textOf(row[column]), SIZE)),
      ),
    )
  );
  const total = widths.reduce((sum, each) => sum + each, 0);
  const width = Math.max(320, total + 2 * MARGIN, textWidth(used.title, 24, "bold") + 2 * MARGIN);
  const head = heading(used.title, "", width, theme);
  const elements = [...head.elements];
  let y = head.bottom + (used.title === "" ? 0 : 4);
  /** Text of a row in lines: what is wider than its column runs on below, up to `MOST_LINES`. */
  const linesOf = (texts: readonly string[], face: "text" | "bold") =>
    texts.map((text, at) => {
      const room = widths[at] - 2 * PAD + 0.5;
      const lines = wrapText(text, SIZE, room, face);
      if (lines.length <= MOST_LINES) return lines;
      return [...lines.slice(0, MOST_LINES - 1), fitText(lines.slice(MOST_LINES - 1).join(" "), SIZE, room, face)];
    });
  const set = (texts: readonly (readonly string[])[], face: "text" | "bold") => {
    let x = MARGIN;
    texts.forEach((lines, at) => {
      const right = numeric[at];
      lines.forEach((text, row) =>
        elements.push(textElement(text, right ? x + widths[at] - PAD : x + PAD, y + ROW - 7 + row * LINE, {
          size: SIZE,
          fill: theme.ink,
          face,
          anchor: right ? "end" : "start",
        }))
      );
      x += widths[at];
    });
  };
  const heightOf = (texts: readonly (readonly string[])[]) =>
    ROW + LINE * (Math.max(1, ...texts.map((lines) => lines.length)) - 1);
  const names = linesOf(columns, "bold");
  set(names, "bold");
  y += heightOf(names);
  elements.push(box(MARGIN, y, total, 1.2, theme.muted));
  y += 2;
  shown.forEach((row, at) => {
    const texts = linesOf(columns.map((column) => textOf(row[column])), "text");
    const height = heightOf(texts);
    if (at % 2 === 1) elements.push(box(MARGIN, y, total, height, theme.panel));
    set(texts, "text");
    y += height;
  });
  if (rows.length > shown.length) {
    elements.push(
      textElement(`and ${rows.length - shown.length} more rows`, MARGIN + PAD, y + ROW - 7, {
        size: SIZE,
        fill: theme.muted,
      }),
    );
    y += ROW;
  }
  const name = used.title === "" ? "Table" : `${used.title}: table`;
  const alternative = `${name} of ${rows.length} row${rows.length === 1 ? "" : "s"} with ${columns.join(", ")}.`;
  return composeSheet(width, y + MARGIN / 2, theme, alternative, elements);
}
