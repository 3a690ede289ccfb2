/** The frames of a night on a time axis, and the spells in which something went wrong. */
import type { ReportFrame } from "./report.ts";

/** A frame at its time: milliseconds, or its place in the order of the files. */
export interface TimedFrame {
  readonly frame: ReportFrame;
  readonly time: number;
}

/** Frames in order, and the axis that they share. */
export interface TimeAxis {
  /** Frames that have a place on the axis. */
  readonly rows: readonly TimedFrame[];
  /** Files that could not be read and have no date. */
  readonly unread: number;
  /** Whether every frame has a date; else they are set by their order. */
  readonly dated: boolean;
  /** Half of the usual distance between frames. */
  readonly half: number;
  /** First and last time of the axis. */
  readonly domain: readonly [number, number];
}

/** Half distance of frames when there is one frame only: a minute, or one place. */
const loneHalfDistance = { dated: 60000, undated: 1 };

/** Frames on their axis: by their dates, or in the order of the files where one has none. */
export function timeAxis(frames: readonly ReportFrame[]): TimeAxis {
  // what could not be read has no time and nothing to draw: it is listed below
  const readable = frames.filter((frame) => frame.verdict !== "unreadable" || frame.dateUtc !== null);
  const dated = readable.length > 0 && readable.every((frame) => frame.dateUtc !== null);
  const rows = readable.map((frame, at) => ({ frame, time: dated ? Date.parse(`${frame.dateUtc}Z`) : at + 1 }))
    .sort((a, b) => a.time - b.time);
  const gaps = rows.slice(1).map((row, at) => row.time - rows[at].time).filter((gap) => gap > 0).sort((a, b) => a - b);
  const lone = dated ? loneHalfDistance.dated : loneHalfDistance.undated;
  const half = (gaps.length === 0 ? lone : gaps[gaps.length >> 1]) / 2;
  const first = rows.length === 0 ? 0 : rows[0].time - 2 * half;
  const last = rows.length === 0 ? 1 : rows[rows.length - 1].time + 2 * half;
  return { rows, unread: frames.length - readable.length, dated, half, domain: [first, last] };
}

/** Neighbouring frames that share a cause other than a clear sky, numbered in time. */
export interface Spell {
  readonly number: string;
  readonly cause: string;
  readonly verdict: string;
  readonly from: number;
  readonly to: number;
  readonly middle: number;
  readonly frames: number;
}

/** The spells of trouble of a night. */
export function spellsOf({ rows, half }: TimeAxis): Spell[] {
  const spells: { cause: string; verdict: string; from: number; to: number; frames: number }[] = [];
  let open: (typeof spells)[number] | null = null;
  for (const { frame, time } of rows) {
    const clear = frame.verdict === "keep" && (frame.cause === "" || frame.cause === "clear sky");
    if (clear) open = null;
    else if (open !== null && open.cause === frame.cause && open.verdict === frame.verdict) {
      open.to = time + half;
      open.frames += 1;
    } else {
      open = { cause: frame.cause, verdict: frame.verdict, from: time - half, to: time + half, frames: 1 };
      spells.push(open);
    }
  }
  return spells.map((spell, at) => ({
    ...spell,
    number: String(at + 1),
    middle: (spell.from + spell.to) / 2,
  }));
}

const pad = (value: number) => String(value).padStart(2, "0");
/** Hours and minutes, UTC. */
export const clock = (time: number) => {
  const date = new Date(time);
  return `${pad(date.getUTCHours())}:${pad(date.getUTCMinutes())}`;
};
