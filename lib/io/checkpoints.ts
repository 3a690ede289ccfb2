/**
 * What has already been worked out for a night, so that a stopped run goes on where it was and a second opening finds
 * everything. Every answer is kept under the digest of its question; a changed frame, option or version asks another
 * question and is worked out anew. Answers of several runs and versions lie side by side in one output folder.
 */
import { Buffer } from "node:buffer";
import { existsSync, readdirSync, readFileSync } from "node:fs";
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
  /**
   * An answer that consists of files as well: `answer` is given the folder to write them to, which belongs to the
   * question alone. It is worked out again when one of the files has gone.
   */
  onceWithFiles<T>(
    stage: string,
    question: unknown,
    files: readonly string[],
    answer: (folder: string) => T,
  ): { readonly answer: T; readonly folder: string };
  /** The answer if it is there. */
  find<T>(stage: string, question: unknown): T | undefined;
  /** Keep an answer and give it back as a later run will find it. */
  keep<T>(stage: string, question: unknown, answer: T): T;
}

/** Names in a folder; none of one that is not there. */
function namesIn(out: string): readonly string[] {
  if (!existsSync(out)) return [];
  try {
    return readdirSync(out);
  } catch (error) {
    throw new RangeError(`${out}: must be a folder that can be read, but is none; name another folder with --out`, {
      cause: error,
    });
  }
}

/**
 * Refuse an output folder that holds other things and no answers.
 *
 * @throws {RangeError} if it does, or is no folder
 */
export function requireOwnFolder(out: string): void {
  if (!existsSync(join(out, checkpointFolder))) requireOwn(out, []);
}

/** Refuse an output folder in which anything lies that is not named in `ours`. */
function requireOwn(out: string, ours: readonly string[]): void {
  const others = namesIn(out).filter((name) => !name.startsWith(".") && !ours.includes(name));
  if (others.length === 0) return;
  throw new RangeError(
    `${out}: must be empty or hold a stopped run, but holds ${others.slice(0, 3).join(", ")}${
      others.length > 3 ? ` and ${others.length - 3} more` : ""
    }; name another folder with --out`,
  );
}

/**
 * The answers that an output folder keeps; nothing is written before the first is kept.
 *
 * @param out the output folder; made when it does not exist
 * @param version of whatever gives the answers: those of another version are not found
 * @throws {RangeError} if the folder holds other things and no answers
 */
export function openAnswers(out: string, version: string): Checkpoints {
  const folder = join(out, checkpointFolder);
  requireOwnFolder(out);
  const stem = (stage: string, question: unknown) =>
    join(folder, `${stage}-${digestOf({ version, question }).slice(0, 24)}`);
  const read = <T>(path: string): T | undefined =>
    existsSync(path) ? JSON.parse(readFileSync(path, "utf8"), fromStored) as T : undefined;
  const write = <T>(path: string, answer: T): T => {
    const text = JSON.stringify(toStored(answer));
    writeWhole(path, text);
    // a resumed run and an unbroken one go on from the same value, NaN and all
    return JSON.parse(text, fromStored) as T;
  };
  const find = <T>(stage: string, question: unknown) => read<T>(`${stem(stage, question)}.json`);
  const keep = <T>(stage: string, question: unknown, answer: T) => write(`${stem(stage, question)}.json`, answer);
  return {
    find,
    keep,
    once: (stage, question, answer) => find(stage, question) ?? keep(stage, question, answer()),
    onceWithFiles: <T>(
      stage: string,
      question: unknown,
      files: readonly string[],
      answer: (folder: string) => T,
    ) => {
      const own = stem(stage, question);
      const known = files.every((file) => existsSync(join(own, file))) ? read<T>(`${own}.json`) : undefined;
      return { answer: known ?? write(`${own}.json`, answer(own)), folder: own };
    },
  };
}

/**
 * Claim an output folder for the results of one run (picture, steps, report, record), or refuse it. Answers alone claim
 * nothing: they are welcome to any run.
 *
 * @param identity what the run is about: inputs and recipe; the folder of another run is refused
 * @throws {RangeError} if the folder holds other things, or the results of another run
 */
export function claimRun(out: string, identity: unknown): void {
  const marker = join(out, checkpointFolder, "run.json");
  const mine = digestOf(identity);
  if (!existsSync(marker)) {
    requireOwn(out, [checkpointFolder]);
    writeWhole(marker, canonicalJson({ identity: mine }));
    return;
  }
  const found: { identity?: string } = JSON.parse(readFileSync(marker, "utf8"));
  if (found.identity !== mine) {
    throw new RangeError(
      `${out}: holds the results of another night, recipe or version; name another folder with --out, or empty this one`,
    );
  }
}
