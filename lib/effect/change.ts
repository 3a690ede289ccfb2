/** A number before and after a step. */

/** Before and after; null where it could not be measured. */
export interface Change {
  /** Before the step. */
  readonly before: number | null;
  /** After the step. */
  readonly after: number | null;
  /** After over before; null where one of them is unknown or before is 0. */
  readonly ratio: number | null;
  /** After less before; null where one of them is unknown. */
  readonly difference: number | null;
}

/** A number that public values hold: null instead of what is not finite. */
export const knownOrNull = (x: number): number | null => Number.isFinite(x) ? x : null;

/** The change from one measurement to the other; what is not finite is unknown. */
export function changeOf(first: number, second: number): Change {
  const before = knownOrNull(first);
  const after = knownOrNull(second);
  if (before === null || after === null) return { before, after, ratio: null, difference: null };
  return { before, after, ratio: before === 0 ? null : after / before, difference: after - before };
}
