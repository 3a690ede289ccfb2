/**

 * Runs our test files unchanged under real vitest, on Node, in a tool folder that git ignores.
 * There are no workers and no Deno there, so this also shows that the library works without either.
 */
import { existsSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { spawnSync } from "node:child_process";
import process from "node:process";
import { fileURLToPath } from "node:url";

const VITEST = "4.1.12"; // the newest that Node 20 runs
const root = fileURLToPath(new URL("../../", import.meta.url)).replace(/\/$/, "");
const tools = `${root}/.tools/vitest`;
const imports: Record<string, string> = JSON.parse(readFileSync(`${root}/deno.json`, "utf8")).imports;

const packages: Record<string, string> = {};
for (const target of Object.values(imports)) {
  const found = /^npm:\/?((?:@[^/@]+\/)?[^/@]+)@([^/]+)/.exec(target);
  if (found !== null) packages[found[1]] = found[2];
}
// these two belong to the stand-in for vitest, which real vitest replaces
delete packages["@vitest/expect"];
delete packages["@vitest/spy"];
packages.vitest = VITEST;

mkdirSync(tools, { recursive: true });
const manifest = JSON.stringify({ private: true, type: "module", dependencies: packages }, null, 2);
const manifestPath = `${tools}/package.json`;
const current = existsSync(manifestPath) && existsSync(`${tools}/node_modules/vitest`)
  ? readFileSync(manifestPath, "utf8")
  : "";
if (current !== manifest) {
  writeFileSync(manifestPath, manifest);
  const installed = spawnSync("npm", ["install", "--no-audit", "--no-fund", "--loglevel=error"], {
    cwd: tools,
    stdio: "inherit",
  });
  if (installed.status !== 0) throw new Error("npm install of the vitest tool folder failed; see its message above");
}

const alias = Object.keys(packages).filter((name) => name !== "vitest")
  .map((name) => ({ find: `^${name}(?=/|$)`, replacement: `${tools}/node_modules/${name}` }));
writeFileSync(
  `${tools}/vitest.config.mjs`,
  `import { defineConfig } from "vitest/config";
const alias = ${JSON.stringify(alias)}.map(({ find, replacement }) => ({ find: new RegExp(find), replacement }));
alias.push({ find: /^faintlight$/, replacement: ${JSON.stringify(`${root}/lib/mod.ts`)} });
alias.push({ find: /^faintlight\\/(.+)$/, replacement: ${JSON.stringify(`${root}/lib/doors/$1.ts`)} });
export default defineConfig({
  root: ${JSON.stringify(root)},
  cacheDir: ${JSON.stringify(`${tools}/cache`)},
  resolve: { alias },
  test: {
    include: ["tests/**/*_test.ts"],
    exclude: ["tests/house/**", "tests/app/**", "tests/notebooks/**"],
    setupFiles: [${JSON.stringify(`${root}/lib/host/deno.ts`)}],
    testTimeout: 120000,
    hookTimeout: 120000,
    pool: "threads",
    maxWorkers: 2,
    server: { deps: { inline: [/fast-check/] } },
  },
});
`,
);
const run = spawnSync(
  "node",
  [
    `${tools}/node_modules/vitest/vitest.mjs`,
    "run",
    "--config",
    `${tools}/vitest.config.mjs`,
    ...process.argv.slice(2),
  ],
  // the rasteriser finds its WebAssembly file as Node finds packages: from here, since there are none beside the
  // sources
  { cwd: root, stdio: "inherit", env: { ...process.env, NODE_PATH: `${tools}/node_modules` } },
);
process.exitCode = run.status ?? 1;
