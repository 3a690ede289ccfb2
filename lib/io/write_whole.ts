/** Files appear whole or not at all. */
import {
  closeSync,
  copyFileSync,
  existsSync,
  fsyncSync,
  linkSync,
  mkdirSync,
  openSync,
  renameSync,
  rmSync,
  statSync,
  writeSync,
} from "node:fs";
import { dirname } from "node:path";

/** What {@linkcode writeWhole} takes: text (UTF-8), bytes, or pieces of bytes made while they are written. */
export type WholeContent = string | Uint8Array | Iterable<Uint8Array>;

function writeAll(descriptor: number, bytes: Uint8Array): void {
  for (let at = 0; at < bytes.length;) at += writeSync(descriptor, bytes, at, bytes.length - at);
}

/**
 * Write a file so that no reader ever sees half of it: the bytes go to a hidden file beside it, which is renamed at
 * the end. Folders on the way are made. A run that is killed leaves the old file (or none) and perhaps the hidden one,
 * which the next write replaces.
 *
 * Cost: one write of the content and one flush to the disk.
 *
 * @param path where the file goes
 * @param content text, bytes, or pieces of bytes
 * @throws whatever the system says when the folder cannot be written; the hidden file is removed then
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { writeWhole } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "whole-"));
 * writeWhole(join(folder, "sub", "note.txt"), "clear sky");
 * assert.equal(readFileSync(join(folder, "sub", "note.txt"), "utf8"), "clear sky");
 * assert.deepEqual(readdirSync(join(folder, "sub")), ["note.txt"]);
 * rmSync(folder, { recursive: true });
 * ```
 */
export function writeWhole(path: string, content: WholeContent): void {
  mkdirSync(dirname(path), { recursive: true });
  const beside = hiddenBeside(path);
  const descriptor = openSync(beside, "w");
  let open = true;
  try {
    if (typeof content === "string") writeAll(descriptor, new TextEncoder().encode(content));
    else if (content instanceof Uint8Array) writeAll(descriptor, content);
    else for (const piece of content) writeAll(descriptor, piece);
    fsyncSync(descriptor);
    closeSync(descriptor);
    open = false;
    renameSync(beside, path);
  } catch (error) {
    if (open) closeSync(descriptor);
    rmSync(beside, { force: true });
    throw error;
  }
}

/**
 * Let a file appear at a second place, whole: a second name for the same bytes where the file system has such, else a
 * copy. Neither is ever written to in place, so the one cannot change the other.
 *
 * @param from a file that is there
 * @param path where it appears; what lies there is replaced
 */
export function placeWhole(from: string, path: string): void {
  mkdirSync(dirname(path), { recursive: true });
  if (existsSync(path)) {
    const there = statSync(path);
    const here = statSync(from);
    if (there.ino === here.ino && there.dev === here.dev) return;
  }
  const beside = hiddenBeside(path);
  rmSync(beside, { force: true });
  try {
    linkSync(from, beside);
  } catch {
    copyFileSync(from, beside);
  }
  renameSync(beside, path);
}

/**
 * The hidden file that stands in for `path` while it is written; the same for every run, so that a killed one leaves
 * one.
 */
function hiddenBeside(path: string): string {
  const cut = Math.max(path.lastIndexOf("/"), path.lastIndexOf("\\")) + 1;
  return `${path.slice(0, cut)}.${path.slice(cut)}.part`;
}
