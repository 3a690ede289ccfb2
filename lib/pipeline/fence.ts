/** Pieces of work whose failure is said and does not end a night. */
import { FrameError } from "../core/errors.ts";
import type { Progress } from "../core/progress.ts";

/** What went wrong, in one line. */
export function factOf(error: unknown): string {
  const text = error instanceof Error ? error.message : String(error);
  return text.split("\n")[0] || "it failed without a word";
}

/** Why one file of a night could not be measured: the file, the fact and the remedy. */
export function failureOf(path: string, error: unknown): string {
  if (error instanceof FrameError) return error.message;
  return `${path}: cannot be measured, because ${factOf(error)}; look at the frame, or leave it out`;
}

/** What a receiver of progress threw: the person's wish to stop, which no fence holds. */
const stops = new WeakSet<object>();

/** Progress whose receiver may stop the work from within a fence. */
export const stoppable = (progress: Progress): Progress => (event) => {
  try {
    progress(event);
  } catch (error) {
    if (typeof error === "object" && error !== null) stops.add(error);
    throw error;
  }
};

/** What the system says when nothing can be written any more: no fence helps the work behind it. */
const diskFaults: readonly unknown[] = ["ENOSPC", "EDQUOT", "EROFS"];

/** Whether an error ends a night. */
const endsAll = (error: unknown): boolean =>
  typeof error === "object" && error !== null &&
  (stops.has(error) || diskFaults.includes((error as { readonly code?: unknown }).code));

/**
 * Do a piece of work, or what stands for it when it fails.
 *
 * @param otherwise given the fact
 */
export function fenced<T>(work: () => T, otherwise: (fact: string) => T): T {
  try {
    return work();
  } catch (error) {
    if (endsAll(error)) throw error;
    return otherwise(factOf(error));
  }
}
