/** The checks of notebooks find what they are there to find, and leave good cells alone. */
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
import type { Notebook } from "./notebook_files.ts";

const notebookOf = (...sources: readonly string[]): Notebook => ({
  name: "small.ipynb",
  bytes: 0,
  kernel: "faintlight",
  cells: sources.map((source) => ({ kind: "code", source, outputs: [] })),
});
const showing = (output: Record<string, unknown>): Notebook => ({
  ...notebookOf(),
  cells: [{ kind: "code", source: "", outputs: [output] }],
});
const start = 'import { constantImage, show, youShouldSee } from "faintlight";\nconst sky = constantImage(40, 30, 7);';

describe("typeErrors", () => {
  it("finds a missing import and a wrong option, which the kernel would pass over, and knows names of earlier cells", () => {
    const [found] = typeErrors([
      { ...notebookOf(start, "show(sky);"), name: "sound.ipynb" },
      { ...notebookOf('import { showAll } from "faintlight";\nconsole.log(showAll);'), name: "missing.ipynb" },
      { ...notebookOf(start, 'constantImage("40", 30, 7);'), name: "wrong.ipynb" },
    ]);
    expect(found).toContain("showAll");
    expect(found).toContain("'string' is not assignable to parameter of type 'number'");
    expect(found).toMatch(/missing\.ts:1/);
    expect(found).toMatch(/wrong\.ts:4/);
    expect(found).not.toContain("sound.ts");
  });
});

describe("runtimeErrors", () => {
  it("accepts numbers that come out", () => {
    expect(runtimeErrors(notebookOf(start, 'youShouldSee("width", sky.width, 40, 0);'))).toEqual([]);
  });

  it("finds a number that does not come out, a step that throws, and a rejected promise nobody waits for", () => {
    expect(runtimeErrors(notebookOf(start, 'youShouldSee("width", sky.width, 41, 0);')).join()).toContain("must be 41");
    expect(runtimeErrors(notebookOf(start, "constantImage(0, 30, 7);")).join()).toContain("constantImage");
    expect(runtimeErrors(notebookOf(start, 'Promise.reject(new Error("lost"));')).join()).toContain("lost");
  });
});

describe("checks of the text and the outputs", () => {
  it("finds stored errors", () => {
    expect(storedErrors(showing({ output_type: "error", ename: "RangeError", evalue: "step: no" }))).toEqual([
      "RangeError: step: no",
    ]);
    expect(storedErrors(showing({ output_type: "display_data", data: { "text/plain": "fine" } }))).toEqual([]);
  });

  it("finds paths of a machine in text, HTML and tracebacks, and leaves addresses and fractions alone", () => {
    expect(localPaths(showing({ data: { "text/plain": "read /home/someone/night/a.fits" } }))).toHaveLength(1);
    expect(localPaths(showing({ data: { "text/html": '<a href="file:///srv/a.fits">' } }))).toHaveLength(1);
    expect(localPaths(showing({ output_type: "stream", text: "C:\\\\Users\\\\someone" }))).toHaveLength(1);
    expect(localPaths(showing({ output_type: "error", traceback: ["at /tmp/x.ts:1"] }))).toHaveLength(1);
    expect(localPaths(showing({ data: { "text/plain": "stacks/Ha.fits, 3/4, https://a.example/home/x" } }))).toEqual(
      [],
    );
  });

  it("finds loops over samples, and leaves loops over frames alone", () => {
    expect(pixelLoops(notebookOf("for (let i = 0; i < 9; i++) sum += sky.planes[0].data[i];"))).toHaveLength(1);
    expect(pixelLoops(notebookOf("sky.planes[0].data.forEach((v) => sum += v);"))).toHaveLength(1);
    expect(pixelLoops(notebookOf("const twice = sky.planes[0].data.map((v) => 2 * v);"))).toHaveLength(1);
    expect(pixelLoops(notebookOf("for (const frame of frames) show(frame);\nmedian(sky.planes[0].data);"))).toEqual([
      "for (const frame of frames) show(frame);\nmedian(sky.planes[0].data);",
    ]);
    expect(pixelLoops(notebookOf("for (const frame of frames) show(frame);", "median(sky.planes[0].data);"))).toEqual(
      [],
    );
  });

  it("reads the names that each cell imports", () => {
    const first = 'import { a, type B } from "faintlight";\nimport {\n  c,\n} from "faintlight/stats";\na(c);';
    expect(importLists(notebookOf(first, "a(1);", 'import { d } from "faintlight";'))).toEqual([
      ["a", "type B", "c"],
      ["d"],
    ]);
  });

  it("finds functions of more than three statements or nine lines", () => {
    const body = (count: number) => Array.from({ length: count }, (_, i) => `  const v${i} = x;`).join("\n");
    const short = `const a = (x: number) => {\n${body(3)}\n};`;
    const long = `const a = (x: number) => {\n${body(4)}\n};`;
    expect(longFunctions(notebookOf(short))).toEqual([]);
    expect(longFunctions(notebookOf(`${long}\nshow("x");`))).toEqual([long]);
    expect(longFunctions(notebookOf(`function b(x: number) {\n${body(4)}\n}\nshow("x");`))).toHaveLength(1);
    const wide = (count: number) => `const a = () =>\n  call({\n${"    each,\n".repeat(count)}  });\nshow("x");`;
    expect(longFunctions(notebookOf(wide(6)))).toEqual([]);
    expect(longFunctions(notebookOf(wide(7)))).toHaveLength(1);
    expect(longFunctions(notebookOf("const a = [\n  1,\n  2,\n  3,\n  4,\n  5,\n  6,\n  7,\n].map((x) => x + 1);")))
      .toEqual([]);
  });
});
