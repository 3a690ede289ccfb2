/**
 * A night's files without opening those that are known: what a file said of itself and the digest of its bytes are
 * remembered under its name, its size and the time it was last written.
 */
import { existsSync, realpathSync, rmSync, type Stats, statSync } from "node:fs";
import { join } from "node:path";
import { FrameError, type FrameErrorReason } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { Progress } from "../core/progress.ts";
import { checkpointFolder, digestOf } from "./checkpoints.ts";
import { digestFiles } from "./digest_files.ts";
import { filterNames } from "./filter_names.ts";
import { type FrameList, type FrameNote, listFramesWith, type ReadFrame, readRecordOf } from "./list_frames.ts";
import { readSealed, writeSealed } from "./written_file.ts";

/** What is remembered of a file. */
interface KnownFile {
  readonly bytes: number;
  /** Time of writing, milliseconds since 1970. */
  readonly modified: number;
  /** Its record; null when it cannot be used. */
  readonly record: FrameRecord | null;
  readonly notes: readonly FrameNote[];
  /** Why it cannot be used; null when it can. */
  readonly problem: { readonly reason: FrameErrorReason; readonly fact: string } | null;
  /** Digest of its bytes; null when not taken. */
  readonly sha256: string | null;
}

/** The files of one folder, as an output folder remembers them. */
interface Memory {
  readonly version: string;
  readonly files: Readonly<Record<string, KnownFile>>;
}

/** A night's files with the digests of those that can be used. */
export interface KnownFrames {
  /** The table. */
  readonly list: FrameList;
  /** SHA-256 of each frame, by its name in the table. */
  readonly digests: ReadonlyMap<string, string>;
  /** Size and time of writing of each file when it was opened, by its name in the table. */
  readonly stamps: ReadonlyMap<string, string>;
}

/** How a file stands. */
type FileState = Pick<KnownFile, "bytes" | "modified">;

const stampOf = ({ bytes, modified }: FileState): string => `${bytes} ${modified}`;

const stateOf = ({ size, mtimeMs }: Stats): FileState => ({ bytes: size, modified: mtimeMs });

/** Where an output folder remembers the files of a folder: two folders may hold files of one name, size and time. */
function memoryPath(folder: string, out: string): string {
  const place = existsSync(folder) ? realpathSync(folder) : folder;
  return join(out, checkpointFolder, `files-${digestOf(place).slice(0, 24)}.json`);
}

/** Files that are not what they were when they were opened. */
export interface ChangedFile {
  readonly file: string;
  /** What happened to it, as a sentence goes on after its name. */
  readonly fact: string;
}

/**
 * Files of a night that have changed since they were opened. What the output folder remembers is forgotten then.
 *
 * @param files their names in the table
 * @param thorough whether the bytes of all are compared, or only of those whose size or time differs
 */
export function changedFiles(
  { folder, out }: { readonly folder: string; readonly out: string },
  files: readonly string[],
  { digests, stamps }: Pick<KnownFrames, "digests" | "stamps">,
  thorough: boolean,
): ChangedFile[] {
  const states = files.map((file) => {
    const state = statSync(join(folder, file), { throwIfNoEntry: false });
    return { file, stamp: state === undefined ? null : stampOf(stateOf(state)) };
  });
  const gone = states.filter(({ stamp }) => stamp === null).map(({ file }) => ({ file, fact: "has gone" }));
  const there = states.filter(({ file, stamp }) => stamp !== null && (thorough || stamp !== stamps.get(file)));
  const now = digestFiles(there.map(({ file }) => join(folder, file)));
  const changed = there.filter(({ file }, at) => now[at] !== digests.get(file));
  if (gone.length + changed.length > 0) rmSync(memoryPath(folder, out), { force: true });
  return [...gone, ...changed.map(({ file }) => ({ file, fact: "has other content now" }))];
}

function readMemory(path: string, version: string): Memory {
  const empty = { version, files: {} };
  const sealed = readSealed(path);
  // what was known of the files is only a shortcut: without it they are opened again
  if (typeof sealed === "string") return empty;
  const found: Memory = JSON.parse(sealed.text);
  return found.version === version ? found : empty;
}

const withoutPath = (error: FrameError): string => error.message.replace(`${error.path}: `, "");

/**
 * List a folder and take the digests of its frames. A file that has the size and the time of writing it had before is
 * not opened.
 *
 * @param folder the night's folder
 * @param out output folder that remembers
 * @param version of what is remembered
 * @throws {FrameError} when the folder itself is missing or cannot be listed
 */
export function listKnownFrames(folder: string, out: string, version: string, progress: Progress): KnownFrames {
  const path = memoryPath(folder, out);
  const memory = readMemory(path, version);
  const seen = new Map<string, KnownFile>();
  const read = (file: string): ReadFrame => {
    const state = stateOf(statSync(join(folder, file)));
    const before = memory.files[file];
    const known = before !== undefined && stampOf(before) === stampOf(state) ? before : look(folder, file, state);
    seen.set(file, known);
    const { record, notes, problem } = known;
    if (record === null) throw new FrameError(join(folder, file), problem?.reason ?? "unreadable", problem?.fact ?? "");
    return { record: { ...record, path: join(folder, file) }, notes };
  };
  const list = listFramesWith(folder, read, progress);
  const digests = takeDigests(list, seen, progress);
  const files = Object.fromEntries([...seen].map(([file, known]) => [file, {
    ...known,
    record: known.record === null ? null : { ...known.record, path: "" },
    sha256: digests.get(file) ?? null,
  }]));
  const text = JSON.stringify({ version, files });
  if (text !== JSON.stringify(memory)) writeSealed(path, text);
  const stamps = new Map([...seen].map(([file, known]) => [file, stampOf(known)]));
  return { list, digests, stamps };
}

/** Read one file's header. */
function look(folder: string, file: string, state: FileState): KnownFile {
  try {
    const { record, notes } = readRecordOf(folder, file, filterNames);
    return { ...state, record, notes, problem: null, sha256: null };
  } catch (error) {
    if (!(error instanceof FrameError)) throw error;
    const problem = { reason: error.reason, fact: withoutPath(error) };
    return { ...state, record: null, notes: [], problem, sha256: null };
  }
}

function takeDigests(list: FrameList, seen: ReadonlyMap<string, KnownFile>, progress: Progress): Map<string, string> {
  const digests = new Map<string, string>();
  const open: FrameRecord[] = [];
  for (const record of list.records) {
    const known = seen.get(record.file)?.sha256 ?? null;
    if (known === null) open.push(record);
    else digests.set(record.file, known);
  }
  if (open.length === 0) return digests;
  digestFiles(open.map((record) => record.path), progress).forEach((digest, at) => digests.set(open[at].file, digest));
  return digests;
}
