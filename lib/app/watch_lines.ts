/**
 * How a watch over a night reads in a terminal: the time, a mark, the file, and sentences that do not run over the
 * edge.
 */
import { plainText } from "../core/plain_text.ts";
import type { WatchNews } from "../pipeline/watch_news.ts";
import { exposureSpan, type WatchLook, type WatchStanding } from "../pipeline/watch_night.ts";

const marks: Readonly<Record<WatchNews["kind"], string>> = {
  frame: " ",
  warning: "!",
  relief: "+",
  trouble: "?",
  calibration: " ",
  silence: "!",
};

const bold = "\x1b[1m";
const plain = "\x1b[0m";

/** Time of the day, as on the person's clock. */
export const clockTime = (date: Date): string =>
  [date.getHours(), date.getMinutes(), date.getSeconds()].map((each) => String(each).padStart(2, "0")).join(":");

/** Lines of at most `columns` characters, broken between words. */
function wrap(text: string, columns: number): string[] {
  const lines: string[] = [];
  let line = "";
  for (const word of text.split(" ")) {
    if (line !== "" && line.length + 1 + word.length > columns) {
      lines.push(line);
      line = word;
    } else line = line === "" ? word : `${line} ${word}`;
  }
  return [...lines, line];
}

/**
 * One piece of news.
 *
 * @param time when it was seen, from {@linkcode clockTime}
 * @param terminal columns of the terminal; null where there is none: one line, no emphasis
 */
export function watchLine({ kind, file, text }: WatchNews, time: string, terminal: number | null): string {
  const said = plainText(`${file === "" ? "" : `${file}: `}${text}`);
  const head = `${time} ${marks[kind]} `;
  if (terminal === null) return `${head}${said}`;
  const lines = wrap(said, Math.max(30, terminal - head.length - 1)).join(`\n${" ".repeat(head.length)}`);
  return kind === "warning" || kind === "silence" ? `${bold}${head}${lines}${plain}` : `${head}${lines}`;
}

/** The line at the foot of a terminal, which shows that the watch is awake. */
export function standingLine(
  { lights, kept, keptSeconds }: WatchStanding,
  { arriving, waiting }: WatchLook,
  time: string,
): string {
  const night = lights === 0
    ? "no light yet"
    : `${kept} of ${lights} lights worth keeping (${exposureSpan(keptSeconds)})`;
  const files = [
    ...(arriving > 0 ? [`${arriving} ${arriving === 1 ? "file" : "files"} arriving`] : []),
    ...(waiting > 0 ? [`${waiting} to be looked at`] : []),
  ];
  return `${time}   ${[night, ...files].join(", ")}`;
}
