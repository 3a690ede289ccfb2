/** A lesson as a page needs it, read from a notebook in Jupyter's format 4 with the outputs that are stored in it. */

/** What a cell of code left behind. */
export type LessonOutput =
  | { readonly kind: "picture"; readonly format: "png" | "jpeg"; readonly base64: string; readonly words: string }
  | { readonly kind: "view"; readonly html: string }
  | { readonly kind: "text"; readonly text: string };

/** A cell of a lesson. */
export interface LessonCell {
  readonly kind: "markdown" | "code";
  readonly source: string;
  readonly outputs: readonly LessonOutput[];
}

/** A notebook that was run. */
export interface Lesson {
  /** The file's name without its ending, such as `02-calibrate`. */
  readonly name: string;
  /** The first heading. */
  readonly title: string;
  /** What the lesson asks, as it says itself after "Question."; empty when it asks nothing. */
  readonly question: string;
  readonly cells: readonly LessonCell[];
}

/** Text as the format stores it: one string, or a list of lines. */
type Text = string | readonly string[] | undefined;

interface StoredOutput {
  readonly output_type: string;
  readonly text?: Text;
  readonly data?: Readonly<Record<string, Text>>;
  readonly ename?: string;
  readonly evalue?: string;
}

interface StoredCell {
  readonly cell_type: string;
  readonly source: Text;
  readonly outputs?: readonly StoredOutput[];
}

const joined = (text: Text): string => text === undefined ? "" : typeof text === "string" ? text : text.join("");

function outputOf({ output_type, text, data = {}, ename, evalue }: StoredOutput): LessonOutput {
  if (output_type === "error") return { kind: "text", text: `${ename}: ${evalue}` };
  if (output_type === "stream") return { kind: "text", text: joined(text) };
  const words = joined(data["text/plain"]);
  if (data["text/html"] !== undefined) return { kind: "view", html: joined(data["text/html"]) };
  for (const format of ["png", "jpeg"] as const) {
    const base64 = joined(data[`image/${format}`]).replaceAll("\n", "");
    if (base64 !== "") return { kind: "picture", format, base64, words };
  }
  return { kind: "text", text: words };
}

/**
 * Read a notebook with its stored outputs.
 *
 * @param text content of the file, Jupyter's notebook format 4
 * @param name the file's name without its ending
 * @throws RangeError when the text is no notebook of format 4
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parseNotebook } from "lib/book/parse_notebook.ts";
 *
 * const text = JSON.stringify({ nbformat: 4, cells: [{ cell_type: "markdown", source: ["# Dark frames\n"] }] });
 * assert.equal(parseNotebook(text, "02-calibrate").title, "Dark frames");
 * ```
 */
export function parseNotebook(text: string, name: string): Lesson {
  const file: { nbformat?: number; cells?: readonly StoredCell[] } = JSON.parse(text);
  if (file.nbformat !== 4 || file.cells === undefined) {
    throw new RangeError(`parseNotebook: ${name} must be a notebook of format 4, but got format ${file.nbformat}`);
  }
  const cells = file.cells.map(({ cell_type, source, outputs = [] }): LessonCell => ({
    kind: cell_type === "code" ? "code" : "markdown",
    source: joined(source),
    outputs: outputs.map(outputOf),
  }));
  const prose = cells.filter(({ kind }) => kind === "markdown").map(({ source }) => source).join("\n\n");
  return {
    name,
    title: /^# (.+)$/m.exec(prose)?.[1] ?? name,
    question: /\*\*Question\.\*\*\s+([\s\S]*?)(?:\n\n|$)/.exec(prose)?.[1].replaceAll("\n", " ") ?? "",
    cells,
  };
}
