/** Filter names as people and capture software write them, and the channel each stands for. */
import { readFileSync } from "node:fs";
import { FrameError } from "../core/errors.ts";
import { parseJson } from "./bounded_json.ts";

/** Names by channel: what a header may say for each channel. Upper and lower case, blanks and signs do not matter. */
export type FilterNames = Readonly<Record<string, readonly string[]>>;

/**
 * Names understood without further ado (common practice, no source). The channel `""` stands for no filter. A
 * bandwidth behind the name (`Ha 7nm`) does not matter. To add names of your own, give {@linkcode readFilterNames} a
 * JSON file.
 */
export const filterNames: FilterNames = Object.freeze({
  Ha: ["Ha", "H-a", "H-alpha", "Halpha", "Hydrogen alpha", "Hydrogen-a", "H656", "Hα"],
  Hb: ["Hb", "H-b", "H-beta", "Hbeta", "Hydrogen beta", "H486", "Hβ"],
  OIII: ["OIII", "O3", "O-III", "Oxygen III", "Oxygen 3", "Oxygen", "O500"],
  SII: ["SII", "S2", "S-II", "Sulfur II", "Sulphur II", "Sulfur", "Sulphur", "S672"],
  NII: ["NII", "N2", "N-II", "Nitrogen II", "N658"],
  L: ["L", "Lum", "Luminance", "Luminosity", "Clear", "Clr", "C", "UV/IR cut", "UVIR", "IR cut"],
  R: ["R", "Red"],
  G: ["G", "Green", "Grn"],
  B: ["B", "Blue", "Blu"],
  HaOIII: [
    "HaOIII",
    "Ha OIII",
    "OIII Ha",
    "Ha+O3",
    "HO",
    "Dual band",
    "Dual narrowband",
    "Duo band",
    "Dualband",
    "Duo narrowband",
  ],
  SIIOIII: ["SIIOIII", "SII OIII", "OIII SII", "S2O3", "SO"],
  HbOIII: ["HbOIII", "Hb OIII", "OIII Hb"],
  "": ["", "none", "no filter", "open", "empty", "air", "n/a", "null", "unknown"],
});

/** Letters and digits only, a bandwidth at the end taken off. */
function bare(name: string): string {
  return name.toLowerCase().replace(/α/g, "alpha").replace(/β/g, "beta")
    .replace(/[\s_-]*\(?\d+(\.\d+)?\s*(nm|a|å|angstrom)\)?\s*$/, "").replace(/[^\p{L}\p{N}]/gu, "");
}

/**
 * The channel a filter name stands for; the name as written when the table does not know it.
 *
 * @param name what the header says
 * @param names table to look it up in
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { channelOfFilter } from "faintlight/io";
 *
 * assert.equal(channelOfFilter("H_Alpha 7nm"), "Ha");
 * assert.equal(channelOfFilter("[OIII]"), "OIII");
 * assert.equal(channelOfFilter("Methane"), "Methane");
 * ```
 */
export function channelOfFilter(name: string, names: FilterNames = filterNames): string {
  const wanted = bare(name);
  for (const [channel, spellings] of Object.entries(names)) {
    if (bare(channel) === wanted || spellings.some((each) => bare(each) === wanted)) return channel;
  }
  return name.trim();
}

/**
 * The table of filter names with those of a JSON file in front: `{ "Ha": ["slot 5"], "L": ["my clear"] }`.
 *
 * @param path JSON file: an object with a list of spellings for each channel
 * @throws {FrameError} if the file is missing or is not such an object
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { channelOfFilter, readFilterNames } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "names-"));
 * writeFileSync(join(folder, "filters.json"), '{"Ha": ["slot 5"]}');
 * assert.equal(channelOfFilter("Slot-5", readFilterNames(join(folder, "filters.json"))), "Ha");
 * rmSync(folder, { recursive: true });
 * ```
 */
export function readFilterNames(path: string): FilterNames {
  const form = 'must be an object like {"Ha": ["slot 5"]}';
  let given: unknown;
  try {
    given = parseJson(readFileSync(path, "utf8"), path);
  } catch (cause) {
    const missing = (cause as { code?: unknown }).code === "ENOENT";
    throw missing
      ? new FrameError(path, "missing", "does not exist", "check the path of the filter names", cause)
      : new FrameError(
        path,
        "unreadable",
        `is no JSON (${cause instanceof Error ? cause.message : cause})`,
        form,
        cause,
      );
  }
  const valid = typeof given === "object" && given !== null && !Array.isArray(given) &&
    Object.values(given).every((each) => Array.isArray(each) && each.every((name) => typeof name === "string"));
  if (!valid) throw new FrameError(path, "unreadable", form, "correct the file of filter names");
  const own = given as Record<string, string[]>;
  const result: Record<string, readonly string[]> = {};
  for (const [channel, names] of Object.entries(own)) result[channel] = [...names];
  for (const [channel, names] of Object.entries(filterNames)) {
    const taken = new Set(
      Object.entries(own).filter(([each]) => each !== channel).flatMap(([, each]) => each.map(bare)),
    );
    result[channel] = [...(result[channel] ?? []), ...names.filter((each) => !taken.has(bare(each)))];
  }
  return Object.freeze(result);
}
