/** What was done to a value, step by step, as a table. */
import type { HistoryNode, Recorded } from "../core/history.ts";
import { settle } from "../core/options.ts";
import type { Sheet } from "./sheet.ts";
import { type Cell, table } from "./table.ts";
import type { ViewOptions } from "./view_options.ts";

/** Options of {@linkcode historyTable}. */
export interface HistoryTableOptions extends Pick<ViewOptions, "title" | "theme"> {
  /** Only what was done after this value was made; `null` for everything from the files on. */
  readonly since: Recorded | null;
  /** Most steps to list; the rest is counted in a last line. */
  readonly maximumRows: number;
}

/** What {@linkcode historyTable} uses for an option left out. */
export const historyTableDefaults: HistoryTableOptions = Object.freeze({
  title: "What was done",
  since: null,
  maximumRows: 40,
  theme: "light",
});

/** Signs of one option at most; a longer list of nodes or points is named by its kind instead. */
const maximumValueLength = 72;

function optionText(name: string, value: HistoryNode["options"][string]): string {
  // numbers within a value too: a curve's bend is written no longer than one that stands alone
  const short = (each: unknown) => typeof each === "number" ? Number(each.toPrecision(4)) : each;
  const text = typeof value === "number" ? String(short(value)) : JSON.stringify(value, (_, each) => short(each));
  const plain = text.replaceAll('"', "");
  return `${name} ${
    plain.length <= maximumValueLength ? plain : Array.isArray(value) ? `(${value.length} entries)` : "(…)"
  }`;
}

/**
 * The history of a value as a table: each step with the numbers of the steps it took its input from, the options that
 * were really used, and what it found out on the way.
 *
 * @param value an image, a surface, anything that knows how it was made
 * @param options heading, where to begin
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, historyTable, stretchAsinh } from "faintlight";
 *
 * const stack = constantImage(8, 8, 100), picture = stretchAsinh(stack, { white: 900 });
 * assert.match(historyTable(picture, { since: stack }).alternativeText, /What was done: table of 1 row/);
 * ```
 */
export function historyTable(value: Recorded, options: Partial<HistoryTableOptions> = {}): Sheet {
  // a whole image is no option to be settled: its history is all that counts
  const { since = null, ...rest } = options;
  const { title, maximumRows, theme } = settle("historyTable", historyTableDefaults, rest);
  const known = new Set(since?.history.nodes.map((node) => node.id) ?? []);
  const nodes = value.history.nodes.filter((node) => !known.has(node.id));
  const number = new Map(nodes.map((node, at) => [node.id, at + 1]));
  const rows = nodes.map((node): Readonly<Record<string, Cell>> => ({
    "no.": number.get(node.id) as number,
    step: node.output === "" ? node.step : `${node.step} → ${node.output}`,
    from: node.inputs.length === 0
      ? "a source"
      : node.inputs.map((id) => number.has(id) ? `step ${number.get(id)}` : "the start").join(", "),
    "options used": Object.entries(node.options).map(([name, each]) => optionText(name, each)).join(" · "),
    "found out": node.notes.join("; "),
  }));
  const columns = ["no.", "step", "from", "options used"];
  if (nodes.some((node) => node.notes.length > 0)) columns.push("found out");
  return table(rows, { title, maximumRows, theme, columns, maximumColumnWidth: 640 });
}
