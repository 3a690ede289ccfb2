/** What the main thread and the workers of the pool say to each other. */
import type { CarriedError } from "./carried_error.ts";

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
