/** Digests of files, on all processors: what a record names its inputs by, and how a duplicate is known. */
import { closeSync, existsSync, openSync, readFileSync, readSync, statfsSync } from "node:fs";
import { dirname } from "node:path";
import { host } from "../core/host.ts";
import { type Progress, silent } from "../core/progress.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";

/** SHA-256 of a file, hexadecimal, read in pieces. */
export function digestFile(path: string): string {
  const hash = host().sha256();
  const piece = new Uint8Array(1 << 20);
  const file = openSync(path, "r");
  try {
    for (;;) {
      const got = readSync(file, piece, 0, piece.length, null);
      if (got === 0) break;
      hash.update(piece.subarray(0, got));
    }
  } finally {
    closeSync(file);
  }
  return hash.hex();
}

const task: PoolTask<string, string> = { module: import.meta.url, name: "digestFile", run: digestFile };

/** Digests of files in their order. */
export const digestFiles = (paths: readonly string[], progress: Progress = silent): string[] =>
  parallelMap(task, paths, { label: "reading files", progress });

/** Whether a file is there. */
export const existsFile = (path: string): boolean => existsSync(path);

/** A whole text file. */
export const readText = (path: string): string => readFileSync(path, "utf8");

/** A whole file. */
export const readBytes = (path: string): Uint8Array => new Uint8Array(readFileSync(path));

/** Bytes that may still be written to the disk of a folder, which need not exist yet. */
export function freeBytes(folder: string): number {
  if (!existsSync(folder)) return freeBytes(dirname(folder));
  const { bavail, bsize } = statfsSync(folder);
  return Number(bavail) * Number(bsize);
}
