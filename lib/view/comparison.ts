/** Two images compared, in one value. */
import type { Displayed } from "../core/display.ts";
import type { Effect } from "../effect/measure_effect.ts";
import type { Sheet } from "./sheet.ts";
import type { InteractiveView } from "./show.ts";

/** What became of an image. Sheet and slider are drawn when they are first asked for. */
export interface Comparison extends Displayed {
  /** What changed, in numbers. */
  readonly effect: Effect;
  /** Before, after and difference with histograms and the ledger. */
  readonly sheet: Sheet;
  /** Both in one place with a wipe between them, for pages that run scripts; the sheet for others. */
  readonly slider: InteractiveView;
  /** What a reader should check, in sentences; empty when nothing stands out. */
  readonly doubts: readonly string[];
}
