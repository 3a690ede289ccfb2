/** Runs pieces of work on all processors and waits for them: synchronous, results in the order of the jobs. */
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
  /** Receives a report now and then. */
  readonly progress?: Progress;
}

/**
 * Run a task once for each job and wait. Jobs and results are structured-cloned; arrays on shared memory are shared.
 * The result does not depend on the number of workers.
 */
export function parallelMap<Job, Result>(
  task: PoolTask<Job, Result>,
  jobs: readonly Job[],
  options: ParallelOptions = {},
): Result[] {
  const { label = task.name, progress = silent } = options;
  return jobs.map((job, index) => {
    const result = task.run(job);
    progress({ label, done: index + 1, total: jobs.length });
    return result;
  });
}
