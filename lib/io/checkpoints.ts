/**
 * What a run has already done, so that a stopped run goes on where it was. Every answer is kept under the digest of its
 * question; a changed frame, option or version asks another question and is worked out anew.
 */
import { Buffer } from "node:buffer";
import { existsSync, mkdirSync, readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { writeWhole } from "./write_whole.ts";
import { sha256Hex } from "../core/host.ts";
import { allocateShared } from "../core/memory.ts";
import { canonicalJson } from "../core/options.ts";

/** Folder inside the output folder that keeps the answers. */
export const checkpointFolder = "resume";

/** SHA-256 of a value's canonical JSON, hexadecimal. */
export const digestOf = (value: unknown): string => sha256Hex(canonicalJson(value));

/** JSON has no NaN, no infinity and no bytes; measurements have all three. */
function toStored(value: unknown): unknown {
  if (typeof value === "number") return Number.isFinite(value) ? value : { $number: String(value) };
  if (value instanceof Uint8Array) return { $bytes: Buffer.from(value).toString("base64") };
  if (ArrayBuffer.isView(value)) return { $floats: Array.from(value as Float32Array, toStored) };
  if (Array.isArray(value)) return value.map(toStored);
  if (typeof value !== "object" || value === null) return value;
  return Object.fromEntries(Object.entries(value).map(([key, each]) => [key, toStored(each)]));
}

function fromStored(_key: string, value: unknown): unknown {
  if (typeof value !== "object" || value === null) return value;
  const { $number, $bytes, $floats } = value as { $number?: string; $bytes?: string; $floats?: number[] };
  if ($number !== undefined) return Number($number);
  if ($bytes !== undefined) return new Uint8Array(Buffer.from($bytes, "base64"));
  if ($floats === undefined) return value;
  const floats = new Float32Array(allocateShared($floats.length * 4, true), 0, $floats.length);
  floats.set($floats);
  return floats;
}

/** Where finished pieces of work are kept. */
export interface Checkpoints {
  /** The answer to a question, worked out if it is not there yet. */
  once<T>(stage: string, question: unknown, answer: () => T): T;
  /** The answer if it is there. */
  find<T>(stage: string, question: unknown): T | undefined;
  /** Keep an answer and give it back as a later run will find it. */
  keep<T>(stage: string, question: unknown, answer: T): T;
}

/**
 * Open an output folder, or refuse it.
 *
 * @param out the output folder; made when it does not exist
 * @param identity what the run is about: recipe and options; a folder of another run is refused
 * @throws {RangeError} if the folder holds other things, or the results of another run
 */
export function openCheckpoints(out: string, identity: unknown): Checkpoints {
  const folder = join(out, checkpointFolder);
  const marker = join(folder, "run.json");
  const mine = digestOf(identity);
  if (existsSync(marker)) {
    const found: { identity?: string } = JSON.parse(readFileSync(marker, "utf8"));
    if (found.identity !== mine) {
      throw new RangeError(
        `${out}: holds the results of another night, recipe or version; name another folder with --out, or empty this one`,
      );
    }
  } else {
    mkdirSync(out, { recursive: true });
    const others = readdirSync(out).filter((name) => !name.startsWith("."));
    if (others.length > 0) {
      throw new RangeError(
        `${out}: must be empty or hold a stopped run, but holds ${others.slice(0, 3).join(", ")}${
          others.length > 3 ? ` and ${others.length - 3} more` : ""
        }; name another folder with --out`,
      );
    }
    mkdirSync(folder, { recursive: true });
    writeWhole(marker, canonicalJson({ identity: mine }));
  }
  const pathOf = (stage: string, question: unknown) => join(folder, `${stage}-${digestOf(question).slice(0, 24)}.json`);
  const find = <T>(stage: string, question: unknown): T | undefined => {
    const path = pathOf(stage, question);
    return existsSync(path) ? JSON.parse(readFileSync(path, "utf8"), fromStored) as T : undefined;
  };
  const keep = <T>(stage: string, question: unknown, answer: T): T => {
    const text = JSON.stringify(toStored(answer));
    writeWhole(pathOf(stage, question), text);
    // a resumed run and an unbroken one go on from the same value, NaN and all
    return JSON.parse(text, fromStored) as T;
  };
  const once = <T>(stage: string, question: unknown, answer: () => T): T => {
    const known = find<T>(stage, question);
    return known !== undefined ? known : keep(stage, question, answer());
  };
  return { once, find, keep };
}
