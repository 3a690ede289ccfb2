/** A number that a notebook states, and that must come out. */
import { currentDisplay } from "./display.ts";
import { show } from "./show.ts";

/**
 * State what a reader should see and hold the run to it: shows the number beside what was promised, and throws when it
 * lies further off than said, so that text and result of a notebook cannot drift apart.
 *
 * @param what the quantity in words, with its unit: `noise of the stack (ADU)`
 * @param found the number that came out; `null`, as a report has where nothing could be measured, never comes out
 * @param expected the number promised
 * @param within how far off it may lie; say in the text why
 * @throws {RangeError} if the number lies further off, is NaN or null, or `within` is not a number of 0 or more
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { youShouldSee } from "faintlight";
 *
 * youShouldSee("noise of a mean of 16 equal frames, in units of one frame's", 0.252, 0.25, 0.01);
 * assert.throws(() => youShouldSee("frames kept", 13, 14, 0), /frames kept: must be 14 ± 0, but got 13/);
 * ```
 */
export function youShouldSee(what: string, found: number | null, expected: number, within: number): void {
  if (!(within >= 0)) throw new RangeError(`youShouldSee: within must be ≥ 0, but got ${within}`);
  const plain = (value: number | null) => value === null ? "nothing" : String(Number(value.toPrecision(4)));
  const promised = `${plain(expected)} ± ${plain(within)}`;
  if (found === null || !(Math.abs(found - expected) <= within)) {
    throw new RangeError(`youShouldSee: ${what}: must be ${promised}, but got ${plain(found)}`);
  }
  if (currentDisplay() !== null) show(`You should see: ${what} ${plain(found)} (promised ${promised})`);
}
