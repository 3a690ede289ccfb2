/**
 * A night's files without opening those that are known: what a file said of itself and the digest of its bytes are
 * remembered under its name, its size and the time it was last written.
 */
import { existsSync, readFileSync, realpathSync, statSync } from "node:fs";
import { join } from "node:path";
import { FrameError, type FrameErrorReason } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { Progress } from "../core/progress.ts";
import { checkpointFolder, digestOf } from "./checkpoints.ts";
import { digestFiles } from "./digest_files.ts";
import { filterNames } from "./filter_names.ts";
import { type FrameList, type FrameNote, listFramesWith, type ReadFrame, readRecordOf } from "./list_frames.ts";
import { writeWhole } from "./write_whole.ts";

/** What is remembered of a file. */
interface KnownFile {
  readonly bytes: number;
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
}

function readMemory(path: string, version: string): Memory {
  const empty = { version, files: {} };
  if (!existsSync(path)) return empty;
  const found: Memory = JSON.parse(readFileSync(path, "utf8"));
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
  // two folders may hold files of one name, size and time: each has a memory of its own, which moves with neither
  const place = existsSync(folder) ? realpathSync(folder) : folder;
  const path = join(out, checkpointFolder, `files-${digestOf(place).slice(0, 24)}.json`);
  const memory = readMemory(path, version);
  const seen = new Map<string, KnownFile>();
  const read = (file: string): ReadFrame => {
    const { size, mtimeMs } = statSync(join(folder, file));
    const before = memory.files[file];
    const known = before !== undefined && before.bytes === size && before.modified === mtimeMs
      ? before
      : look(folder, file, { bytes: size, modified: mtimeMs });
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
  if (text !== JSON.stringify(memory)) writeWhole(path, text);
  return { list, digests };
}

/** Read one file's header. */
function look(folder: string, file: string, state: Pick<KnownFile, "bytes" | "modified">): KnownFile {
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
