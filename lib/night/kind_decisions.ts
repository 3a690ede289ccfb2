/** The person's word on what single frames are for. */
import type { FrameKind } from "../core/frame_record.ts";

/** Words that a line of a decisions file may begin with to say what a frame is for. */
const kinds = ["light", "dark", "flat", "bias", "flat-dark"] as const;

/** What a person says a file is. */
export interface KindDecision {
  /** Path of the file as in the frame table, or a part of it. */
  readonly file: string;
  /** What it is. */
  readonly kind: Extract<FrameKind, (typeof kinds)[number]>;
}

/** Frames of a record as decisions: what a run took a file for, whoever said so. */
export const kindsAsDecisions = (
  frames: readonly { readonly file: string; readonly kind: string }[],
): KindDecision[] =>
  frames.flatMap(({ file, kind }) => {
    const known = kinds.find((each) => each === kind);
    return known === undefined ? [] : [{ file, kind: known }];
  });

const form = /^\s*(light|dark|flat-dark|flat|bias)\s+(\S.*?)\s*$/;

/** Whether a line of a decisions file, without its reason, speaks of a kind. */
export const isKindLine = (statement: string): boolean => form.test(statement);

/** The lines of a decisions file that say what a frame is: `dark FILE  # reason`. */
export function parseKindDecisions(text: string): KindDecision[] {
  return text.split(/\r?\n/).flatMap((line) => {
    const parts = form.exec(line.split("#")[0]);
    const kind = kinds.find((each) => each === parts?.[1]);
    return parts === null || kind === undefined ? [] : [{ file: parts[2], kind }];
  });
}
