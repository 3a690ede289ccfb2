/** Whether the results of a run will fit, before any work is done. */
import type { FrameRecord } from "../core/frame_record.ts";
import { freeBytes } from "../io/digest_files.ts";
import { sensorKey } from "./sensor_key.ts";

/**
 * Float planes written for each channel (stack, halves, weight, counts, each with what it carries: 16, twice where a
 * file cannot have two names; results of steps: 26), and for each filter (masters: 12, twice likewise), and bytes for
 * sheets and report; counted on the demo nights.
 */
const planesAChannel = 58;
const planesAFilter = 24;
const bytesForSheets = 40e6;

/**
 * Bytes of the copies without overscan: every frame of a rig is trimmed when the header of one names the sections; a
 * copy is no larger than the frame in floats.
 */
function bytesForCopies(records: readonly FrameRecord[]): number {
  const trimmed = new Set(records.filter(({ sections }) => sections !== undefined).map(sensorKey));
  const copied = records.filter((record) => record.planes === 1 && trimmed.has(sensorKey(record)));
  return copied.reduce((sum, { width, height }) => sum + 4 * width * height + copyOverhead, 0);
}

/** Header and padding of a copy, bytes. */
const copyOverhead = 20_000;

/** Bytes a run will write at most, told before it starts. */
export function bytesNeeded(records: readonly FrameRecord[]): number {
  const lights = records.filter((record) => record.kind === "light");
  const kinds = new Map(lights.map((record) => [JSON.stringify([record.rig, record.filter, record.bayer]), record]));
  let bytes = 0;
  for (const { width, height, bayer, planes } of kinds.values()) {
    const channels = bayer !== null || planes === 3 ? 3 : 1;
    bytes += 4 * width * height * (planesAChannel * channels + planesAFilter);
  }
  return kinds.size === 0 ? 0 : bytes + bytesForSheets + bytesForCopies(records);
}

/** Refuse a run whose results will not fit. */
export function requireSpace(out: string, records: readonly FrameRecord[], remark: (text: string) => void): void {
  const needed = bytesNeeded(records);
  const free = freeBytes(out);
  const megabytes = (bytes: number) => `${Math.ceil(bytes / 1e6)} MB`;
  if (needed > free) {
    throw new RangeError(
      `${out}: the results need up to ${megabytes(needed)}, but ${
        megabytes(free)
      } are free; make room or name another folder with --out`,
    );
  }
  if (needed > 0) remark(`the results will take up to ${megabytes(needed)} of ${megabytes(free)} free`);
}
