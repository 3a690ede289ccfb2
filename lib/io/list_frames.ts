/** A folder of frames as a table: what each file says of itself, without pixels. */
import { lstatSync, readdirSync, realpathSync, statSync } from "node:fs";
import { join } from "node:path";
import { FrameError, type FrameErrorReason } from "../core/errors.ts";
import type { FrameKind, FrameRecord } from "../core/frame_record.ts";
import { type Progress, silent } from "../core/progress.ts";
import { settle } from "../core/options.ts";
import { describeFrame, kindOfText } from "./describe_frame.ts";
import { sessionOf } from "./exposure_date.ts";
import { channelOfFilter, type FilterNames, filterNames } from "./filter_names.ts";
import { assertWhole, fullHeader } from "./read_fits.ts";
import { openFits } from "./open_fits.ts";
import { liesWithin } from "./paths.ts";

/** Options of {@linkcode listFrames}. */
export interface ListFramesOptions {
  /** Table of filter names, from {@linkcode readFilterNames} when the person has names of their own. */
  readonly names: FilterNames;
  /** Receives a report for each file. */
  readonly progress: Progress;
}

/** What {@linkcode listFrames} uses for an option left out. */
export const listFramesDefaults: ListFramesOptions = Object.freeze({ names: filterNames, progress: silent });

/** A file that cannot be used. */
export interface UnreadableFrame {
  /** Path relative to the folder, with `/`. */
  readonly file: string;
  /** Stable code. */
  readonly reason: FrameErrorReason;
  /** What was found and what the person can do. */
  readonly message: string;
}

/** A remark on a file. */
export interface FrameNote {
  /** Path relative to the folder, with `/`. */
  readonly file: string;
  /** The remark. */
  readonly note: string;
}

/** A night's files. */
export interface FrameList {
  /** The folder as the caller named it. */
  readonly folder: string;
  /** Frames, sorted by file. */
  readonly records: readonly FrameRecord[];
  /** FITS files (by name) that cannot be used, sorted by file. */
  readonly unreadable: readonly UnreadableFrame[];
  /** Hidden files and files that are no FITS by their name, sorted. */
  readonly skipped: readonly string[];
  /** Facts taken from names of folders and files, and oddities of headers. */
  readonly notes: readonly FrameNote[];
}

const fitsName = /\.(fits?|fts)(\.(gz|fz))?$/i;

/** Files of a folder and the folders below it: those that are FITS by their name, and the others. */
function filesBelow(folder: string): { found: string[]; skipped: string[] } {
  const found: string[] = [];
  const skipped: string[] = [];
  const walk = (inner: string) => {
    const entries = readdirSync(join(folder, inner), { withFileTypes: true });
    for (const entry of entries) {
      const file = inner === "" ? entry.name : `${inner}/${entry.name}`;
      let isFolder = entry.isDirectory();
      let isFile = entry.isFile();
      if (entry.isSymbolicLink()) {
        try {
          // links to files are followed, links to folders are not: they may lead in a circle
          isFile = statSync(join(folder, file)).isFile();
          isFolder = false;
        } catch {
          isFile = false;
        }
      }
      if (entry.name.startsWith(".")) skipped.push(isFolder ? `${file}/` : file);
      else if (isFolder) walk(file);
      else if (isFile && fitsName.test(entry.name)) found.push(file);
      else skipped.push(file);
    }
  };
  walk("");
  const order = (a: string, b: string) => a < b ? -1 : a > b ? 1 : 0;
  return { found: found.sort(order), skipped: skipped.sort(order) };
}

/** A FITS file of a folder as it stands just now. */
export interface FileState {
  /** Path within the folder. */
  readonly file: string;
  /** Size in bytes. */
  readonly bytes: number;
  /** When it was last written, milliseconds since 1970. */
  readonly modified: number;
}

/**
 * How the FITS files of a folder stand just now; files that go away while one looks are left out. Null when the folder
 * cannot be listed: a drive may be away for a moment.
 */
export function fileStates(folder: string): FileState[] | null {
  let found: readonly string[];
  try {
    ({ found } = filesBelow(folder));
  } catch {
    return null;
  }
  return found.flatMap((file) => {
    try {
      const { size, mtimeMs } = statSync(join(folder, file));
      return [{ file, bytes: size, modified: mtimeMs }];
    } catch {
      return [];
    }
  });
}

const kindNote = "the header does not say what the exposure is for";

/** Whether a note says that folder or file suggest what a frame is for. */
export const suggestsKind = ({ note }: FrameNote): boolean => note.startsWith(kindNote);

/** Words by which folders and files say what frames are for. */
const kindWord = new RegExp(
  "^(master|combined)?[\\s_-]*" +
    "(lights?|subs?|darks?|flats?|bias(es)?|offsets?|zeros?|(dark[\\s_-]*flats?)|(flat[\\s_-]*darks?))" +
    "([\\s_-]*frames?)?$",
  "i",
);

/** Kind that the names of folders and file suggest, the nearest first. */
function hintedKind(file: string): { kind: FrameKind; from: string } | null {
  for (const part of file.replace(fitsName, "").split("/").toReversed()) {
    for (const word of [part, ...part.split(/[\s_.-]+/)]) {
      if (kindWord.test(word)) {
        const kind = /^subs?$/i.test(word) ? "light" : kindOfText(word);
        if (kind !== null) return { kind, from: part };
      }
    }
  }
  return null;
}

/** Filter that a word of the file's or a folder's name is, the nearest first. */
function hintedFilter(file: string, names: FilterNames): { filter: string; from: string } | null {
  for (const part of file.replace(fitsName, "").split("/").toReversed()) {
    for (const word of part.split(/[\s_.]+/)) {
      if (word.length < 1) continue;
      const filter = channelOfFilter(word, names);
      // single letters of a name mean little, except the four that are filters in capitals
      if (filter !== "" && Object.hasOwn(names, filter) && (word.length > 1 || /^[LRGB]$/.test(word))) {
        return { filter, from: part };
      }
    }
  }
  return null;
}

