/** What every stage of a night's run needs: where things are, what was done before, where to report. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { Progress } from "../core/progress.ts";
import type { Checkpoints } from "../io/checkpoints.ts";

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
  /** Receives progress. */
  readonly progress: Progress;
  /** Receives remarks for the person. */
  readonly remark: (text: string) => void;
}

/** Digest of a file of the night. */
export const digestIn = ({ digests }: Pick<NightContext, "digests">, record: FrameRecord): string =>
  digests.get(record.file) ?? "";

/** A name that is safe in any file system: letters, digits, dot and dash. */
export const safeName = (text: string): string =>
  text.normalize("NFKD").replaceAll(/[^\w.-]+/g, "-").replaceAll(/^-+|-+$/g, "").toLowerCase() || "unnamed";
