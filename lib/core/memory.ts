/**
 * Memory for planes. A large plane lies at the start of a shared WebAssembly memory of its own: workers share it, and
 * the kernels read and write it where it is. Two facts of the engine need care. Shared memory counts for nothing in
 * its decision when to collect garbage, so synchronous work over many frames would never give any back (12.5 GB for
 * 120 dropped planes of 104 MB were seen): this file counts what it hands out and asks for a collection. And the first
 * touch of fresh memory costs more than most kernels, so what is given back explicitly is handed out again.
 */
import { host } from "./host.ts";

/** Bytes of a page of WebAssembly memory. */
const pageBytes = 65_536;
/** Smaller planes do not get a memory of their own: kernels copy them. */
const ownMemoryBytes = 4 * pageBytes;
/**
 * After so many fresh bytes a collection is due: its cost (about 40 ms) disappears beside that of touching them. Twice
 * as many cost as much time and 0.3 GiB more at the peak (`tests/bench/memory.ts`).
 */
const collectEvery = 384 * 2 ** 20;
/** Most that is kept for reuse. */
const mostKept = 1024 * 2 ** 20;

/** The class of shared buffers. A page that is not isolated hides its name, but a shared memory still has one. */
export const SharedBuffer: SharedArrayBufferConstructor = globalThis.SharedArrayBuffer ??
  new WebAssembly.Memory({ initial: 1, maximum: 1, shared: true }).buffer.constructor;

/** Whether other threads see what is written to a buffer. */
export const isShared = (buffer: ArrayBufferLike): buffer is SharedArrayBuffer => buffer instanceof SharedBuffer;

const homes = new WeakMap<ArrayBufferLike, WebAssembly.Memory>();
const kept = new Map<number, WebAssembly.Memory[]>();
/** What was kept at the last collection and has not been handed out since. */
let idle = new Set<WebAssembly.Memory>();
let keptBytes = 0;
let sinceCollection = 0;
let collections = 0;

/** Let go of what nobody asked for between two collections: a run's next stage wants planes of other sizes. */
function dropIdle(): void {
  for (const [pages, list] of kept) {
    const wanted = list.filter((memory) => !idle.has(memory));
    keptBytes -= (list.length - wanted.length) * pages * pageBytes;
    kept.set(pages, wanted);
  }
  idle = new Set([...kept.values()].flat());
}

/**
 * Collect garbage now; does nothing where the engine does not let us. A plane that workers have seen lives until they
 * collect, too: the pool tells them.
 */
export function collect(): void {
  sinceCollection = 0;
  collections++;
  dropIdle();
  host().collectGarbage();
}

function freshMemory(pages: number): WebAssembly.Memory {
  sinceCollection += pages * pageBytes;
  if (sinceCollection > collectEvery) collect();
  const make = () => new WebAssembly.Memory({ initial: pages, maximum: pages, shared: true });
  try {
    return make();
  } catch {
    // Out of address space or memory: what nobody uses any more may be enough.
    kept.clear();
    keptBytes = 0;
    collect();
    return make();
  }
}

/** The memory that a buffer is the whole of; undefined for any other buffer. */
export const memoryOf = (buffer: ArrayBufferLike): WebAssembly.Memory | undefined => homes.get(buffer);

/** Remember which memory a buffer is the whole of. */
function home(memory: WebAssembly.Memory): ArrayBufferLike {
  const buffer = memory.buffer as ArrayBufferLike;
  homes.set(buffer, memory);
  return buffer;
}

/** Make a memory that came from another thread known to {@linkcode memoryOf}. */
export function adoptMemory(memory: WebAssembly.Memory): ArrayBufferLike {
  const buffer = memory.buffer as ArrayBufferLike;
  return homes.has(buffer) ? buffer : home(memory);
}

/** Number of collections that were due on this thread so far. */
export const collectionsDue = (): number => collections;

/**
 * Shared memory of at least `bytes` bytes, filled with 0 unless `dirty`. A view must give offset 0 and its own length:
 * the buffer may be longer.
 *
 * @param dirty true if every byte will be written anyway
 */
export function allocateShared(bytes: number, dirty = false): SharedArrayBuffer {
  if (bytes < ownMemoryBytes) return new SharedBuffer(bytes);
  const pages = Math.ceil(bytes / pageBytes);
  const used = kept.get(pages)?.pop();
  if (used !== undefined) {
    keptBytes -= pages * pageBytes;
    idle.delete(used);
    const buffer = home(used);
    if (!dirty) new Uint8Array(buffer).fill(0);
    return buffer as SharedArrayBuffer;
  }
  return home(freshMemory(pages)) as SharedArrayBuffer;
}

/** Samples of one plane whose content is arbitrary: for a caller that writes every one of them. */
export const borrowPlane = (samples: number): Float32Array =>
  new Float32Array(allocateShared(4 * samples, true), 0, samples);

/**
 * Give memory back that nobody uses any more, to be handed out again. Only for what the library allocated for itself:
 * an array that a public function returned must never come here.
 */
export function returnPlane(plane: Float32Array): void {
  const memory = memoryOf(plane.buffer);
  if (memory === undefined) return;
  const bytes = plane.buffer.byteLength;
  const pages = bytes / pageBytes;
  if (keptBytes + bytes > mostKept) return;
  const list = kept.get(pages) ?? [];
  if (list.includes(memory)) throw new RangeError("returnPlane: a plane must be returned once, but came back again");
  list.push(memory);
  kept.set(pages, list);
  keptBytes += bytes;
}
