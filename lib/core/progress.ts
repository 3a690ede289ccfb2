/** How long work reports where it is. */

/** One report. */
export interface ProgressEvent {
  /** What is being done, for a person: "measuring frames". */
  readonly label: string;
  /** Pieces done. */
  readonly done: number;
  /** Pieces in all. */
  readonly total: number;
  /** The last remark: a doubt, a file. */
  readonly note?: string;
}

/** Receives reports; may throw to stop the work. */
export type Progress = (event: ProgressEvent) => void;

/**
 * Ignores every report.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { silent } from "lib/core/progress.ts";
 *
 * assert.equal(silent({ label: "reading", done: 1, total: 2 }), undefined);
 * ```
 */
export const silent: Progress = () => {};
