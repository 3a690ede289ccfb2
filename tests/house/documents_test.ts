/** The documents speak of things that exist. */
import { describe, expect, it } from "vitest";
import { existsSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../../", import.meta.url));
const documents = ["README.md", "DEVELOPERS.md", "tests/bench/README.md"];
const text = (name: string) => readFileSync(root + name, "utf8");
const tasks = Object.keys(JSON.parse(text("deno.json")).tasks);

describe.each(documents)("%s", (name) => {
  it("names only tasks that exist", () => {
    const named = [...text(name).matchAll(/deno(?:@[\d.]+)? task ([\w:-]+)/g)].map((found) => found[1]);
    expect(named.length > 0 || name.startsWith("tests/")).toBe(true);
    expect([...new Set(named)].filter((task) => !tasks.includes(task))).toEqual([]);
  });

  it("links only to files that exist", () => {
    const links = [...text(name).matchAll(/\]\((?!https?:|#)([^)#\s]+)/g)].map((found) => found[1]);
    expect(links.filter((link) => !existsSync(join(root, dirname(name), link)))).toEqual([]);
  });

  it("names only files of ours that exist", () => {
    const named = [...text(name).matchAll(/`((?:lib|tests|notebooks|fixtures|demo-data|\.ci)\/[\w./-]*)`/g)];
    expect(named.map((found) => found[1]).filter((path) => !existsSync(root + path))).toEqual([]);
  });
});