/** Refuse a link that leads out of the folder: a name in it gives no right to read what lies elsewhere. */
function requireInnerFile(folder: string, path: string): void {
  if (!lstatSync(path, { throwIfNoEntry: false })?.isSymbolicLink()) return;
  if (liesWithin(realpathSync(path), realpathSync(folder))) return;
  throw new FrameError(
    path,
    "unreadable",
    "is a link that leads out of the night's folder",
    "copy the file there, or name the folder that holds it",
  );
}

/**
 * One file of a night: its row of the table, and what was guessed.
 *
 * @param folder the night's folder
 * @param file path within it
 * @param names table of filter names
 * @throws {FrameError} if the file cannot be used, or is not whole
 */
export function readRecordOf(folder: string, file: string, names: FilterNames): ReadFrame {
  const path = join(folder, file);
  requireInnerFile(folder, path);
  const notes: FrameNote[] = [];
  const open = openFits(path);
  try {
    const hdu = open.firstImage();
    if (!open.seemsWhole(hdu.index)) assertWhole(open, hdu);
    const facts = describeFrame(fullHeader(open, hdu), { names });
    let { kind, filter } = facts;
    const hint = kind === "unknown" ? hintedKind(file) : null;
    if (hint !== null) {
      kind = hint.kind;
      notes.push({
        file,
        note: `${kindNote}; "${hint.from}" suggests ${kind}`,
      });
    }
    const takesFilter = kind === "unknown" || kind === "light" || kind === "flat" || kind === "master-flat" ||
      kind === "stack";
    const guess = filter === "" && takesFilter && facts.bayer === null && facts.planes === 1
      ? hintedFilter(file, names)
      : null;
    if (guess !== null) {
      filter = guess.filter;
      notes.push({ file, note: `the header names no filter; "${guess.from}" suggests ${filter}` });
    }
    for (const note of hdu.notes) notes.push({ file, note });
    const record = {
      ...facts,
      kind,
      filter,
      path,
      file,
      bytes: statSync(path).size,
      session: sessionOf(facts.dateUtc),
    };
    return { record, notes };
  } finally {
    open.close();
  }
}

/**
 * Read a folder of frames and all folders below it: files named `.fits`, `.fit`, `.fts`, also with `.gz` or `.fz`.
 * Only headers are read. A file that cannot be used is listed with its reason; nothing stops the rest. Where a header
 * does not say what the exposure is for, or with which filter, names of folders and file are asked, and a note says
 * so.
 *
 * Cost: one read of about 29 kB a file.
 *
 * @param folder the folder
 * @param options filter names, progress
 * @throws {FrameError} when the folder itself is missing or cannot be listed
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { constantImage, listFrames, writeFits } from "faintlight";
 * import { writeWhole } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "night-"));
 * writeFits(join(folder, "darks", "one.fits"), constantImage(4, 3, 100), { bitpix: 16 });
 * writeWhole(join(folder, "lights", "broken.fits"), "no frame");
 * const { records, unreadable, notes } = listFrames(folder);
 * assert.deepEqual(records.map(({ file, kind }) => [file, kind]), [["darks/one.fits", "dark"]]);
 * assert.match(notes[0].note, /"darks"/);
 * assert.equal(unreadable[0].reason, "not-fits");
 * rmSync(folder, { recursive: true });
 * ```
 */
export function listFrames(folder: string, options: Partial<ListFramesOptions> = {}): FrameList {
  const { names, progress } = settle("listFrames", listFramesDefaults, options);
  return listFramesWith(folder, (file) => readRecordOf(folder, file, names), progress);
}

/** What a file says of itself. */
export interface ReadFrame {
  /** Its row of the table. */
  readonly record: FrameRecord;
  /** What was guessed. */
  readonly notes: readonly FrameNote[];
}

/** Look into a folder, or say why that cannot be done. */
function listed<T>(folder: string, look: () => T): T {
  try {
    return look();
  } catch (cause) {
    const missing = (cause as { code?: unknown }).code === "ENOENT";
    throw new FrameError(
      folder,
      missing ? "missing" : "unreadable",
      missing ? "does not exist" : "is no folder that can be listed",
      "name the folder with the night's frames",
      cause,
    );
  }
}

/**
 * Refuse a folder that cannot be listed, before anything is made for it.
 *
 * @throws {FrameError} when it is missing or cannot be listed
 */
export function requireFolder(folder: string): void {
  listed(folder, () => readdirSync(folder));
}

/**
 * A folder of frames as a table, each file read by the caller's own reader: one that remembers need not open it.
 *
 * @param read gives one file of the folder, or throws {@linkcode FrameError}
 * @throws {FrameError} when the folder itself is missing or cannot be listed
 */
export function listFramesWith(folder: string, read: (file: string) => ReadFrame, progress: Progress): FrameList {
  const files = listed(folder, () => filesBelow(folder));
  const records: FrameRecord[] = [];
  const unreadable: UnreadableFrame[] = [];
  const notes: FrameNote[] = [];
  files.found.forEach((file, index) => {
    try {
      const told = read(file);
      records.push(told.record);
      notes.push(...told.notes);
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      // the folder is the person's own affair: a table of the night must not change when it is moved
      unreadable.push({ file, reason: error.reason, message: error.message.replace(`${error.path}: `, `${file}: `) });
    }
    progress({ label: "reading headers", done: index + 1, total: files.found.length, note: file });
  });
  return { folder, records, unreadable, skipped: files.skipped, notes };
}
