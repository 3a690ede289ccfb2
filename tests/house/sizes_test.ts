/** Files and lines that can be read at a glance; functions are held by the rules of `deno lint` (lint_rules.ts). */
import { readdirSync, readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";

const library = new URL("../../lib/", import.meta.url);
const files = readdirSync(library, { recursive: true, encoding: "utf8" })
  .filter((file) => file.endsWith(".ts"))
  .map((file) => ({ file, lines: readFileSync(new URL(file, library), "utf8").trimEnd().split("\n") }));

/** Pages whose scripts travel inside a notebook, packed into few characters. */
const pages = ["view/inspect_image.ts", "view/tune_stretch.ts", "view/compare_view.ts"];

/** Kernels of one loop whose sums stay in registers, which AssemblyScript cannot hand to a function. */
const longKernels = ["huberTest", "moderated", "weigh", "weighInside"];

/** Functions of a kernel's source with their lines. */
function functionsOf(lines: readonly string[]): { readonly name: string; readonly lines: number }[] {
  return lines.flatMap((line, start) => {
    const name = /^(?:export )?(?:@inline )?(?:export )?function (\w+)/.exec(line)?.[1];
    if (name === undefined) return [];
    return [{ name, lines: lines.findIndex((each, at) => at >= start && each.startsWith("}")) - start + 1 }];
  });
}

describe("a file of the library", () => {
  it("is found by the hundred", () => expect(files.length).toBeGreaterThan(300));
  it("has at most 400 lines", () => {
    expect(files.filter(({ lines }) => lines.length > 400).map(({ file, lines }) => `${file}: ${lines.length}`))
      .toEqual([]);
  });
  it("has lines of at most 120 characters", () => {
    const long = files.filter(({ file }) => !pages.includes(file)).flatMap(({ file, lines }) =>
      lines.flatMap((line, index) => line.length > 120 ? [`${file}:${index + 1}`] : [])
    );
    expect(long).toEqual([]);
  });
});

describe("a kernel", () => {
  const sources = files.filter(({ file }) => file.endsWith(".as.ts")).flatMap(({ lines }) => functionsOf(lines));
  it("is one of many", () => expect(sources.length).toBeGreaterThan(60));
  it("has functions of at most 80 lines, but for the loops that hold their sums in registers", () => {
    expect(sources.filter(({ lines }) => lines > 80).map(({ name }) => name).sort()).toEqual(longKernels);
  });
});
