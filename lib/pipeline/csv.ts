/** Tables as comma-separated values (RFC 4180, line feeds), one form for every table of a run. */

/** What a spreadsheet takes for the start of a formula. */
const formulaStart = /^[=+\-@\t\r]/;

/** A cell: text, number, truth, or nothing. */
export type Cell = string | number | boolean | null | undefined;

const quoted = (text: string): string => /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;

/** Seven significant digits: more than any measurement here holds, and equal text for equal values. */
function cellText(cell: Cell): string {
  if (cell === null || cell === undefined) return "";
  if (typeof cell === "number") {
    if (!Number.isFinite(cell)) return "";
    return Number.isInteger(cell) ? String(cell) : String(Number(cell.toPrecision(7)));
  }
  const text = String(cell);
  // a file or a filter may be named like a formula; behind an apostrophe spreadsheets take it for text
  return quoted(formulaStart.test(text) ? `'${text}` : text);
}

/**
 * Text of a table.
 *
 * @param columns names in their order
 * @param rows one object a row; a column that is missing, null or not finite becomes an empty cell
 */
export function csvText<Column extends string>(
  columns: readonly Column[],
  rows: readonly Readonly<Partial<Record<Column, Cell>>>[],
): string {
  const lines = rows.map((row) => columns.map((column) => cellText(row[column])).join(","));
  return [columns.join(","), ...lines, ""].join("\n");
}

/** Rows of a table written by {@linkcode csvText}, every cell as text. */
export function parseCsv(text: string): Record<string, string>[] {
  const rows: string[][] = [];
  let row: string[] = [];
  let cell = "";
  let inside = false;
  for (let i = 0; i < text.length; i++) {
    const c = text[i];
    if (inside) {
      if (c === '"' && text[i + 1] === '"') {
        cell += '"';
        i++;
      } else if (c === '"') inside = false;
      else cell += c;
    } else if (c === '"') inside = true;
    else if (c === ",") {
      row.push(cell);
      cell = "";
    } else if (c === "\n") {
      rows.push([...row, cell]);
      row = [];
      cell = "";
    } else cell += c;
  }
  const asWritten = (found: string): string => /^'[=+\-@\t\r]/.test(found) ? found.slice(1) : found;
  const [columns = [], ...body] = rows;
  return body.map((cells) => Object.fromEntries(columns.map((name, at) => [name, asWritten(cells[at] ?? "")])));
}
