/** Covers launch.ts and main.ts. */
import { afterAll, describe, expect, it } from "vitest";
import { spawnSync } from "node:child_process";
import {
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  realpathSync,
  rmSync,
  symlinkSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { parseCommand, UsageError, usageText } from "../../lib/app/arguments.ts";
import { permissionFlags, permissionFlagsByFile } from "../../lib/app/launch.ts";

const folder = realpathSync(mkdtempSync(join(tmpdir(), "faintlight-words-")));
const root = fileURLToPath(new URL("../../", import.meta.url));
afterAll(() => rmSync(folder, { recursive: true }));

describe("the command line's words", () => {
  it("are understood", () => {
    const command = parseCommand(["night", folder, "--out", "/tmp/results", "--workers", "2"]);
    expect([command.name, command.source, command.out, command.workers]).toEqual(["night", folder, "/tmp/results", 2]);
  });

  it("start a watch, which writes nothing", () => {
    const command = parseCommand(["night", folder, "--watch", "--until-quiet", "20"]);
    expect([command.watch, command.untilQuietMinutes, command.source]).toEqual([true, 20, folder]);
    expect(permissionFlags(command).some((flag) => flag.startsWith("--allow-write"))).toBe(false);
  });

  it.each([
    { words: ["night", "--watch"], message: "the folder to watch is missing" },
    { words: ["night", folder, "--watch", "--until-quiet", "soon"], message: "must be a number of minutes above 0" },
    { words: ["night", folder, "--out", "/tmp/x", "--until-quiet", "5"], message: "belongs to --watch" },
    { words: ["demo", "--watch"], message: "--watch belongs to night" },
    { words: ["night"], message: "say where results go with --out" },
    { words: ["night", "--out", "/tmp/x"], message: "what to work on is missing" },
    { words: ["night", "/no/such/folder", "--out", "/tmp/x"], message: "does not exist" },
    { words: ["night", folder, "--out", join(folder, "results")], message: "must not lie inside the night's folder" },
    {
      words: ["night", folder, "--out", "/tmp/x", "--workers", "many"],
      message: "must be a whole number from 0 to 64",
    },
    { words: ["night", folder, "--out", "/tmp/x", "--fast"], message: "--fast" },
    { words: ["polish"], message: 'unknown command "polish"' },
    { words: ["rerun", folder, "--out", "/tmp/x"], message: "--from FOLDER" },
  ])("$words are refused with the remedy", ({ words, message }) => {
    expect(() => parseCommand(words)).toThrow(UsageError);
    expect(() => parseCommand(words)).toThrow(message);
  });

  it("ask for help in general and of a command", () => {
    expect(parseCommand([]).name).toBe("help");
    expect(parseCommand(["night", "--help"]).topic).toBe("night");
    expect(usageText("night")).toContain("Exit codes");
  });
});

describe("the child process", () => {
  it("may read the project and the night, write the output, ask for free disk and the machine's name, and nothing else", () => {
    const flags = permissionFlags(parseCommand(["night", folder, "--out", "/tmp/results"]));
    expect(flags.filter((flag) => flag.startsWith("--allow-")).map((flag) => flag.split("=")[0])).toEqual([
      "--allow-read",
      "--allow-write",
      "--allow-sys",
    ]);
    expect(flags).toContain("--allow-sys=statfs,hostname");
    expect(flags.find((flag) => flag.startsWith("--allow-write"))).toBe("--allow-write=/tmp/results");
    expect(flags).toContain("--no-prompt");
    expect(flags).toContain("--deny-import");
  });
});

describe("the launcher", () => {
  const launch = (...words: string[]) =>
    spawnSync(process.execPath, [
      "run",
      "--allow-run",
      "--allow-read",
      "--allow-env",
      "--allow-write",
      join(root, "lib/app/launch.ts"),
      ...words,
    ], { cwd: root, encoding: "utf8", env: { ...process.env, NO_COLOR: "1" } });

  it("ends with 2 and a sentence when it is not understood", () => {
    const done = launch("night", "/no/such/folder", "--out", join(folder, "out"));
    expect(done.status).toBe(2);
    expect(done.stderr).toContain("does not exist; check the spelling");
  });

  it("gives rights to folders with commas in their names, and to nothing beside them", () => {
    const night = join(folder, "M 31, M 32");
    mkdirSync(night);
    writeFileSync(join(folder, "beside.fits"), "");
    symlinkSync(join(folder, "beside.fits"), join(night, "a.fits"));
    const done = launch("night", night, "--out", join(folder, "results, first"));
    expect([done.status, done.stderr]).toEqual([3, ""]);
    expect(done.stdout).toContain("a.fits: is a link that leads out of the night's folder");
    expect(readdirSync(join(folder, "results, first"))).toContain("report.html");
    const flags = permissionFlagsByFile(parseCommand(["night", night, "--out", "/tmp/a,b"]), folder);
    const { permissions } = JSON.parse(readFileSync(join(folder, "deno.json"), "utf8"));
    expect(flags).toEqual(["--no-prompt", `--config=${join(folder, "deno.json")}`, "--permission-set=job"]);
    expect(permissions.job).toMatchObject({ write: ["/tmp/a,b"], sys: ["statfs", "hostname"], import: false });
    expect(Object.keys(permissions.job)).toEqual(["read", "write", "sys", "import"]);
  });

  it("refuses an output folder that is a link into the night's folder", () => {
    const night = join(folder, "linked");
    mkdirSync(join(night, "inner"), { recursive: true });
    symlinkSync(join(night, "inner"), join(folder, "out-link"));
    const done = launch("night", night, "--out", join(folder, "out-link"));
    expect(done.status).toBe(2);
    expect(done.stderr).toContain("must not lie inside the night's folder, but leads to");
  });

  it("ends with 3 when a folder holds no usable frame, and with 0 for help", () => {
    const empty = realpathSync(mkdtempSync(join(tmpdir(), "faintlight-empty-")));
    const out = realpathSync(mkdtempSync(join(tmpdir(), "faintlight-out-")));
    try {
      expect(launch("night", empty, "--out", out).status).toBe(3);
      expect(launch("night", "--help").status).toBe(0);
    } finally {
      rmSync(empty, { recursive: true });
      rmSync(out, { recursive: true });
    }
  });
});
