/** Reads notebooks as the checks need them: code cells as one program, markdown, outputs. */
import { readdirSync, readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";

/** Folder of the notebooks. */
export const notebookFolder: string = fileURLToPath(new URL("../../notebooks/", import.meta.url));

/** A cell of a notebook. */
export interface Cell {
  readonly kind: "code" | "markdown" | "raw";
  readonly source: string;
  readonly outputs: readonly Record<string, unknown>[];
}

/** A notebook file. */
export interface Notebook {
  readonly name: string;
  readonly bytes: number;
  readonly kernel: string;
  readonly cells: readonly Cell[];
}

const joined = (text: string | readonly string[] | undefined): string =>
  text === undefined ? "" : typeof text === "string" ? text : text.join("");

/** Every notebook, in reading order. */
export function readNotebooks(): Notebook[] {
  return readdirSync(notebookFolder).filter((name) => name.endsWith(".ipynb")).sort().map((name) => {
    const text = readFileSync(notebookFolder + name, "utf8");
    const file = JSON.parse(text);
    return {
      name,
      bytes: text.length,
      kernel: file.metadata?.kernelspec?.name ?? "",
      cells: file.cells.map((cell: { cell_type: Cell["kind"]; source: string | string[]; outputs?: [] }) => ({
        kind: cell.cell_type,
        source: joined(cell.source),
        outputs: cell.outputs ?? [],
      })),
    };
  });
}

/** The code cells as one module. Each cell keeps names of its own, so that nothing is declared twice. */
export function programOf(notebook: Notebook): string {
  const code = notebook.cells.filter((cell) => cell.kind === "code").map((cell) => cell.source);
  return `${code.join("\n\n")}\n\nexport {};\n`;
}
