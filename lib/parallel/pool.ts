/**
 * Runs pieces of work on all processors and waits for them: synchronous, results in the order of the jobs.
 *
 * Workers are started at the first call that needs them and kept. A call hands every worker the list of jobs once; a
 * shared counter says which is next, so a slow job holds nobody up. The main thread sleeps in `Atomics.wait` for a few
 * milliseconds at a time and collects results with `receiveMessageOnPort`, so that nothing has to be awaited, reports
 * appear while the work goes on, and a notebook's Stop button ends the wait.
 */
import { host, type HostWorker } from "../core/host.ts";
import { collectionsDue, SharedBuffer } from "../core/memory.ts";
import { type Progress, silent } from "../core/progress.ts";
import { receiveError } from "./carried_error.ts";
import { callSlot, type PoolAnswer, type PoolCall, poolSlot } from "./pool_messages.ts";

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

interface Pool {
  readonly workers: readonly HostWorker[];
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

let wanted = -1;
let pool: Pool | null = null;
let open: OpenCall | null = null;
let epoch = 0;

/** Whether workers can run here; elsewhere the jobs run on this thread. Null: not asked yet. */
let able: boolean | null = null;

function canStart(): boolean {
  able ??= host().canStartWorkers();
  return able;
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
  if (wanted < 0) wanted = Math.min(16, host().processors());
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
  for (const worker of old?.workers ?? []) worker.end();
}

/** Sleep until a worker signals, at most a few milliseconds. */
function nap(shared: Int32Array, seen: number): void {
  Atomics.wait(shared, poolSlot.signal, seen, napMs);
}

function start(): Pool | null {
  if (pool !== null) return pool;
  const shared = new Int32Array(new SharedBuffer(64));
  const count = workerCount();
  const workers = Array.from({ length: count }, () => host().startWorker(shared));
  const limit = performance.now() + startMs;
  while (Atomics.load(shared, poolSlot.ready) < count) {
    const seen = Atomics.load(shared, poolSlot.signal);
    if (Atomics.load(shared, poolSlot.ready) >= count) break;
    if (performance.now() > limit) {
      for (const worker of workers) worker.end();
      able = false;
      return null;
    }
    nap(shared, seen);
  }
  pool = { workers, shared };
  return pool;
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
 * Without workers (0 wanted, one job only, called inside a job or a report, or on a host that has none) the jobs run
 * here one after the other.
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

  const { workers, shared } = team;
  const total = jobs.length;
  const counters = new Int32Array(new SharedBuffer(64));
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
    for (const worker of workers) {
      for (let got = worker.receive(); got !== undefined; got = worker.receive()) {
        const answer = got.message as PoolAnswer;
        if (answer.epoch !== call.epoch) continue;
        for (const [index, result] of answer.results) results[index] = result as Result;
        if (answer.failure !== null && answer.failure.index < (failure?.index ?? Infinity)) failure = answer.failure;
      }
    }
  };
  try {
    for (let i = 0; i < crew; i++) workers[i].post(call);
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
