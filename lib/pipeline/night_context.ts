/** What every stage of a night's run needs: where things are, what was done before, where to report. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { Progress } from "../core/progress.ts";
import { type Checkpoints, digestOf } from "../io/checkpoints.ts";
import type { OutputFiles } from "../io/output_files.ts";

/** Shared by the stages of one run. */
export interface NightContext {
  /** The night's folder. */
  readonly folder: string;
  /** The output folder. */
  readonly out: string;
  /** Answers of an earlier run of the same night. */
  readonly checkpoints: Checkpoints;
  /** SHA-256 of each file of the night, by its name in the table. */
  readonly digests: ReadonlyMap<string, string>;
  /** Size and time of each file when it was opened. */
  readonly stamps: ReadonlyMap<string, string>;
  /** What tells a frame that was trimmed or mended from the file it was; by its name in the table. */
  readonly copies: Map<string, string>;
  /** The files of the output folder that are for the person. */
  readonly output: OutputFiles;
  /** Receives progress. */
  readonly progress: Progress;
  /** Receives remarks for the person. */
  readonly remark: (text: string) => void;
}

/** What tells the pixels of a frame of the night from any other's. */
export const digestIn = (
  { digests, copies }: Pick<NightContext, "digests" | "copies">,
  { file }: FrameRecord,
): string => `${digests.get(file) ?? ""}${copies.get(file) ?? ""}`;

/** Characters of a name that a person gave, at most: file systems allow 255 bytes for all parts of a file's name. */
const maximumNameLength = 60;

/** A long name cut, with what tells it from others of the same beginning. */
const shortened = (text: string): string =>
  text.length <= maximumNameLength ? text : `${text.slice(0, maximumNameLength - 9)}-${digestOf(text).slice(0, 8)}`;

/** A name as part of a file's name, upper and lower case kept: what may not stand there becomes a dash. */
export const fileName = (text: string): string =>
  shortened(text.replaceAll(/[^\w.+-]+/g, "-").replace(/^\.+/, (dots) => "-".repeat(dots.length)));

/** A name that is safe in any file system: letters, digits, dot and dash. */
export const safeName = (text: string): string =>
  shortened(text.normalize("NFKD").replaceAll(/[^\w.-]+/g, "-").replaceAll(/^-+|-+$/g, "").toLowerCase()) || "unnamed";
