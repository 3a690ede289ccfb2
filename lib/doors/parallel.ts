/**
 * Workers. Nothing is defined here.
 * @module
 */

// parallel
export {
  closePool,
  parallelMap,
  type ParallelOptions,
  type PoolTask,
  setWorkerCount,
  workerCount,
} from "../parallel/pool.ts";
