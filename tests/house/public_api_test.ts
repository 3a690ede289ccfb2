/**
 * The doors: what each lets out is a decision, so the list is written down; everything on it is explained, and every function
 * shows an example that runs. `deno task api` writes the list anew.
 */
import { describe, expect, it } from "vitest";
import { spawnSync } from "node:child_process";
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { doorPaths, doorValues, publicNames } from "./doors.ts";

const root = fileURLToPath(new URL("../../", import.meta.url));
const doors = await doorValues();

/** Most that a person can be asked to find their way in: more goes behind a further door. */
const maximumMainValues = 170;

interface Declaration {
  readonly kind: string;
  readonly jsDoc?: { readonly doc?: string; readonly tags?: readonly { readonly kind: string }[] };
}
interface Symbol {
  readonly name: string;
  readonly declarations: readonly Declaration[];
}

describe("the doors", () => {
  it("let out what the list says", async () => {
    const listed = readFileSync(`${root}tests/house/public_api.txt`, "utf8").trim().split("\n");
    expect(await publicNames()).toEqual(listed);
  });

  it("hold each value once", () => {
    const seen = new Map<string, string>();
    const twice: string[] = [];
    for (const [door, values] of doors) {
      for (const name of Object.keys(values)) {
        if (seen.has(name)) twice.push(`${name}: ${seen.get(name)} and ${door}`);
        seen.set(name, door);
      }
    }
    expect(twice).toEqual([]);
  });

  it("keep the main one small enough to learn", () => {
    const main = Object.keys(doors.get("faintlight") ?? {});
    expect(main.length).toBeGreaterThan(50);
    expect(main.length).toBeLessThanOrEqual(maximumMainValues);
  });

  it("let out no defaults: defaultsOf(step) answers for all of them", () => {
    const names = [...doors.values()].flatMap((values) => Object.keys(values));
    expect(names.filter((name) => /[a-z]Defaults$/.test(name))).toEqual([]);
  });

  it("stand in the import map as in the exports", () => {
    const { imports } = JSON.parse(readFileSync(`${root}deno.json`, "utf8"));
    for (const [name, path] of doorPaths()) expect(imports[name]).toBe(path);
  });

  it("explain everything and show an example of every function", () => {
    const symbols = [...doorPaths().values()].flatMap((path) => {
      const made = spawnSync("deno", ["doc", "--json", path], { cwd: root, encoding: "utf8", maxBuffer: 1 << 28 });
      expect(made.status).toBe(0);
      const nodes: Record<string, { symbols: readonly Symbol[] }> = JSON.parse(made.stdout).nodes;
      return Object.values(nodes).flatMap((node) => node.symbols);
    });
    expect(symbols.length).toBeGreaterThan(50);
    const silent: string[] = [];
    const withoutExample: string[] = [];
    for (const { name, declarations } of symbols) {
      for (const { kind, jsDoc } of declarations) {
        if (!jsDoc?.doc) silent.push(name);
        const shown = jsDoc?.tags?.some((tag) => tag.kind === "example") ?? false;
        if (kind === "function" && !shown) withoutExample.push(name);
      }
    }
    expect(silent).toEqual([]);
    expect(withoutExample).toEqual([]);
  });
});
