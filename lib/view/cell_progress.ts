/** Progress of long work as one line in the cell that rewrites itself. */
import type { Progress } from "../core/progress.ts";
import { currentDisplay } from "./display.ts";
import { show } from "./show.ts";
import { formatDuration } from "./text.ts";

/** Milliseconds between two lines; more often nobody reads them. */
const minimumIntervalMilliseconds = 250;
let made = 0;

/** A receiver of progress that also takes remarks. */
export interface CellProgress extends Progress {
  /** Show a remark for good, and keep it at the end of the line until the next one: the last doubt stays in sight. */
  readonly remark: (text: string) => void;
}

/**
 * A receiver of progress that keeps one line in the notebook's cell up to date: what is being done, how far, time
 * left, the last note or remark. Outside a notebook it is silent; the command line has a line of its own.
 *
 * @param clock milliseconds since any moment; a test passes its own
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { cellProgress, displayTo } from "faintlight/view";
 *
 * const lines: string[] = [];
 * displayTo((message) => lines.push(message.data["text/plain"]));
 * let now = 0;
 * const progress = cellProgress(() => now);
 * progress({ label: "measuring frames", done: 0, total: 120 });
 * now = 60000;
 * progress.remark("frame 17: cloud");
 * progress({ label: "measuring frames", done: 40, total: 120 });
 * displayTo(null);
 * assert.deepEqual(lines.slice(1), [
 *   "frame 17: cloud",
 *   "measuring frames: 40 of 120, about 2 min left. frame 17: cloud",
 * ]);
 * ```
 */
export function cellProgress(clock: () => number = () => performance.now()): CellProgress {
  const displayId = `faintlight-progress-${++made}`;
  let begun = false;
  let label = "";
  let since = 0;
  let last = -Infinity;
  let note = "";
  let remark = "";
  const progress: Progress = (event) => {
    const display = currentDisplay();
    if (display === null) return;
    const now = clock();
    if (event.label !== label) {
      label = event.label;
      since = now;
      last = -Infinity;
      note = "";
    }
    if (event.note !== undefined && event.note !== "") note = event.note;
    const finished = event.done >= event.total;
    if (now - last < minimumIntervalMilliseconds && !finished) return;
    last = now;
    const left = event.done > 0 && !finished ? (now - since) / event.done * (event.total - event.done) / 1000 : NaN;
    const time = finished
      ? `, done in ${formatDuration(Math.max(1, (now - since) / 1000))}`
      : left >= 2
      ? `, about ${formatDuration(left)} left`
      : "";
    const words = [`${label}: ${event.done} of ${event.total}${time}`, note, remark].filter((each) => each !== "");
    const text = words.join(". ");
    display({ type: begun ? "update_display_data" : "display_data", data: { "text/plain": text }, displayId });
    begun = true;
  };
  return Object.assign(progress, {
    remark: (text: string) => {
      remark = text;
      if (currentDisplay() !== null) show(text);
    },
  });
}
