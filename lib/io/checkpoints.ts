/**
 * What has already been worked out for a night, so that a stopped run goes on where it was and a second opening finds
 * everything. Every answer is kept under the digest of its question; a changed frame, option or version asks another
 * question and is worked out anew. Answers of several runs and versions lie side by side in one output folder.
 */
import { namesInWords } from "../core/names_in_words.ts";
import { Buffer } from "node:buffer";
import { existsSync, readdirSync, rmSync } from "node:fs";
import { basename, join } from "node:path";
import { isAsWritten, readSealed, writeSealed, type WrittenFile, writtenFile } from "./written_file.ts";
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
   * question alone. It is worked out again when one of the files is not as it was written.
   */
  onceWithFiles<T>(
    stage: string,
    question: unknown,
    files: readonly string[],
    answer: (folder: string) => T,
  ): { readonly answer: T; readonly folder: string };
  /** The answer if it is there, and as it was written. */
  find<T>(stage: string, question: unknown): T | undefined;
  /** Keep an answer and give it back as a later run will find it. */
  keep<T>(stage: string, question: unknown, answer: T): T;
  /** Forget the answers of this run to questions in which a file of this digest stands: it was not what it seemed. */
  forget(digest: string): void;
}

/** What is kept of an answer. */
interface KeptAnswer<T> {
  readonly answer: T;
  /** Its files, by name. */
  readonly files: Readonly<Record<string, WrittenFile>>;
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
    `${out}: must be empty or hold a stopped run, but holds ${namesInWords(others, 3)}; name another folder with --out`,
  );
}

/** Form in which answers are kept. */
const form = 2;

/** Stages whose questions name other answers, not files. */
const derivedStages: readonly string[] = ["region"];

/**
 * The answers that an output folder keeps; nothing is written before the first is kept.
 *
 * @param out the output folder; made when it does not exist
 * @param version of whatever gives the answers: those of another version are not found
 * @param remark told of what is not as it was written, one sentence a stage
 * @throws {RangeError} if the folder holds other things and no answers
 */
export function openAnswers(out: string, version: string, remark: (text: string) => void): Checkpoints {
  const folder = join(out, checkpointFolder);
  requireOwnFolder(out);
  const told = new Set<string>();
  const keptNow = new Map<string, { readonly stage: string; readonly question: string }>();
  const stem = (stage: string, question: unknown) =>
    join(folder, `${stage}-${digestOf({ form, version, question }).slice(0, 24)}`);

  const tellDamaged = (stage: string, file: string): undefined => {
    if (told.has(stage)) return;
    told.add(stage);
    remark(
      `${checkpointFolder}/${file}: is not as it was written (missing, cut or changed); it is made again, and so is ` +
        `whatever else of "${stage}" was damaged`,
    );
  };

  const read = <T>(stage: string, question: unknown): KeptAnswer<T> | undefined => {
    const path = `${stem(stage, question)}.json`;
    const found = readSealed(path);
    if (found === "missing") return undefined;
    return found === "damaged" ? tellDamaged(stage, basename(path)) : JSON.parse(found.text, fromStored);
  };

  const write = <T>(stage: string, question: unknown, kept: KeptAnswer<T>): T => {
    const path = `${stem(stage, question)}.json`;
    const text = JSON.stringify(toStored(kept));
    writeSealed(path, text);
    keptNow.set(path, { stage, question: canonicalJson(question) });
    // a resumed run and an unbroken one go on from the same value, NaN and all
    return (JSON.parse(text, fromStored) as KeptAnswer<T>).answer;
  };

  const find = <T>(stage: string, question: unknown) => read<T>(stage, question)?.answer;
  const keep = <T>(stage: string, question: unknown, answer: T) => write(stage, question, { answer, files: {} });

  const onceWithFiles = <T>(
    stage: string,
    question: unknown,
    files: readonly string[],
    answer: (folder: string) => T,
  ) => {
    const own = stem(stage, question);
    const known = read<T>(stage, question);
    if (known !== undefined) {
      const damaged = files.find((file) => {
        const written = known.files[file];
        return written === undefined || !isAsWritten(join(own, file), written);
      });
      if (damaged === undefined) return { answer: known.answer, folder: own };
      tellDamaged(stage, `${basename(own)}/${damaged}`);
    }
    const made = answer(own);
    const written = Object.fromEntries(files.map((file) => [file, writtenFile(join(own, file))]));
    return { answer: write(stage, question, { answer: made, files: written }), folder: own };
  };

  const forget = (digest: string): void => {
    for (const [path, { stage, question }] of keptNow) {
      if (question.includes(digest) || derivedStages.includes(stage)) rmSync(path, { force: true });
    }
  };
  return {
    find,
    keep,
    once: (stage, question, answer) => find(stage, question) ?? keep(stage, question, answer()),
    onceWithFiles,
    forget,
  };
}

/** What the results in an output folder were made from. */
interface ClaimedRun {
  readonly version: string;
  /** Digests of the night's files. */
  readonly inputs: readonly string[];
}

/**
 * Claim an output folder for the results of a run (picture, steps, report, record), or refuse it. Answers alone claim
 * nothing: they are welcome to any run. Files may be added, changed and taken away between two runs of a night, as long
 * as one stays.
 *
 * @param run what the run is made from
 * @throws {RangeError} if the folder holds other things, or the results of another night or version
 */
export function claimRun(out: string, run: ClaimedRun, remark: (text: string) => void): void {
  const marker = join(out, checkpointFolder, "run.json");
  const found = readSealed(marker);
  if (found === "missing") requireOwn(out, [checkpointFolder]);
  else if (found === "damaged") remark(`${checkpointFolder}/run.json: is not as it was written; it is made again`);
  else {
    const before: ClaimedRun = JSON.parse(found.text);
    const shared = run.inputs.length === 0 || before.inputs.length === 0 ||
      run.inputs.some((digest) => before.inputs.includes(digest));
    if (before.version !== run.version || !shared) {
      throw new RangeError(
        `${out}: holds the results of another night or version; name another folder with --out, or empty this one`,
      );
    }
  }
  const text = canonicalJson(run);
  if (typeof found === "string" || found.text !== text) writeSealed(marker, text);
}
