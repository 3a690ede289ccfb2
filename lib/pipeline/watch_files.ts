/** The files of a watched folder: which have stopped growing, which have moved, changed or gone. */
import { FrameError } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { filterNames } from "../io/filter_names.ts";
import { fileStates, readRecordOf } from "../io/list_frames.ts";
import { isCalibration } from "./check_calibration.ts";
import type { WatchNews } from "./watch_news.ts";
import type { WatchNightOptions } from "./watch_night_options.ts";

/** What the files of a folder mean to the watch. */
export interface FileEvents {
  /** Whether a file's frame has been judged: its place in the night is kept when the file goes. */
  readonly isJudged: (file: string) => boolean;
  /** A judged file has another name now. */
  readonly moved: (from: string, to: string) => void;
  /** A file has come, changed or gone: what was known of its content does not hold. */
  readonly changed: (file: string) => void;
}

/** What a look at a folder found. */
export interface ArrivedFiles {
  /** Whole frames, in the order in which they were written. */
  readonly records: readonly FrameRecord[];
  /** Files that may still be on their way. */
  readonly arriving: number;
  /** Whether a file has come or changed. */
  readonly anyNew: boolean;
  /** Files that cannot be used. */
  readonly news: readonly WatchNews[];
}

/** A file and how it stood at the last look. */
interface SeenFile {
  readonly stamp: string;
  /** Looks that found it unchanged. */
  unchanged: number;
  /** Whether nothing is left to do with it, until it changes. */
  settled: boolean;
  /** Whether it was told that it cannot be read. */
  refused: boolean;
}

/** What cannot be used though it can be read. */
const unusableText = (record: FrameRecord): string =>
  record.kind === "unknown"
    ? "the header does not say what this exposure is for; it is not judged"
    : "a colour picture cannot calibrate raw frames; it is not used";

/** A file that seems whole. */
interface WholeFile {
  readonly folder: string;
  readonly file: string;
  readonly state: SeenFile;
}

/** Read a header; null where the file cannot be used, `"arriving"` where it may still be on its way. */
function readHeader(
  { folder, file, state }: WholeFile,
  patience: number,
  news: WatchNews[],
): FrameRecord | "arriving" | null {
  try {
    const { record } = readRecordOf(folder, file, filterNames);
    state.settled = true;
    if (record.kind === "light" || isCalibration(record)) return record;
    news.push({ kind: "trouble", file, text: unusableText(record) });
  } catch (error) {
    if (!(error instanceof FrameError)) throw error;
    if (state.unchanged < patience) return "arriving";
    if (!state.refused) news.push({ kind: "trouble", file, text: error.message.replace(`${error.path}: `, "") });
    state.refused = true;
  }
  return null;
}

/** Files of a look that are whole as far as size and time tell, oldest first. */
interface UnchangedFiles {
  readonly files: readonly string[];
  readonly arriving: number;
  readonly anyNew: boolean;
}

/**
 * A watch over the files of a folder. Each call looks once; null when the folder cannot be listed.
 *
 * @param events what to do about files that move or change
 */
export function watchFiles(
  folder: string,
  options: Pick<WatchNightOptions, "patience" | "askAgain">,
  events: FileEvents,
): () => ArrivedFiles | null {
  const seen = new Map<string, SeenFile>();

  /** Files that were seen and are not there, by their stamp: one with the same stamp has been moved. */
  const goneFiles = (there: ReadonlySet<string>): Map<string, string> =>
    new Map([...seen].flatMap(([file, { stamp }]) => there.has(file) ? [] : [[stamp, file] as const]));

  /** A file that was moved within the folder keeps its place in the night. */
  const keepMoved = (from: string | undefined, to: string): void => {
    if (from === undefined || seen.has(to) || !events.isJudged(from)) return;
    seen.set(to, seen.get(from) as SeenFile);
    seen.delete(from);
    events.moved(from, to);
  };

  const forgetGone = (files: Iterable<string>): void => {
    for (const file of files) {
      events.changed(file);
      if (!events.isJudged(file)) seen.delete(file);
    }
  };

  /** Files that have not changed since the look before. */
  const unchangedFiles = (): UnchangedFiles | null => {
    const states = fileStates(folder);
    if (states === null) return null;
    const ready: { file: string; modified: number }[] = [];
    let arriving = 0;
    let anyNew = false;
    const gone = goneFiles(new Set(states.map((each) => each.file)));
    for (const { file, bytes, modified } of states) {
      const stamp = `${bytes} ${modified}`;
      keepMoved(gone.get(stamp), file);
      const known = seen.get(file);
      if (known === undefined || known.stamp !== stamp) {
        seen.set(file, { stamp, unchanged: 0, settled: false, refused: false });
        events.changed(file);
        anyNew = true;
        arriving++;
        continue;
      }
      if (known.settled) continue;
      known.unchanged++;
      if (known.refused && known.unchanged % Math.ceil(options.askAgain) !== 0) continue;
      if (bytes === 0 && known.unchanged < options.patience) arriving++;
      else ready.push({ file, modified });
    }
    forgetGone(gone.values());
    ready.sort((a, b) => a.modified - b.modified || (a.file < b.file ? -1 : 1));
    return { files: ready.map((each) => each.file), arriving, anyNew };
  };

  return () => {
    const unchanged = unchangedFiles();
    if (unchanged === null) return null;
    const news: WatchNews[] = [];
    const answers = unchanged.files.map((file) =>
      readHeader({ folder, file, state: seen.get(file) as SeenFile }, options.patience, news)
    );
    return {
      records: answers.filter((each) => each !== null && each !== "arriving"),
      arriving: unchanged.arriving + answers.filter((each) => each === "arriving").length,
      anyNew: unchanged.anyNew,
      news,
    };
  };
}
