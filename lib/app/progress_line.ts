/** Progress for a person at a terminal: one line that rewrites itself; plain lines where there is no terminal. */
import process from "node:process";
import { plainText } from "../core/plain_text.ts";
import type { Progress } from "../core/progress.ts";

const span = (seconds: number): string => {
  if (!Number.isFinite(seconds)) return "";
  if (seconds < 90) return `${Math.max(1, Math.round(seconds))} s`;
  return seconds < 5400 ? `${Math.round(seconds / 60)} min` : `${(seconds / 3600).toFixed(1)} h`;
};

/** A sink for progress that shows what is done and the time left. */
export function progressLine(): { readonly progress: Progress; readonly end: () => void } {
  const terminal = process.stdout.isTTY === true;
  let label = "";
  let since = 0;
  let shownAt = 0;
  let open = false;
  const end = () => {
    if (terminal && open) process.stdout.write("\n");
    open = false;
  };
  const progress: Progress = (event) => {
    const now = performance.now();
    if (event.label !== label) {
      end();
      label = event.label;
      since = now;
      shownAt = 0;
    }
    const finished = event.done >= event.total;
    if (!finished && now - shownAt < (terminal ? 100 : 5000)) return;
    shownAt = now;
    const left = event.done > 0 ? (now - since) / event.done * (event.total - event.done) / 1000 : NaN;
    const remaining = finished ? `done in ${span((now - since) / 1000)}` : left > 0 ? `about ${span(left)} left` : "";
    const text = `  ${event.label}: ${event.done} of ${event.total}${remaining === "" ? "" : `, ${remaining}`}${
      event.note === undefined ? "" : `  ${plainText(event.note)}`
    }`;
    if (terminal) process.stdout.write(`\r\x1b[2K${text.slice(0, (process.stdout.columns ?? 100) - 1)}`);
    else console.log(text);
    open = true;
    if (finished) {
      end();
      label = "";
    }
  };
  return { progress, end };
}
