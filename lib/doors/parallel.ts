/**
 * Workers. Nothing is defined here.
 * @module
 */

// parallel
import "../host/deno.ts";

export {
  closePool,
  parallelMap,
  type ParallelOptions,
  type PoolTask,
  setWorkerCount,
  workerCount,
} from "../parallel/pool.ts";
