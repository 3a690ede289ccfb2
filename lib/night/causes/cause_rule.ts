/**
 * The form of a rule: one cause, how it shows, and what helps against it.
 *
 * A limit whose comment names a paper or a formula stands on that. A limit without one is our own: set on simulated
 * nights with known faults (`tests/bench/judge_nights.ts`, seeds `tuned`) where frames with the fault part from those
 * without, and checked on other seeds (`judged`); "own" in a comment means this.
 */
import type { SkyMeasures } from "../sky_measures.ts";
import type { StarMeasures } from "../star_measures.ts";
import type { NightGroup } from "../night_group.ts";
import type { NightRow } from "../night_row.ts";
import type { Cause, CauseFinding } from "./cause.ts";

/** A rig's run of one filter, for what all its frames have. */
export interface RigRun {
  /** The group. */
  readonly group: NightGroup;
  /** What was found in each of its frames. */
  readonly findings: readonly (readonly CauseFinding[])[];
}

/** How one cause is recognised. Each part answers null when the cause does not show. */
export interface CauseRule {
  /** The cause. */
  readonly cause: Cause;
  /** What to do about it next time. */
  readonly remedy: string;
  /** In the file and its samples, whatever they show. */
  readonly inFile?: (row: NightRow) => CauseFinding | null;
  /** In a frame with hardly any stars. */
  readonly withoutStars?: (frame: SkyMeasures) => CauseFinding | null;
  /** In a frame with stars. */
  readonly withStars?: (frame: StarMeasures) => CauseFinding | null;
  /** In most frames of a run: the evidence of a finding on the rig. */
  readonly inRun?: (run: RigRun) => string | null;
}
