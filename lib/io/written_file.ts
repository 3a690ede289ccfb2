/** Files as they were written: what tells that one was cut, changed or lost since. */
import { readFileSync, statSync } from "node:fs";
import { sha256Hex } from "../core/host.ts";
import { digestFile } from "./digest_files.ts";
import { writeWhole } from "./write_whole.ts";

/** A file as it was when it was written. */
export interface WrittenFile {
  /** SHA-256 of its bytes. */
  readonly sha256: string;
  /** Size and times: a file that has them still need not be read. */
  readonly stamp: string;
}

/** Size, time of writing, and time of the last change of any kind, which nobody can set back; null without a file. */
function stampOf(path: string): string | null {
  try {
    const { size, mtimeMs, ctimeMs } = statSync(path);
    return `${size} ${mtimeMs} ${ctimeMs}`;
  } catch {
    return null;
  }
}

/** A file as it is now. */
export const writtenFile = (path: string): WrittenFile => ({ sha256: digestFile(path), stamp: stampOf(path) ?? "" });

/** Whether a file is as it was written. */
export function isAsWritten(path: string, { sha256, stamp }: WrittenFile): boolean {
  const now = stampOf(path);
  if (now === null) return false;
  return now === stamp || digestFile(path) === sha256;
}

/** Write a text with its digest in front. */
export const writeSealed = (path: string, text: string): void => writeWhole(path, `${sha256Hex(text)}\n${text}`);

/** What {@linkcode writeSealed} wrote; `"missing"` without a file, `"damaged"` when it is not what was written. */
export function readSealed(path: string): { readonly text: string } | "missing" | "damaged" {
  let whole: string;
  try {
    whole = readFileSync(path, "utf8");
  } catch (error) {
    return (error as { readonly code?: unknown }).code === "ENOENT" ? "missing" : "damaged";
  }
  const text = whole.slice(65);
  return whole[64] === "\n" && sha256Hex(text) === whole.slice(0, 64) ? { text } : "damaged";
}
