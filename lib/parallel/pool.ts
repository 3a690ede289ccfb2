/**
 * Runs pieces of work on all processors and waits for them: synchronous, results in the order of the jobs.
 *
 * Workers are started at the first call that needs them and kept. A call hands every worker the list of jobs once; a
 * shared counter says which is next, so a slow job holds nobody up. The main thread sleeps in `Atomics.wait` for a few
 * milliseconds at a time and collects results with `receiveMessageOnPort`, so that nothing has to be awaited, reports
 * appear while the work goes on, and a notebook's Stop button ends the wait.
 *
 * Workers are those of node:worker_threads, because they can be unreferenced: a program ends by itself when its work
 * is done.
 */
import { readFileSync } from "node:fs";
import { availableParallelism } from "node:os";
import { type MessagePort as NodePort, receiveMessageOnPort, Worker } from "node:worker_threads";
import { FrameError, type FrameErrorReason } from "../core/errors.ts";
import { collectionsDue } from "../core/memory.ts";
import { type Progress, silent } from "../core/progress.ts";

/** A function that workers can find again: the module that exports it, and its name there. */
export interface PoolTask<Job, Result> {
  /** `import.meta.url` of the module that exports the function. */
  readonly module: string;
  /** Exported name of the function. */
  readonly name: string;
  /** The function; pure, or writing only to shared arrays that no other job of the call writes to. */
  readonly run: (job: Job) => Result;
}

/** Settings of one call. */
export interface ParallelOptions {
  /** What is being done, for progress. */
  readonly label?: string;
  /** Receives a report now and then; may throw to stop the work. */
  readonly progress?: Progress;
  /** Run on this thread: for jobs that take less than the fraction of a millisecond which handing them over costs. */
  readonly inline?: boolean;
}

/** An error on its way from a worker to the main thread. */
export interface CarriedError {
  /** Name of the class. */
  readonly name: string;
  /** Message. */
  readonly message: string;
  /** Where it was thrown, in the worker. */
  readonly stack: string;
  /** Path and reason of a {@linkcode FrameError}, code of a system error. */
  readonly path?: string;
  /** See path. */
  readonly reason?: string;
  /** See path. */
  readonly code?: string;
  /** What caused it, if that was an error. */
  readonly cause?: CarriedError;
}

/** What the main thread sends: one call. */
export interface PoolCall {
  /** Number of the call. */
  readonly epoch: number;
  /** Module and name of the function. */
  readonly module: string;
  /** See module. */
  readonly name: string;
  /** All jobs of the call. */
  readonly jobs: readonly unknown[];
  /** Shared counters of the call, see {@linkcode callSlot}. */
  readonly counters: Int32Array;
  /** Collections of garbage on the main thread so far: workers follow. */
  readonly collections: number;
}

/** What a worker sends back. */
export interface PoolAnswer {
  /** Number of the call. */
  readonly epoch: number;
  /** Results with the index of their job; jobs that return nothing are left out. */
  readonly results: readonly (readonly [number, unknown])[];
  /** The first error of this worker, with the index of its job. */
  readonly failure: { readonly index: number; readonly error: CarriedError } | null;
}

/** What a worker needs to start. */
export interface PoolStart {
  /** Shared counters of the pool, see {@linkcode poolSlot}. */
  readonly shared: Int32Array;
}

/**
 * Slots of a call's counters: the next job, jobs done, 1 when no further job may begin, workers that began the call and
 * workers that ended it.
 */
export const callSlot: Readonly<Record<"next" | "done" | "stop" | "begun" | "ended", number>> = Object.freeze({
  next: 0,
  done: 1,
  stop: 2,
  begun: 3,
  ended: 4,
});
/** Slots of the pool's counters: counts events that the main thread sleeps for, and workers that have started. */
export const poolSlot: Readonly<Record<"signal" | "ready", number>> = Object.freeze({ signal: 0, ready: 1 });

interface Pool {
  readonly workers: readonly Worker[];
  readonly ports: readonly MessagePort[];
  readonly shared: Int32Array;
}

/** A call that has not ended; left behind when the main thread was interrupted. */
interface OpenCall {
  readonly counters: Int32Array;
  /** True while the caller's progress function runs. */
  reporting: boolean;
}

/** Longest sleep of the main thread, milliseconds; bounds how late a Stop button or a report is. */
const napMs = 20;
/** How long workers may take to start, milliseconds; a busy machine took 1000. */
const startMs = 20_000;

const workerUrl = new URL("./worker.ts", import.meta.url);
let wanted = -1;
let pool: Pool | null = null;
let open: OpenCall | null = null;
let epoch = 0;

/** Whether workers can run here: under Deno, from files that may be read. Elsewhere the jobs run on this thread. */
let able: boolean | null = null;
function canStart(): boolean {
  if (able !== null) return able;
  able = false;
  if ("Deno" in globalThis && workerUrl.protocol === "file:") {
    try {
      // Starting a worker needs the permission to read its file; without it the worker would only fail later.
      readFileSync(workerUrl);
      able = true;
    } catch {
      able = false;
    }
  }
  return able;
}

