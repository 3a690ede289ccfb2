/**
 * Bundles the scripts of the workbench's page, `lib/workbench/built/`: the library for its worker, and the page itself.
 * Each begins with the digest of the sources it was made from.
 */
import { spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, relative } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../../", import.meta.url));

/** Scripts and where they begin. */
export const workbenchScripts: Readonly<Record<string, string>> = Object.freeze({
  "engine.js": "lib/workbench/engine.ts",
  "page.js": "lib/workbench/page/bench_page.ts",
});

function runDeno(flags: readonly string[]): string {
  const { status, stdout, stderr } = spawnSync("deno", flags, { cwd: root, encoding: "utf8", maxBuffer: 2 ** 26 });
  if (status !== 0) throw new Error(`buildWorkbench: deno ${flags[0]} must work, but ${stderr}`);
  return stdout;
}

/** Files that a script is made of, below the project's folder, sorted. */
function sourcesOf(entry: string): readonly string[] {
  const { modules }: { modules: readonly { readonly local?: string }[] } = JSON.parse(
    runDeno(["info", "--json", entry]),
  );
  return modules.flatMap(({ local }) => local === undefined ? [] : [relative(root, local)])
    .filter((path) => path.startsWith("lib")).sort();
}

/** SHA-256 of the names and texts of a script's sources. */
export function workbenchDigest(entry: string): string {
  const hash = createHash("sha256");
  for (const path of sourcesOf(entry)) hash.update(`${path}\n${readFileSync(join(root, path), "utf8")}\n`);
  return hash.digest("hex");
}

/** One script, for a page or its worker. */
export function buildScript(entry: string): string {
  const folder = mkdtempSync(join(tmpdir(), "workbench-"));
  const out = join(folder, "bundle.js");
  try {
    runDeno(["bundle", "--quiet", "--platform", "browser", "--format", "iife", "--minify", "--output", out, entry]);
    return `// sources ${workbenchDigest(entry)}\n${readFileSync(out, "utf8")}`;
  } finally {
    rmSync(folder, { recursive: true });
  }
}

if (import.meta.url.startsWith("file:") && process.argv[1] === fileURLToPath(import.meta.url)) {
  for (const [name, entry] of Object.entries(workbenchScripts)) {
    const text = buildScript(entry);
    writeFileSync(join(root, "lib/workbench/built", name), text);
    console.log(`${name}: ${text.length} bytes`);
  }
}
