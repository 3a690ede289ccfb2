/** The steps in a page give what they give under Deno. Covers core/host.ts, page.ts and deno.ts. */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { execFileSync, spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { denoHost } from "../../lib/host/deno.ts";
import { pageHost } from "../../lib/host/page.ts";
import { closePool } from "../../lib/parallel/pool.ts";
import { runSteps, type StepsAnswer } from "./page_steps.ts";

const deno = "Deno" in globalThis;
const root = fileURLToPath(new URL("../../", import.meta.url));
const entry = fileURLToPath(new URL("./page_steps.ts", import.meta.url));

interface ModuleGraph {
  readonly modules: readonly {
    readonly specifier: string;
    readonly dependencies?: readonly { readonly code?: { readonly specifier?: string } }[];
  }[];
}

/** The steps as one file for a browser; null where the bundler, which comes from npm, cannot be had. */
function bundleSteps(): string | null {
  const bundle = join(folder, "bundle.js");
  const flags = ["bundle", "--quiet", "--platform", "browser", "--format", "esm", "--output", bundle];
  return spawnSync("deno", [...flags, entry], { cwd: root, timeout: 120_000 }).status === 0 ? bundle : null;
}

const folder = mkdtempSync(join(tmpdir(), "page-"));
const bundle = deno ? bundleSteps() : null;
afterAll(() => rmSync(folder, { recursive: true }));

describe("the digest of a page", () => {
  it("is that of Deno, in one piece or several, of bytes and of text", () => {
    const page = pageHost(null);
    for (const length of [0, 1, 55, 56, 63, 64, 65, 1000, 100_000]) {
      const bytes = Uint8Array.from({ length }, (_, k) => 31 * k + 7);
      const expected = createHash("sha256").update(bytes).update("Hα, 3 nm").digest("hex");
      for (const host of [denoHost, page]) {
        const digest = host.sha256();
        for (let at = 0; at < length; at += 97) digest.update(bytes.subarray(at, at + 97));
        expect(digest.update("Hα, 3 nm").hex()).toBe(expected);
      }
    }
  });

  it("has one thread", () => {
    expect(pageHost(null).canStartWorkers()).toBe(false);
    expect(pageHost(null).processors()).toBe(1);
  });
});

describe.skipIf(!deno)("the steps in a page", () => {
  let expected: StepsAnswer;
  beforeAll(() => {
    expected = runSteps();
  });
  afterAll(closePool);

  /** Run a module without rights and without what a page does not have. */
  function runWithout(module: string): StepsAnswer {
    const kernels = readFileSync(join(root, "lib/kernels/kernels.wasm")).toString("base64");
    const program = join(folder, "program.js");
    writeFileSync(
      program,
      `const say = console.log;
       for (const name of ["Deno", "process", "Buffer", "SharedArrayBuffer"]) delete globalThis[name];
       const { runInPage } = await import(${JSON.stringify(module)});
       const kernels = Uint8Array.from(atob("${kernels}"), (each) => each.charCodeAt(0));
       say(JSON.stringify(runInPage(kernels)));`,
    );
    const flags = [
      "run",
      "--quiet",
      "--no-prompt",
      "--config",
      join(root, "deno.json"),
      `--allow-read=${folder},${root}`,
    ];
    return JSON.parse(execFileSync("deno", [...flags, program], { encoding: "utf8", timeout: 60_000 }));
  }

  it("need nothing of Node, and no package but the digest", () => {
    const graph: ModuleGraph = JSON.parse(execFileSync("deno", ["info", "--json", entry], {
      cwd: root,
      encoding: "utf8",
    }));
    const named = graph.modules.flatMap(({ dependencies = [] }) =>
      dependencies.map(({ code }) => code?.specifier ?? "")
    );
    expect(graph.modules.length).toBeGreaterThan(50);
    expect([...new Set(named.filter((name) => name !== "" && !name.startsWith("file:")))])
      .toEqual([expect.stringMatching(/^npm:\/?@noble\/hashes@/)]);
  });

  it("give the same samples and the same names of work", () => {
    const got = runWithout(new URL("./page_steps.ts", import.meta.url).href);
    expect(got).toEqual({ ...expected, workers: 0 });
    expect(got.kernels).toBe("wasm");
  });

  it.skipIf(bundle === null)("do so as one file for a browser, where the bundler can be had", () => {
    expect(readFileSync(bundle as string, "utf8")).not.toMatch(/(from|require|import)\s*\(?\s*["']node:/);
    expect(runWithout(`file://${bundle}`)).toEqual({ ...expected, workers: 0 });
  });
});
