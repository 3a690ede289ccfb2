/** The table of `lib/kernels/README.md`: every file of the room is in it, with what it exports and who calls it. */
import { describe, expect, it } from "vitest";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

const lib = fileURLToPath(new URL("../../lib/", import.meta.url));
const room = join(lib, "kernels");
const table = readFileSync(join(room, "README.md"), "utf8").split("\n")
  .filter((line) => line.startsWith("| `"))
  .map((line) => line.split("|").slice(1, -1).map((cell) => cell.trim()));
const named = (cell: string): string[] => [...cell.matchAll(/`([^`]+)`/g)].map(([, name]) => name);

/** Rooms besides this one whose files import a file of this one. */
function callersOf(file: string): string[] {
  const rooms = readdirSync(lib, { withFileTypes: true })
    .filter((each) => each.isDirectory() && each.name !== "kernels" && each.name !== "doors")
    .map(({ name }) => name);
  const calls = (path: string) => readFileSync(path, "utf8").includes(`"../kernels/${file}"`);
  return rooms.filter((name) =>
    readdirSync(join(lib, name)).some((path) => path.endsWith(".ts") && calls(join(lib, name, path)))
  ).sort();
}

describe("the table of the kernels", () => {
  it("names every file of the room once, and no other", () => {
    const files = readdirSync(room).filter((name) => name.endsWith(".ts") && !name.endsWith(".twin.ts"));
    expect(table.map(([file]) => named(file)[0]).sort()).toEqual(files.sort());
  });

  it("names every source once, and no other", () => {
    // these two are no kernels: the list of exports, and the instructions on the memories of planes
    const sources = readdirSync(join(room, "src")).filter((name) => !["index.as.ts", "planes.as.ts"].includes(name));
    expect(table.flatMap(([, source]) => named(source)).sort()).toEqual(sources.sort());
  });

  it("names functions that the file exports", () => {
    const wrong = table.flatMap(([file, , functions]) => {
      const text = readFileSync(join(room, named(file)[0]), "utf8");
      return named(functions).filter((name) => !new RegExp(`^export (function|const) ${name}\\b`, "m").test(text));
    });
    expect(wrong).toEqual([]);
  });

  it("names the rooms that call it", () => {
    const told = table.map(([file, , , , callers]) => `${file} ${callers}`);
    expect(told).toEqual(table.map(([file]) => `${file} ${callersOf(named(file)[0]).join(", ")}`));
  });

  it("knows of each source its plain twin, in a file of that name or in the caller", () => {
    const twins = readdirSync(room).filter((name) => name.endsWith(".twin.ts"));
    const sources = table.flatMap(([, source]) => named(source)).map((name) => name.replace(".as.ts", ".twin.ts"));
    expect(twins.filter((name) => !sources.includes(name))).toEqual([]);
  });
});
