/**
 * Every notebook, without Jupyter: its cells are type-checked as one program and run under Deno, where displays go to a
 * stand-in. Numbers a notebook states are checked by its own cells (`youShouldSee` throws when one does not come out).
 */
import { describe, expect, it } from "vitest";
import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { notebookFolder, programOf, readNotebooks } from "./notebook_files.ts";

const config = fileURLToPath(new URL("../../deno.json", import.meta.url));

function deno(verb: readonly string[], program: string): { status: number | null; text: string } {
  const folder = mkdtempSync(join(tmpdir(), "faintlight-notebook-"));
  try {
    const path = join(folder, "notebook.ts");
    writeFileSync(path, program);
    const done = spawnSync(process.execPath, [...verb, "--config", config, path], {
      cwd: notebookFolder,
      encoding: "utf8",
      maxBuffer: 1 << 28,
      env: { ...process.env, NO_COLOR: "1" },
    });
    return { status: done.status, text: `${done.stdout}\n${done.stderr}` };
  } finally {
    rmSync(folder, { recursive: true });
  }
}

describe.each(readNotebooks().map((notebook) => ({ ...notebook, title: notebook.name })))("$title", (notebook) => {
  it("type-checks as one program", () => {
    const { status, text } = deno(["check", "--quiet"], programOf(notebook));
    expect(status, text).toBe(0);
  });

  it("runs from top to bottom and every stated number comes out", () => {
    const { status, text } = deno(["run", "--allow-all", "--no-prompt", "--quiet", "--no-check"], programOf(notebook));
    expect(status, text).toBe(0);
  });

  it("states numbers that the reader should see", () => {
    const stated = notebook.cells.filter((cell) => cell.kind === "code" && cell.source.includes("youShouldSee("));
    expect(stated.length).toBeGreaterThan(0);
  });

  it("names the project's own kernel and stays below 2 MB", () => {
    expect(notebook.kernel).toBe("faintlight");
    expect(notebook.bytes).toBeLessThan(2_000_000);
  });

  it("is committed with its outputs, a picture among them", () => {
    const shown = notebook.cells.flatMap((cell) => cell.outputs);
    expect(JSON.stringify(shown)).toContain('"image/png"');
    expect(shown.filter((output) => output.output_type === "error")).toEqual([]);
  });

  it("holds no path of the machine it ran on", () => {
    const outputs = JSON.stringify(
      notebook.cells.flatMap((cell) => cell.outputs).map((output) => ({
        ...output,
        data: { ...(output.data as Record<string, unknown> ?? {}), "image/png": "" },
      })),
    );
    expect(outputs).not.toMatch(/(?:file:\/\/\/|(?<![\w/])\/(?:home|root|work|tmp|Users|opt)\/|[A-Z]:\\\\)/);
  });

  it("leaves loops over pixels to the library", () => {
    const loops = notebook.cells.filter((cell) => cell.kind === "code")
      .filter((cell) =>
        /\b(?:for|while)\s*\(/.test(cell.source) && /\.data\b|\[\s*y\s*\*|Float32Array/.test(cell.source)
      );
    expect(loops.map((cell) => cell.source)).toEqual([]);
  });
});
