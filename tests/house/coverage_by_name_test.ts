/** Each source file of lib/ has a test of its name in the room of its name, or is named in the header of the test that covers it. */
import { describe, expect, it } from "vitest";
import { readdirSync, readFileSync } from "node:fs";
import { basename } from "node:path";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../../", import.meta.url));
const filesBelow = (folder: string): readonly string[] =>
  readdirSync(root + folder, { recursive: true, encoding: "utf8" }).filter((name) => name.endsWith(".ts"));
const read = (path: string): string => readFileSync(root + path, "utf8");

/** Files that no test covers, each with the reason. */
const exceptions: Readonly<Record<string, string>> = {
  "app/demo_data.ts": "writes the demo nights: a run of minutes, which the task demo-data is",
  "io/paths.ts": "hands on a function of the platform",
  "app/progress_line.ts": "writes on a terminal, and what it writes depends on the clock",
  "core/progress.ts": "its one value is a function that does nothing",
};

const sources = filesBelow("lib").filter((name) =>
  !name.startsWith("doors/") && basename(name) !== "mod.ts" && !name.endsWith(".as.ts")
);
const tests = filesBelow("tests").filter((name) => name.endsWith("_test.ts"));
const headers = tests.map((name) => [name, /^\/\*\*[\s\S]*?\*\//.exec(read(`tests/${name}`))?.[0] ?? ""] as const);

/** Names of TypeScript files in a header, a leading `lib/` left out. */
const namesIn = (header: string): readonly string[] =>
  (header.match(/[\w./]+\.ts\b/g) ?? []).map((name) => name.replace(/^lib\//, ""));

/** Source files that a name stands for: a path below lib/, or the name of a file. */
const sourcesNamed = (name: string): readonly string[] =>
  sources.filter((source) => source === name || basename(source) === name);

/** Whether a file consists of imports and types: there is nothing to run. */
const holdsTypesOnly = (source: string): boolean =>
  !/^(?!import\b|(export )?(interface|type)\b|\})\S/m.test(
    read(`lib/${source}`).replaceAll(/\/\*[\s\S]*?\*\/|^\s*\/\/.*/gm, ""),
  );

const named = new Set(headers.flatMap(([, header]) => namesIn(header)));
const isCovered = (source: string): boolean =>
  tests.includes(source.replace(/\.ts$/, "_test.ts")) || named.has(source) || named.has(basename(source));

describe("source files", () => {
  it("are found by the name of their test or in its header", () => {
    const bare = sources.filter((source) => !isCovered(source) && !holdsTypesOnly(source) && !(source in exceptions));
    expect(sources.length).toBeGreaterThan(500);
    expect(
      bare.map((source) => `${source}: give it a test of its name, or name it in the header of the test that covers it`)
        .join("\n"),
    ).toBe("");
  });

  it("are excepted only as long as nothing covers them", () => {
    expect(Object.keys(exceptions).filter((source) => !sources.includes(source) || isCovered(source))).toEqual([]);
  });
});

describe("headers of tests", () => {
  const others = new Set(filesBelow("tests").flatMap((name) => [`tests/${name}`, name, basename(name)]));

  it("name files that exist, and only one by each name", () => {
    const wrong = headers.flatMap(([test, header]) =>
      namesIn(header).filter((name) => !others.has(name) && sourcesNamed(name).length !== 1).map((name) =>
        `tests/${test} names ${name}, which stands for ${sourcesNamed(name).length} files; give its path below lib/`
      )
    );
    expect(wrong, wrong.join("\n")).toEqual([]);
  });
});
