/** Large arrays on their way to workers, and planes cut into bands of rows. */
import { adoptMemory, allocateShared, isShared, memoryOf } from "../core/memory.ts";
import { type KernelKind, kernelKind, setKernelKind } from "./machine.ts";
import { parallelMap, type PoolTask, workerCount } from "../parallel/pool.ts";

/** An array as a worker receives it: with the memory it lies on, so that kernels there use it in place. */
export type Packed =
  | Float32Array
  | Uint8Array
  | { readonly memory: WebAssembly.Memory; readonly at: number; readonly length: number; readonly bytes: boolean };

/** Ready for a worker; what is not shared yet is copied to shared memory. */
export function pack(array: Float32Array | Uint8Array): Packed {
  const bytes = array instanceof Uint8Array;
  const home = memoryOf(array.buffer);
  if (home !== undefined) return { memory: home, at: array.byteOffset, length: array.length, bytes };
  if (isShared(array.buffer) && array.byteLength < 262_144) return array;
  const buffer = allocateShared(array.byteLength, true);
  const copy = bytes ? new Uint8Array(buffer, 0, array.length) : new Float32Array(buffer, 0, array.length);
  copy.set(array);
  return memoryOf(buffer) === undefined ? copy : pack(copy);
}

/** The array of a worker. */
export function unpack<Kind extends Float32Array | Uint8Array>(packed: Packed): Kind {
  if (!("memory" in packed)) return packed as Kind;
  const buffer = adoptMemory(packed.memory) as SharedArrayBuffer;
  const view = packed.bytes
    ? new Uint8Array(buffer, packed.at, packed.length)
    : new Float32Array(buffer, packed.at, packed.length);
  return view as Kind;
}

/** Work on rows from … to of arrays that are read and arrays that are written, with plain parameters. */
export interface Band<Parameters> {
  /** First row. */
  readonly from: number;
  /** Row behind the last. */
  readonly to: number;
  /** Arrays that are read. */
  readonly read: readonly (Packed | null)[];
  /** Arrays that are written, each row by one job only. */
  readonly write: readonly Packed[];
  /** The rest. */
  readonly parameters: Parameters;
  /** Implementation that the caller uses. */
  readonly kind: KernelKind;
}

/** Fewer samples than this are worked on at once on the calling thread: handing them over costs 0.2 ms. */
const smallest = 100_000;

/**
 * Run a function over bands of rows, on all workers when the plane is large. Arrays that are written must be shared if
 * workers are to fill them; others are worked on here. Returns what the function returned for each band.
 */
export function overBands<Parameters, Result>(
  task: PoolTask<Band<Parameters>, Result>,
  rows: number,
  rowSamples: number,
  read: readonly (Float32Array | Uint8Array | null)[],
  write: readonly Float32Array[],
  parameters: Parameters,
): Result[] {
  const kind = kernelKind();
  const workers = workerCount();
  const here = workers === 0 || rows * rowSamples < smallest ||
    write.some((array) => memoryOf(array.buffer) === undefined);
  if (here) return [task.run({ from: 0, to: rows, read, write, parameters, kind })];
  // Three bands a worker: enough to even out a processor that is busy elsewhere, few enough to cost nothing.
  const bands = Math.min(rows, 3 * workers);
  const jobs: Band<Parameters>[] = [];
  const packedRead = read.map((array) => array === null ? null : pack(array));
  const packedWrite = write.map(pack);
  for (let k = 0; k < bands; k++) {
    const from = Math.floor(rows * k / bands);
    const to = Math.floor(rows * (k + 1) / bands);
    jobs.push({ from, to, read: packedRead, write: packedWrite, parameters, kind });
  }
  return parallelMap(task, jobs);
}

/** The arrays of a band, ready to use; the thread takes over the caller's choice of implementation. */
export function openBand<Parameters>(band: Band<Parameters>): {
  readonly read: (Float32Array | Uint8Array | null)[];
  readonly write: Float32Array[];
  readonly wasm: boolean;
} {
  setKernelKind(band.kind);
  return {
    read: band.read.map((each) => each === null ? null : unpack(each)),
    write: band.write.map((each) => unpack<Float32Array>(each)),
    wasm: kernelKind() === "wasm",
  };
}
