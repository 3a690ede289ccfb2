import { afterEach, describe, expect, it } from "vitest";
import { spawn } from "node:child_process";
import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  symlinkSync,
  utimesSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { fileURLToPath } from "node:url";
import { type Host, host, setHost } from "../../lib/core/host.ts";
import { denoHost } from "../../lib/host/deno.ts";
import { cannotWrite, inLockedFolder, silentSeconds } from "../../lib/io/folder_lock.ts";
import { inFolder } from "./fixtures.ts";

const isDeno = "Deno" in globalThis;
const note = (out: string) => join(out, "resume", "holder.json");

/** A note that a run has left. */
function leaveNote(out: string, machine: string, ageSeconds = 0): void {
  mkdirSync(join(out, "resume"), { recursive: true });
  writeFileSync(note(out), JSON.stringify({ process: 4321, machine, since: Date.UTC(2026, 9, 3, 22, 5) }));
  const at = Date.now() / 1000 - ageSeconds;
  utimesSync(note(out), at, at);
}

/** Where the system knows no locks, and says this of process 4321. */
const withoutLocks = (answers: Partial<Host>): void =>
  setHost({ ...denoHost, lockFile: () => "unknown", hostName: () => "tower", startedAt: () => 0, ...answers });

afterEach(() => setHost(denoHost));

describe("an output folder", () => {
  it("is worked in by one run at a time, which the second names; afterwards it is free", () =>
    inFolder((out) => {
      inLockedFolder(out, () => {
        const holder = JSON.parse(readFileSync(note(out), "utf8"));
        expect(holder.process).toBe(process.pid);
        expect(() => inLockedFolder(out, () => {})).toThrow(
          new RegExp(
            `in use by another run \\(process ${process.pid} on .*, since 20.* UTC\\).*another folder with --out`,
          ),
        );
      });
      expect(existsSync(note(out))).toBe(false);
      expect(inLockedFolder(out, () => 7)).toBe(7);
    }));

  it("is free after a run that failed", () =>
    inFolder((out) => {
      expect(() => inLockedFolder(out, () => expect.fail("cloud"))).toThrow("cloud");
      expect(inLockedFolder(out, () => 7)).toBe(7);
    }));

  it.skipIf(!isDeno)("is held by another process while it lives, and not when it was killed", async () => {
    const lock = fileURLToPath(new URL("../../lib/io/folder_lock.ts", import.meta.url));
    const deno = fileURLToPath(new URL("../../lib/host/deno.ts", import.meta.url));
    await inFolderLater(async (out) => {
      const script = join(out, "hold.ts");
      const held = join(out, "held");
      const wait = "Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 60000)";
      writeFileSync(
        script,
        `import ${JSON.stringify(deno)};\nimport { inLockedFolder } from ${JSON.stringify(lock)};\n` +
          `inLockedFolder(${JSON.stringify(held)}, () => { console.log("held"); ${wait}; });\n`,
      );
      const config = fileURLToPath(new URL("../../deno.json", import.meta.url));
      const child = spawn(process.execPath, ["run", "-A", "--no-check", "--config", config, script]);
      await new Promise((resolve) => child.stdout.once("data", resolve));
      expect(() => inLockedFolder(held, () => {})).toThrow(`in use by another run (process ${child.pid}`);
      const ended = new Promise((resolve) => child.once("close", resolve));
      child.kill("SIGKILL");
      await ended;
      expect(existsSync(note(held))).toBe(true);
      expect(inLockedFolder(held, () => 7)).toBe(7);
    });
  });

  it("is not held by a process that is gone, or of before the machine's last start", () =>
    inFolder((out) => {
      leaveNote(out, "tower");
      withoutLocks({ isRunning: () => true });
      expect(() => inLockedFolder(out, () => {})).toThrow("process 4321 on tower, since 2026-10-03 22:05 UTC");
      withoutLocks({ isRunning: () => true, startedAt: () => Date.UTC(2026, 9, 4) });
      expect(inLockedFolder(out, () => 7)).toBe(7);
      leaveNote(out, "tower");
      withoutLocks({ isRunning: () => false });
      expect(inLockedFolder(out, () => 7)).toBe(7);
    }));

  it("is held by another machine's run while its last sign of life is young", () =>
    inFolder((out) => {
      leaveNote(out, "mountain");
      expect(() => inLockedFolder(out, () => {})).toThrow(/process 4321 on mountain.*15 minutes after its last sign/);
      leaveNote(out, "mountain", silentSeconds + 5);
      expect(inLockedFolder(out, () => 7)).toBe(7);
    }));

  it("is judged by signs of life where nothing else tells", () =>
    inFolder((out) => {
      leaveNote(out, "tower");
      withoutLocks({ isRunning: () => null, startedAt: () => null });
      expect(() => inLockedFolder(out, () => {})).toThrow("process 4321");
      leaveNote(out, "tower", silentSeconds + 5);
      expect(inLockedFolder(out, () => 7)).toBe(7);
    }));

  it("is not held by a note that was cut", () =>
    inFolder((out) => {
      leaveNote(out, "mountain");
      writeFileSync(note(out), '{"process":43');
      expect(inLockedFolder(out, () => 7)).toBe(7);
    }));

  it("may be reached through a link, and hold a comma, spaces and letters of any script in its name", () =>
    inFolder((base) => {
      const out = join(base, "M 31, Nächte — 夜");
      mkdirSync(out);
      symlinkSync(out, join(base, "link"));
      inLockedFolder(join(base, "link"), () => {
        expect(() => inLockedFolder(out, () => {})).toThrow("is in use by another run");
      });
    }));

  it.each(["steps", ".picture.png.part"])(
    "is refused while %s in it is a link that leads out of it",
    (name) =>
      inFolder((base) => {
        const out = join(base, "out");
        mkdirSync(out);
        writeFileSync(join(base, "mine"), "mine");
        symlinkSync(name === "steps" ? base : join(base, "mine"), join(out, name));
        expect(() => inLockedFolder(out, () => {})).toThrow(
          /must lie in the output folder, but is a link that leads out of it; take the link away/,
        );
        rmSync(join(out, name));
        symlinkSync(join(out, "resume"), join(out, name));
        expect(inLockedFolder(out, () => 7)).toBe(7);
      }),
  );

  it("is refused in a sentence when it is a file, or a link to nothing", () =>
    inFolder((base) => {
      writeFileSync(join(base, "file"), "mine");
      symlinkSync(join(base, "nothing", "here"), join(base, "dangling"));
      for (const name of ["file", "dangling"]) {
        expect(() => inLockedFolder(join(base, name), () => {})).toThrow(
          /must be a folder that can be written to, but/,
        );
      }
      expect(readFileSync(join(base, "file"), "utf8")).toBe("mine");
      expect(readdirSync(base).sort()).toEqual(["dangling", "file"]);
    }));

  it("says what the system refused and what helps", () => {
    const refused = (code: string) => cannotWrite("results", Object.assign(new Error(code), { code })).message;
    expect(refused("EROFS")).toContain("lies on a disk that can only be read; name another folder with --out");
    expect(refused("ENOSPC")).toContain("its disk is full");
    expect(refused("EACCES")).toContain("you may not write there");
    expect(host()).toBe(denoHost);
  });
});

async function inFolderLater(work: (folder: string) => Promise<void>): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), "faintlight-lock-"));
  try {
    await work(folder);
  } finally {
    rmSync(folder, { recursive: true });
  }
}
