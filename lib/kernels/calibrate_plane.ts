/** Calibration of one plane: dark off, flat divided out. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "./pool.ts";
import { calibrateTwin } from "./twin.ts";

/** Samples from … to of a band; runs in a worker. */
export function calibrateBand(band: Band<null>): void {
  const { read, write: [out], wasm } = openBand(band), { from, to } = band;
  const raw = read[0] as Float32Array | Uint8Array;
  const subtract = read[1] as Float32Array | null, divide = read[2] as Float32Array | null;
  if (!wasm) return calibrateTwin(raw, subtract, divide, out, from, to);
  const short = raw instanceof Uint8Array;
  const part = {
    a: short ? raw.subarray(2 * from, 2 * to) : raw.subarray(from, to),
    b: subtract?.subarray(from, to),
    c: divide?.subarray(from, to),
    o: out.subarray(from, to),
  };
  withKernel(short ? "calibrateShort" : "calibrateFloat", part, 0, (kernel, at) => {
    kernel(at.a, at.b, at.c, at.o, to - from, subtract === null ? 0 : 1, divide === null ? 0 : 1);
  });
}
const task: PoolTask<Band<null>, void> = { module: import.meta.url, name: "calibrateBand", run: calibrateBand };

/**
 * (raw − subtract) / divide in float32, sample by sample. Nothing is clipped; a divisor that is not above 0 gives NaN.
 *
 * @param raw float samples, or the bytes of a FITS array of unsigned 16-bit integers (big-endian, BZERO 32768)
 * @param subtract dark or bias of the same size; null for none
 * @param divide flat of the same size; null for none
 * @param out receives the result; a fresh shared plane if left out
 */
export function calibratePlane(
  raw: Float32Array | Uint8Array,
  subtract: Float32Array | null,
  divide: Float32Array | null,
  out?: Float32Array,
): Float32Array {
  const count = raw instanceof Uint8Array ? raw.length / 2 : raw.length, result = out ?? borrowPlane(count);
  overBands(task, count, 1, [raw, subtract, divide], [result], null);
  return result;
}