/** Processors, as far as this process may know. */
function processors(): number {
  const told = globalThis.navigator?.hardwareConcurrency;
  if (typeof told === "number" && told > 0) return told;
  try {
    return availableParallelism();
  } catch {
    return 1;
  }
}

/**
 * Number of workers that {@linkcode parallelMap} uses; 0 means that jobs run on the calling thread.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { setWorkerCount, workerCount } from "faintlight/parallel";
 *
 * setWorkerCount(0);
 * assert.equal(workerCount(), 0);
 * ```
 */
export function workerCount(): number {
  if (wanted < 0) wanted = Math.min(16, processors());
  return wanted > 0 && canStart() ? wanted : 0;
}

/**
 * Choose the number of workers. Results never depend on it. Default: one a processor, at most 16.
 *
 * @param count 0 for none: everything runs on the calling thread
 * @throws {RangeError} if count is not a whole number from 0 to 64
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { setWorkerCount, workerCount } from "faintlight/parallel";
 *
 * setWorkerCount(0);
 * assert.equal(workerCount(), 0);
 * ```
 */
export function setWorkerCount(count: number): void {
  if (!(Number.isInteger(count) && count >= 0 && count <= 64)) {
    throw new RangeError(`setWorkerCount: count must be a whole number from 0 to 64, but got ${count}`);
  }
  if (count !== wanted) closePool();
  wanted = count;
}

/**
 * End all workers; the next call starts new ones. A program need not call it: idle workers do not keep it alive. It is
 * the way out when a job of an interrupted call never ends.
 *
 * @example
 * ```ts
 * import { closePool } from "faintlight/parallel";
 *
 * closePool();
 * ```
 */
export function closePool(): void {
  const old = pool;
  pool = null;
  open = null;
  for (const port of old?.ports ?? []) port.close();
  for (const worker of old?.workers ?? []) void worker.terminate();
}

/** The next message that has come in, without waiting. */
const receive = (port: MessagePort) => receiveMessageOnPort(port as unknown as NodePort);

/** Sleep until a worker signals, at most a few milliseconds. */
function nap(shared: Int32Array, seen: number): void {
  Atomics.wait(shared, poolSlot.signal, seen, napMs);
}

function start(): Pool | null {
  if (pool !== null) return pool;
  const shared = new Int32Array(new SharedArrayBuffer(64));
  const count = workerCount();
  const workers: Worker[] = [];
  const ports: MessagePort[] = [];
  for (let i = 0; i < count; i++) {
    const { port1, port2 } = new MessageChannel();
    const worker = new Worker(workerUrl, { workerData: { shared } satisfies PoolStart });
    // Nothing to do here: a worker that cannot start never says that it is ready.
    worker.on("error", () => {});
    worker.postMessage({ port: port2 }, [port2 as unknown as NodePort]);
    worker.unref();
    workers.push(worker);
    ports.push(port1);
  }
  const limit = performance.now() + startMs;
  while (Atomics.load(shared, poolSlot.ready) < count) {
    const seen = Atomics.load(shared, poolSlot.signal);
    if (Atomics.load(shared, poolSlot.ready) >= count) break;
    if (performance.now() > limit) {
      for (const worker of workers) void worker.terminate();
      able = false;
      return null;
    }
    nap(shared, seen);
  }
  pool = { workers, ports, shared };
  return pool;
}

/** Carry an error to another thread. */
export function carryError(thrown: unknown, depth = 0): CarriedError {
  if (!(thrown instanceof Error)) return { name: "Error", message: String(thrown), stack: "" };
  const { name, message, stack = "", cause } = thrown;
  const extra = thrown as { readonly path?: unknown; readonly reason?: unknown; readonly code?: unknown };
  const text = (value: unknown) => typeof value === "string" ? value : undefined;
  return {
    name,
    message,
    stack,
    path: text(extra.path),
    reason: text(extra.reason),
    code: text(extra.code),
    cause: cause instanceof Error && depth < 4 ? carryError(cause, depth + 1) : undefined,
  };
}

const builtIn: Readonly<Record<string, new (message: string, options?: ErrorOptions) => Error>> = {
  TypeError,
  RangeError,
  SyntaxError,
  ReferenceError,
  EvalError,
  URIError,
};

/** The error that was carried: same class, message and fields; its stack names the place in the worker. */
export function receiveError(carried: CarriedError): Error {
  const { name, message, stack, path, reason, code } = carried;
  const cause = carried.cause === undefined ? undefined : { cause: receiveError(carried.cause) };
  let error: Error;
  if (name === "FrameError" && path !== undefined && reason !== undefined) {
    error = new FrameError(path, reason as FrameErrorReason, "", "", cause?.cause);
    error.message = message;
  } else {
    error = new (builtIn[name] ?? Error)(message, cause);
    if (error.name !== name) error.name = name;
    if (path !== undefined) Object.assign(error, { path });
    if (code !== undefined) Object.assign(error, { code });
  }
  if (stack !== "") error.stack = stack;
  return error;
}

