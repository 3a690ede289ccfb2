/**
 * Every notebook, without Jupyter: its cells are type-checked as one program and run under Deno, where displays go to a
 * stand-in. Numbers a notebook states are checked by its own cells (`youShouldSee` throws when one does not come out).
 */
import process from "node:process";
import { describe, expect, it } from "vitest";
import {
  importLists,
  localPaths,
  longFunctions,
  pixelLoops,
  runtimeErrors,
  storedErrors,
  typeErrors,
} from "./notebook_checks.ts";
import { readNotebooks } from "./notebook_files.ts";

const notebooks = readNotebooks();

/** Set where Jupyter runs the same cells next: once is enough. */
const runInJupyter = process.env.FAINTLIGHT_NOTEBOOKS_IN_JUPYTER === "1";

describe("all notebooks", () => {
  it("type-check", () => {
    expect(notebooks.length).toBeGreaterThan(0);
    expect(typeErrors(notebooks)).toEqual([]);
  });
});

describe.each(notebooks.map((notebook) => ({ ...notebook, title: notebook.name })))("$title", (notebook) => {
  it.skipIf(runInJupyter)("runs from top to bottom and every stated number comes out", () => {
    expect(runtimeErrors(notebook)).toEqual([]);
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
    expect(JSON.stringify(shown)).toMatch(/"image\/(?:png|jpeg)"/);
    expect(storedErrors(notebook)).toEqual([]);
  });

  it("holds no path of the machine it ran on", () => {
    expect(localPaths(notebook)).toEqual([]);
  });

  it("imports less than a dozen names a cell", () => {
    expect(importLists(notebook).filter((names) => names.length >= 12)).toEqual([]);
  });

  it("ends with answers that run, and with the lesson that comes next", () => {
    const sources = notebook.cells.map(({ source }) => source);
    const [start, end] = ["## Answers", "## Next"].map((heading) =>
      sources.findIndex((each) => each.startsWith(heading))
    );
    const answers = notebook.cells.slice(start, end).filter(({ kind }) => kind === "code");
    expect(answers.some(({ source }) => source.includes("youShouldSee("))).toBe(true);
    expect(sources.join()).not.toContain("<details>");
    const next = notebooks[notebooks.findIndex(({ name }) => name === notebook.name) + 1]?.name.replace(".ipynb", "");
    expect(sources.slice(end)).toHaveLength(1);
    expect(sources[end]).toContain(next ?? "00-five-minute-tour");
    if (next !== undefined) expect(sources[0].replaceAll("\n", " ")).toContain(`\`${next}\``);
  });

  it("leaves loops over pixels and long functions to the library", () => {
    expect(pixelLoops(notebook)).toEqual([]);
    expect(longFunctions(notebook)).toEqual([]);
  });
});
