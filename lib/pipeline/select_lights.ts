/** The lights of a night that a person looks at. */
import type { Verdict } from "../night/causes/cause.ts";
import { type Light, type Night, nightOf, stateOf } from "./night.ts";

/** Which lights to keep in sight; what is left out does not narrow. */
export interface LightWhere {
  /** Filter, `Ha`. */
  readonly filter?: string;
  /** Rig. */
  readonly rig?: string;
  /** Night, `2026-10-03`. */
  readonly session?: string;
  /** What is done with it. */
  readonly verdict?: Verdict;
  /** What went wrong; one cause of several is enough. */
  readonly cause?: string;
  /** A part of the file's path. */
  readonly file?: string;
}

const verdicts: readonly string[] = ["keep", "down-weight", "reject"];

/** Whether a light has what one word of the question asks for. */
const tests: Readonly<Record<keyof LightWhere, (light: Light, value: string) => boolean>> = {
  filter: (light, value) => light.filter === value,
  rig: (light, value) => light.rig === value,
  session: (light, value) => light.session === value,
  verdict: (light, value) => light.verdict === value,
  cause: (light, value) => light.cause.split(/; | or /).includes(value),
  file: (light, value) => light.file.includes(value),
};

/** A misspelt filter, rig or session is refused: it would leave nothing, in silence. */
function requireKnown(night: Night, name: string, value: string): void {
  if (name === "verdict" && !verdicts.includes(value)) {
    throw new RangeError(`selectLights: verdict must be one of ${verdicts.join(", ")}, but got "${value}"`);
  }
  if (name !== "filter" && name !== "rig" && name !== "session") return;
  const there = [...new Set(night.lights.map((light) => light[name]))];
  if (there.includes(value)) return;
  throw new RangeError(`selectLights: ${name} must be one of ${there.join(", ")}, but got "${value}"`);
}

/**
 * Narrow a night to some of its lights. Registration, reference, verdicts and weights stay those of the whole night,
 * and stacks are made of what is left.
 *
 * @param night from `openNight`
 * @param where `{ filter: "OIII", cause: "cloud" }`, or a function that says of each light whether it stays
 * @throws {RangeError} if no light has that filter, rig or session, or there is no such verdict
 * @throws {TypeError} if the question is not known
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { type Night, selectLights } from "faintlight";
 *
 * const cloudy = (night: Night) => selectLights(night, { filter: "OIII", cause: "cloud" }).lights;
 * assert.equal(cloudy.length, 1);
 * ```
 */
export function selectLights(night: Night, where: LightWhere | ((light: Light) => boolean)): Night {
  const state = stateOf("selectLights", night);
  const lights = typeof where === "function" ? night.lights.filter(where) : lightsWhere(night, where);
  return nightOf({ ...state, selected: new Set(lights.map(({ file }) => file)) });
}

function lightsWhere(night: Night, where: LightWhere): readonly Light[] {
  const asked = Object.entries(where).filter(([, value]) => value !== undefined);
  for (const [name, value] of asked) {
    if (!(name in tests)) {
      throw new TypeError(`selectLights: where must say ${Object.keys(tests).join(", ")}, but got "${name}"`);
    }
    requireKnown(night, name, value);
  }
  return night.lights.filter((light) => asked.every(([name, value]) => tests[name as keyof LightWhere](light, value)));
}
