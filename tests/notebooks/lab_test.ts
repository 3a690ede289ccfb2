/**
 * The workshop's starter on machines that lack something: it says what to install, and writes nothing. Covers
 * app/lab.ts.
 */
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { spawnSync } from "node:child_process";
import {
  chmodSync,
  copyFileSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  rmSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { delimiter, join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";

const app = fileURLToPath(new URL("../../lib/app/", import.meta.url));
let root = "";
beforeEach(() => {
  // a project of its own, so that the environment of this one is not found
  root = mkdtempSync(join(tmpdir(), "faintlight-lab-"));
  mkdirSync(join(root, "lib", "app"), { recursive: true });
  for (const name of ["lab.ts", "lab_requirements.txt"]) copyFileSync(app + name, join(root, "lib", "app", name));
});
afterEach(() => rmSync(root, { recursive: true }));

/** Start the workshop with programs from these folders only. */
function start(...folders: readonly string[]) {
  const done = spawnSync(process.execPath, ["run", "--allow-all", join(root, "lib", "app", "lab.ts")], {
    encoding: "utf8",
    env: { ...process.env, PATH: folders.join(delimiter), NO_COLOR: "1" },
  });
  return { status: done.status, words: done.stderr };
}

describe("deno task lab", () => {
  it("says what to install when there is no Python", () => {
    const { status, words } = start(join(root, "empty"));
    expect(status).toBe(1);
    expect(words).toContain("Python 3.10 or newer was not found; install it (Debian, Ubuntu: sudo apt install python3");
    expect(readdirSync(root)).toEqual(["lib"]);
  });

  it.skipIf(process.platform === "win32")("says what to install when Python has no venv module", () => {
    const bin = join(root, "bin");
    mkdirSync(bin);
    writeFileSync(join(bin, "python3"), '#!/bin/sh\ncase "$2" in *version_info*) echo True;; *) exit 1;; esac\n');
    chmodSync(join(bin, "python3"), 0o755);
    const { status, words } = start(bin);
    expect(status).toBe(1);
    expect(words).toContain(
      "python3 lacks its venv module; install it (Debian, Ubuntu: sudo apt install python3-venv)",
    );
    expect(existsSync(join(root, ".venv"))).toBe(false);
  });
});
