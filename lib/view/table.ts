/** A table as a sheet, for what has no better picture. */
import { settle } from "../core/options.ts";
import { type Block, box, composeSheet, heading, sheetMargin } from "./layout.ts";
import { themes } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { fitText, formatNumber, textElement, textWidth, wrapText } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

/** A cell: text as it is, a number set with four significant digits, `null` as a dash. */
export type Cell = string | number | boolean | null;

/** A row: keys are columns. */
export type Row = Readonly<Record<string, Cell>>;

/** Options of {@linkcode table}. */
export interface TableOptions extends Pick<SheetOptions, "title" | "theme"> {
  /** Columns by key of the rows, in order; `"automatic"` takes the keys of the first row. */
  readonly columns: readonly string[] | "automatic";
  /** Most rows to set; the rest is counted in a last line. */
  readonly maximumRows: number;
  /** Widest a column may become, drawing units; longer text runs on in lines below. */
  readonly maximumColumnWidth: number;
}

/** What {@linkcode table} uses for an option left out. */
export const tableDefaults: TableOptions = Object.freeze({
  title: "",
  columns: "automatic",
  maximumRows: 60,
  maximumColumnWidth: 320,
  theme: "light",
});

const fontSize = 14;
const rowHeight = 24;
const lineHeight = 18;
const cellPadding = 9;
/** Lines a cell may run over before it is cut. */
const maximumLines = 5;

/** A cell as it is printed: whole numbers in full, others with four digits. */
function cellText(cell: Cell | undefined): string {
  if (cell === null || cell === undefined) return "–";
  if (typeof cell === "string") return cell;
  if (typeof cell === "boolean") return cell ? "yes" : "no";
  const digits = Number.isInteger(cell) ? 1 + Math.floor(Math.log10(Math.max(1, Math.abs(cell)))) : 4;
  return formatNumber(cell, digits);
}

/** A column of the table. */
interface Column {
  readonly name: string;
  /** Left edge. */
  readonly x: number;
  readonly width: number;
  /** Whether it holds numbers, which stand to the right. */
  readonly numeric: boolean;
}

/** Columns beside one another, as wide as their text needs. */
function columnsOf(names: readonly string[], rows: readonly Row[], maximumWidth: number): Column[] {
  let x = sheetMargin;
  return names.map((name) => {
    const cells = rows.map((row) => row[name]);
    const numeric = cells.every((cell) => typeof cell === "number" || cell === null || cell === undefined) &&
      cells.some((cell) => typeof cell === "number");
    const widest = Math.max(
      textWidth(name, fontSize, "bold"),
      ...cells.map((cell) => textWidth(cellText(cell), fontSize)),
    );
    const column = { name, x, width: Math.min(maximumWidth, 2 * cellPadding + widest), numeric };
    x += column.width;
    return column;
  });
}

/** Text of a cell in lines: what is wider than its column runs on below, up to `maximumLines`. */
function cellLines(text: string, { width }: Column, face: "text" | "bold"): string[] {
  const room = width - 2 * cellPadding + 0.5;
  const lines = wrapText(text, fontSize, room, face);
  if (lines.length <= maximumLines) return lines;
  const rest = lines.slice(maximumLines - 1).join(" ");
  return [...lines.slice(0, maximumLines - 1), fitText(rest, fontSize, room, face)];
}

/** One row set from its upper edge. */
function rowBlock(
  texts: readonly string[],
  columns: readonly Column[],
  y: number,
  style: { readonly fill: string; readonly face: "text" | "bold" },
): Block {
  const cells = texts.map((text, at) => cellLines(text, columns[at], style.face));
  const elements = cells.flatMap((lines, at) => {
    const { x, width, numeric } = columns[at];
    return lines.map((text, line) =>
      textElement(text, numeric ? x + width - cellPadding : x + cellPadding, y + rowHeight - 7 + line * lineHeight, {
        ...style,
        size: fontSize,
        anchor: numeric ? "end" : "start",
      })
    );
  });
  const most = Math.max(1, ...cells.map((lines) => lines.length));
  return { elements, bottom: y + rowHeight + lineHeight * (most - 1) };
}

/** Names of the columns to set. */
function columnNames(rows: readonly Row[], wanted: TableOptions["columns"]): readonly string[] {
  const names = wanted === "automatic" ? Object.keys(rows[0] ?? {}) : wanted;
  for (const name of names) {
    if (rows.length > 0 && !rows.some((row) => name in row)) {
      throw new TypeError(`table: column "${name}" must be a key of a row, but the rows have none of that name`);
    }
  }
  return names;
}

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
 * const sheet = table([{ filter: "Ha", "FWHM (px)": 2.31 }, { filter: "OIII", "FWHM (px)": null }], {
 *   title: "Stars",
 * });
 * assert.equal(sheet.alternativeText, "Stars: table of 2 rows with filter, FWHM (px).");
 * ```
 */
export function table(rows: readonly Row[], options: Partial<TableOptions> = {}): Sheet {
  const { title, columns: wanted, maximumRows, maximumColumnWidth, theme: themeName } = settle(
    "table",
    tableDefaults,
    options,
  );
  const theme = themes[themeName];
  const names = columnNames(rows, wanted);
  const shown = rows.slice(0, maximumRows);
  const columns = columnsOf(names, shown, maximumColumnWidth);
  const total = columns.reduce((sum, column) => sum + column.width, 0);
  const width = Math.max(320, total + 2 * sheetMargin, textWidth(title, 24, "bold") + 2 * sheetMargin);

  const head = heading(title, "", width, theme);
  const top = head.bottom + (title === "" ? 0 : 4);
  const named = rowBlock(names, columns, top, { fill: theme.ink, face: "bold" });
  const rule = box({ x: sheetMargin, y: named.bottom, width: total, height: 1.2 }, theme.muted);
  const elements = [...head.elements, ...named.elements, rule];
  let y = named.bottom + 2;
  shown.forEach((row, at) => {
    const block = rowBlock(names.map((name) => cellText(row[name])), columns, y, { fill: theme.ink, face: "text" });
    if (at % 2 === 1) elements.push(box({ x: sheetMargin, y, width: total, height: block.bottom - y }, theme.panel));
    elements.push(...block.elements);
    y = block.bottom;
  });
  if (rows.length > shown.length) {
    const rest = `and ${rows.length - shown.length} more rows`;
    elements.push(
      textElement(rest, sheetMargin + cellPadding, y + rowHeight - 7, { size: fontSize, fill: theme.muted }),
    );
    y += rowHeight;
  }
  const name = title === "" ? "Table" : `${title}: table`;
  const words = `${name} of ${rows.length} row${rows.length === 1 ? "" : "s"} with ${names.join(", ")}.`;
  return composeSheet(width, y + sheetMargin / 2, theme, words, elements);
}
