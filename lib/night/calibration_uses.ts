/** What becomes of each calibration frame of a night: for which lights it is used, or why it is not. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { CalibrationSet } from "./calibration_plan.ts";

/** The rules in the order a person would check them: a file refused by a later one came further. */
const ruleOrder = Object.freeze({
  rig: 0,
  size: 1,
  gain: 2,
  filter: 2,
  offset: 3,
  temperature: 4,
  exposure: 5,
  night: 6,
  need: 8,
  choice: 9,
});

/** A refusal: which rule a file does not obey, and how. */
export interface Refusal {
  /** The rule. */
  readonly rule: keyof typeof ruleOrder;
  /** What does not fit. */
  readonly reason: string;
}

/** What has been decided so far. */
export interface CalibrationUses {
  /** Note that the frames of a set are used. */
  readonly use: (set: CalibrationSet | null, what: string) => void;
  /** Note why a file is not used; of several reasons the one of the latest rule stays. */
  readonly refuse: (file: string, refusal: Refusal) => void;
  /** Whether a file is used. */
  readonly isUsed: (file: string) => boolean;
  /** For which lights it is used, or else why not; null when no lights asked for it. */
  readonly reasonFor: (file: string) => string | null;
}

/** An empty list of decisions. */
export function calibrationUses(): CalibrationUses {
  const uses = new Map<string, Set<string>>();
  const refusals = new Map<string, Refusal>();
  return {
    use: (set, what) => {
      for (const { file } of set?.frames ?? []) {
        const list = uses.get(file) ?? new Set<string>();
        list.add(what);
        uses.set(file, list);
      }
    },
    // The refusal that came furthest tells most about what would have to change.
    refuse: (file, refusal) => {
      const known = refusals.get(file);
      if (known === undefined || ruleOrder[refusal.rule] > ruleOrder[known.rule]) refusals.set(file, refusal);
    },
    isUsed: (file) => uses.has(file),
    reasonFor: (file) => {
      const list = uses.get(file);
      return list === undefined ? refusals.get(file)?.reason ?? null : [...list].join("; ");
    },
  };
}

/** `6 frames`, `1 frame`. */
export const countText = (n: number, what: string): string => `${n} ${what}${n === 1 ? "" : "s"}`;

/** Whether a record is a frame, or a ready-made master, of a kind. */
export const isOfKind = (record: FrameRecord, kind: CalibrationSet["kind"]): boolean =>
  record.kind === kind || record.kind === `master-${kind}`;
