/** Other masters for some lights of a night. */
import { givenMasters, type MastersToUse } from "./given_masters.ts";
import { type Night, nightOf, stateOf } from "./night.ts";
import { judgeAgain } from "./open_night.ts";

/** Which lights get other masters; what is left out does not narrow. */
export interface MatchWhere {
  /** Filter of the lights. */
  readonly filter?: string;
  /** Rig of the lights. */
  readonly rig?: string;
  /** Night of the lights, `2026-10-03`. */
  readonly session?: string;
}

/**
 * Use another dark, flat, bias or defect mask for some lights. Those are calibrated, measured and judged again when
 * what calibrates them has changed; the person's decisions stay.
 *
 * @param night from `openNight`
 * @param masters `{ flat: myFlat }`: an image, a path, a frame record, or a list of them to combine; null leaves one
 * away
 * @param where the lights concerned, all of them when left out
 * @throws {RangeError} if a master has another size or kind than the lights want, or no light is concerned
 * @throws {TypeError} if a master is a finished picture
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { type Image, type Night, replaceMasters } from "faintlight";
 *
 * const withFlat = (night: Night, flat: Image) => replaceMasters(night, { flat }, { filter: "OIII" });
 * assert.equal(withFlat.length, 2);
 * ```
 */
export function replaceMasters(night: Night, masters: MastersToUse, where: MatchWhere = {}): Night {
  const step = "replaceMasters";
  const state = stateOf(step, night);
  const { matches } = state.calibration.plan;
  const wanted = Object.entries(where).filter(([, value]) => value !== undefined);
  for (const [name] of wanted) {
    if (["filter", "rig", "session"].includes(name)) continue;
    throw new TypeError(`${step}: where must say filter, rig or session, but got "${name}"`);
  }
  const concerned = matches.map(({ group }) =>
    wanted.every(([name, value]) => group[name as keyof MatchWhere] === value)
  );
  if (!concerned.includes(true)) {
    throw new RangeError(
      `${step}: where must fit some lights, but ${JSON.stringify(where)} fits none of ${
        matches.map(({ group }) => group.name).join(", ")
      }`,
    );
  }
  const given = matches.map((match, at) =>
    concerned[at] ? { ...state.given[at], ...present(givenMasters(step, masters, match)) } : state.given[at]
  );
  const calibrators = matches.map((match, at) => state.maker.calibratorFor(match, given[at]));
  return nightOf(judgeAgain({ ...state, given }, calibrators, state.decisions));
}

/** A master that was not spoken of keeps what it was. */
const present = <T extends object>(given: T): Partial<T> =>
  Object.fromEntries(Object.entries(given).filter(([, value]) => value !== undefined)) as Partial<T>;
