/**
 * What every notebook is held to, without Jupyter. Each check returns what it found wrong; nothing found is an empty
 * list.
 */
import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { type Notebook, notebookFolder, programOf } from "./notebook_files.ts";

const config = fileURLToPath(new URL("../../deno.json", import.meta.url));

function deno(verb: readonly string[], notebooks: readonly Notebook[]): string[] {
  const folder = mkdtempSync(join(tmpdir(), "faintlight-notebook-"));
  try {
    const paths = notebooks.map((notebook) => {
      const path = join(folder, notebook.name.replace(/\.ipynb$/, ".ts"));
      writeFileSync(path, programOf(notebook));
      return path;
    });
    const done = spawnSync(process.execPath, [...verb, "--config", config, ...paths], {
      cwd: notebookFolder,
      encoding: "utf8",
      maxBuffer: 1 << 28,
      env: { ...process.env, NO_COLOR: "1" },
    });
    return done.status === 0 ? [] : [`${done.stdout}\n${done.stderr}`];
  } finally {
    rmSync(folder, { recursive: true });
  }
}

const codeOf = (notebook: Notebook): string[] =>
  notebook.cells.filter((cell) => cell.kind === "code").map((cell) => cell.source);

/** Type errors of the cells of each notebook as one program; the kernel itself never looks at types. */
export const typeErrors = (notebooks: readonly Notebook[]): string[] => deno(["check", "--quiet"], notebooks);

/**
 * What stops the cells when they run from top to bottom, displays going nowhere: an error, or a number that did not
 * come out.
 */
export const runtimeErrors = (notebook: Notebook): string[] =>
  deno(["run", "--allow-all", "--no-prompt", "--quiet", "--no-check"], [notebook]);

/** Errors among the stored outputs. */
export const storedErrors = (notebook: Notebook): string[] =>
  notebook.cells.flatMap((cell) => cell.outputs).filter((output) => output.output_type === "error")
    .map((output) => `${output.ename}: ${output.evalue}`);

/** Paths of the machine a notebook ran on, in stored outputs other than pictures. */
export function localPaths(notebook: Notebook): string[] {
  const found = /(?:file:\/\/\/|(?<![\w/])\/(?:home|root|work|tmp|Users|opt)\/|[A-Z]:\\\\)[^"\s]{0,80}/g;
  return notebook.cells.flatMap((cell) => cell.outputs).flatMap((output) => {
    const data = Object.entries(output.data as Record<string, unknown> ?? {})
      .filter(([type]) => type !== "image/png" && type !== "image/jpeg");
    return JSON.stringify([output.text, output.traceback, data]).match(found) ?? [];
  });
}

/** Cells that go through samples one by one: such a loop belongs in the library. */
export const pixelLoops = (notebook: Notebook): string[] =>
  codeOf(notebook).filter((source) =>
    /\b(?:for|while)\s*\(/.test(source) && /\.data\b|\[\s*y\s*\*|Float32Array/.test(source) ||
    /\.data\s*\.\s*(?:map|forEach|reduce|filter|every|some)\s*\(/.test(source)
  );

/** Functions of more than three statements or nine lines: a notebook calls the library, it is none. */
export function longFunctions(notebook: Notebook): string[] {
  const definition =
    /^(?:export )?(?:async )?function\b|^const \w+(?:: [^=]+)? = (?:async )?(?:<[^>]*>)?(?:\([^)]*\)|\w+)(?:: [^=]+)? =>/;
  return codeOf(notebook).flatMap((source) => {
    const lines = source.split("\n");
    return lines.flatMap((line, at) => {
      if (!definition.test(line)) return [];
      // formatted code: a statement ends at the left edge, or on its own first lines when it has no braces
      const block = line.endsWith("{");
      const end = lines.findIndex((each, to) =>
        to >= at && (/^\S.*;$|^\}$/.test(each) || !block && each.endsWith(";"))
      );
      const body = lines.slice(at, end + 1);
      const statements = (block ? body.slice(0, -1) : body).filter((each) => each.endsWith(";")).length;
      return statements > 3 || body.length > 9 ? [body.join("\n")] : [];
    });
  });
}

/** Names that the cells import, one list a cell: a name stands where it is first used, or at the top when often used. */
export const importLists = (notebook: Notebook): string[][] =>
  codeOf(notebook).map((source) =>
    [...source.matchAll(/^import \{([^}]*)\} from/gm)].flatMap(([, names]) =>
      names.split(",").map((each) => each.trim()).filter((each) => each !== "")
    )
  ).filter((names) => names.length > 0);
