/**
 * Runs the WebAssembly kernels on arrays, wherever these lie; the only place that knows kernels.wasm.
 *
 * Each kernel of `src/*.as.ts` has a twin in plain TypeScript (`*.twin.ts`, or beside the caller where it is short):
 * the same operations in the same order and precision, so the results agree to the byte (the sign of a NaN apart,
 * which no standard fixes). Twins run where WebAssembly cannot, and tests compare the two.
 */
import { host } from "../core/host.ts";
import { memoryOf } from "../core/memory.ts";

/** Which of the two implementations runs: WebAssembly, or the plain TypeScript twin with the same results. */
export type KernelKind = "wasm" | "twin";

/** A kernel's exported function; some return a number. */
type Kernel = (...values: number[]) => number | void;
/** Arrays of a call by the name of their memory: a, b, c are read, o and p written. */
export type KernelArrays = Partial<Readonly<Record<"a" | "b" | "c" | "o" | "p", Float32Array | Uint8Array>>>;

interface Machine {
  readonly module: WebAssembly.Module;
  readonly scratch: WebAssembly.Memory;
  readonly local: Readonly<Record<string, Kernel>>;
}

let machine: Machine | null | undefined;
let wanted: KernelKind = "wasm";

const pageBytes = 65_536;

/**
 * Instances on one memory besides the scratch, by the names it goes by there: making one costs as much as a small
 * kernel's work.
 */
const settled = new WeakMap<WebAssembly.Memory, Map<string, Readonly<Record<string, Kernel>>>>();

function instantiate(
  module: WebAssembly.Module,
  env: Record<string, WebAssembly.Memory>,
): Readonly<Record<string, Kernel>> {
  return new WebAssembly.Instance(module, { env }).exports as unknown as Readonly<Record<string, Kernel>>;
}

/**
 * Null where the host has no kernels or the engine lacks SIMD, shared or several memories (Node 20): the twin runs
 * then.
 */
function load(): Machine | null {
  if (machine !== undefined) return machine;
  const bytes = host().kernelBytes();
  if (bytes === null) return machine = null;
  try {
    const module = new WebAssembly.Module(bytes);
    const scratch = new WebAssembly.Memory({ initial: 16, maximum: 65_536, shared: true });
    const env = { memory: scratch, a: scratch, b: scratch, c: scratch, o: scratch, p: scratch };
    machine = { module, scratch, local: instantiate(module, env) };
  } catch {
    machine = null;
  }
  return machine;
}

/** What runs on this thread. */
export const kernelKind = (): KernelKind => wanted === "wasm" && load() !== null ? "wasm" : "twin";

/** Choose what runs on this thread, for tests and benchmarks; a call hands its choice on to the workers. */
export function setKernelKind(kind: KernelKind): void {
  wanted = kind;
}

/**
 * Call a kernel on arrays. An array on a memory of its own (see core/memory.ts) is used where it is, any other is
 * copied to the thread's scratch memory and, if it is written, back.
 *
 * @param name exported name
 * @param arrays arrays by memory; missing ones are not touched by the kernel
 * @param table floats that the kernel finds at the address `scratch`, or the number of bytes it may use there
 * @param run makes the call from the addresses of the arrays
 * @param adds whether the kernel reads what it writes to
 */
export function withKernel(
  name: string,
  arrays: KernelArrays,
  table: Float32Array | number,
  run: (kernel: Kernel, at: Readonly<Record<"a" | "b" | "c" | "o" | "p" | "scratch", number>>) => void,
  adds: boolean = false,
): void {
  const { module, scratch, local } = load() as Machine;
  const at = { a: 0, b: 0, c: 0, o: 0, p: 0, scratch: 1024 };
  const tableBytes = typeof table === "number" ? table : table.byteLength;
  let top = 1024 + ((tableBytes + 127) & ~63);
  const env: Record<string, WebAssembly.Memory> = {
    memory: scratch,
    a: scratch,
    b: scratch,
    c: scratch,
    o: scratch,
    p: scratch,
  };
  const copied: [number, Float32Array | Uint8Array, boolean][] = [];
  let foreign: WebAssembly.Memory | null = null;
  let places = "";
  let several = false;
  for (const key of ["a", "b", "c", "o", "p"] as const) {
    const array = arrays[key];
    if (array === undefined) continue;
    const home = memoryOf(array.buffer);
    if (home !== undefined) {
      env[key] = home;
      at[key] = array.byteOffset;
      several ||= foreign !== null && foreign !== home;
      foreign = home;
      places += key;
    } else {
      at[key] = top;
      copied.push([top, array, key === "o" || key === "p"]);
      top += (array.byteLength + 127) & ~63;
    }
  }
  const missing = Math.ceil(top / pageBytes) - scratch.buffer.byteLength / pageBytes;
  if (missing > 0) scratch.grow(missing);
  if (typeof table !== "number") new Float32Array(scratch.buffer, 1024, table.length).set(table);
  const view = (from: number, array: Float32Array | Uint8Array) =>
    array instanceof Float32Array
      ? new Float32Array(scratch.buffer, from, array.length)
      : new Uint8Array(scratch.buffer, from, array.length);
  for (const [from, array, written] of copied) if (adds || !written) view(from, array).set(array);
  // An instance holds the memories it runs on: only one that knows no other may stay with its own.
  let exports = local;
  if (foreign !== null && several) exports = instantiate(module, env);
  else if (foreign !== null) {
    let mine = settled.get(foreign);
    if (mine === undefined) settled.set(foreign, mine = new Map());
    exports = mine.get(places) ?? instantiate(module, env);
    mine.set(places, exports);
  }
  run(exports[name], at);
  for (const [from, array, written] of copied) if (written) array.set(view(from, array));
}

/** The scratch memory as floats, for a kernel that is called row by row with new parameters. */
export const scratchFloats = (): Float32Array => new Float32Array((load() as Machine).scratch.buffer);