/**
 * Wait until no worker is at work on a call that was interrupted. Call it before memory that such a call may still
 * write to is given to somebody else; {@linkcode parallelMap} does so itself.
 */
export function settlePool(): void {
  if (open === null || pool === null || open.reporting) return;
  const { counters } = open;
  // A worker says that it begins before it looks at the stop mark: one that has not begun by now will take no job.
  Atomics.store(counters, callSlot.stop, 1);
  for (;;) {
    const seen = Atomics.load(pool.shared, poolSlot.signal);
    if (Atomics.load(counters, callSlot.begun) === Atomics.load(counters, callSlot.ended)) break;
    nap(pool.shared, seen);
  }
  open = null;
}

/**
 * A report during which the thread was interrupted must not look like one that still runs: this takes effect once the
 * stack has unwound. A function of its own, because what waits for the end of the turn keeps alive all that it can
 * see, and a long run is one turn: inside parallelMap that would be every array of every call.
 */
function endReportWithTurn(call: OpenCall): void {
  queueMicrotask(() => call.reporting = false);
}

function runHere<Job, Result>(
  task: PoolTask<Job, Result>,
  jobs: readonly Job[],
  label: string,
  progress: Progress,
): Result[] {
  return jobs.map((job, index) => {
    const result = task.run(job);
    progress({ label, done: index + 1, total: jobs.length });
    return result;
  });
}

/**
 * Run a task once for each job and wait. Jobs and results are structured-cloned; arrays on shared memory are shared.
 * Results come in the order of the jobs and do not depend on the number of workers.
 *
 * An error in a job is thrown here with its class, message and fields; of several, the one of the first job. Jobs
 * behind it that had not begun are not run. When `progress` throws, or the thread is interrupted, no further job
 * begins, and the next call waits for those still running before it starts.
 *
 * Without workers (0 wanted, one job only, called inside a job or a report, not under Deno, or the library's files may
 * not be read) the jobs run here one after the other.
 *
 * @throws whatever a job or `progress` throws
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parallelMap } from "faintlight/parallel";
 *
 * // A module of its own exports the function, so that workers find it: export const square = (x: number) => x * x;
 * const task = { module: import.meta.url, name: "square", run: (x: number) => x * x };
 * assert.deepEqual(parallelMap(task, [1, 2, 3], { inline: true }), [1, 4, 9]);
 * ```
 */
export function parallelMap<Job, Result>(
  task: PoolTask<Job, Result>,
  jobs: readonly Job[],
  options: ParallelOptions = {},
): Result[] {
  const { label = task.name, progress = silent, inline = false } = options;
  settlePool();
  const nested = open !== null;
  const team = inline || nested || jobs.length < 2 || workerCount() === 0 ? null : start();
  if (team === null) return runHere(task, jobs, label, progress);

  const { workers, ports, shared } = team;
  const total = jobs.length;
  const counters = new Int32Array(new SharedArrayBuffer(64));
  const call: PoolCall = {
    epoch: ++epoch,
    module: task.module,
    name: task.name,
    jobs,
    counters,
    collections: collectionsDue(),
  };
  const mine: OpenCall = { counters, reporting: false };
  const crew = Math.min(workers.length, total);
  open = mine;
  endReportWithTurn(mine);
  const results: Result[] = new Array(total);
  let failure: PoolAnswer["failure"] = null;
  const collect = () => {
    for (const port of ports) {
      for (let got = receive(port); got !== undefined; got = receive(port)) {
        const answer = (got as { readonly message: PoolAnswer }).message;
        if (answer.epoch !== call.epoch) continue;
        for (const [index, result] of answer.results) results[index] = result as Result;
        if (answer.failure !== null && answer.failure.index < (failure?.index ?? Infinity)) failure = answer.failure;
      }
    }
  };
  try {
    // Through a port of the engine's own: those of node:worker_threads look at every sample of every array before
    // sending (300 ms for a million).
    for (let i = 0; i < crew; i++) ports[i].postMessage(call);
    let reported = 0;
    for (;;) {
      const seen = Atomics.load(shared, poolSlot.signal);
      const ended = Atomics.load(counters, callSlot.ended) === crew;
      const done = Atomics.load(counters, callSlot.done);
      collect();
      if (done > reported) {
        reported = done;
        mine.reporting = true;
        progress({ label, done, total });
        mine.reporting = false;
      }
      if (ended) break;
      nap(shared, seen);
    }
  } finally {
    mine.reporting = false;
    settlePool();
  }
  if (failure !== null) throw receiveError((failure as NonNullable<PoolAnswer["failure"]>).error);
  return results;
}
