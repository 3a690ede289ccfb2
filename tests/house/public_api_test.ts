/**
 * The public door: what it lets out is a decision, so the list is written down; everything on it is explained, and
 * every function shows an example that runs. `deno task api` writes the list anew.
 */
import { describe, expect, it } from "vitest";
import { spawnSync } from "node:child_process";
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import * as door from "../../lib/mod.ts";

const root = fileURLToPath(new URL("../../", import.meta.url));
const names = Object.keys(door).sort();

interface Declaration {
  readonly kind: string;
  readonly jsDoc?: { readonly doc?: string; readonly tags?: readonly { readonly kind: string }[] };
}
interface Symbol {
  readonly name: string;
  readonly declarations: readonly Declaration[];
}

describe("the public door", () => {
  it("lets out what the list says", () => {
    const listed = readFileSync(`${root}tests/house/public_api.txt`, "utf8").trim().split("\n");
    expect(names).toEqual(listed);
  });

  it("explains everything and shows an example of every function", () => {
    const made = spawnSync("deno", ["doc", "--json", "lib/mod.ts"], {
      cwd: root,
      encoding: "utf8",
      maxBuffer: 1 << 28,
    });
    expect(made.status).toBe(0);
    const parsed = JSON.parse(made.stdout);
    const nodes: Record<string, { symbols: readonly Symbol[] }> = parsed.nodes;
    const symbols = Object.values(nodes).flatMap((node) => node.symbols);
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
