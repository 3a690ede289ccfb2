/** A picture made again from the record inside it. */
import { namesInWords } from "../core/names_in_words.ts";
import { digestFiles, existsFile, readBytes } from "../io/digest_files.ts";
import { join } from "../io/paths.ts";
import { kindsAsDecisions } from "../night/kind_decisions.ts";
import { readRecord } from "./record.ts";
import { type NightRun, runNightAs, type RunNightOptions } from "./run_night.ts";

/** Options of {@linkcode rerunPicture}; the output folder is a new one. */
export type RerunOptions = Partial<Omit<RunNightOptions, "recipe" | "decisions">> & Pick<RunNightOptions, "out">;

/** What came of repeating a picture. */
export interface RerunOutcome extends NightRun {
  /** Whether the picture's samples are the same, bit for bit. */
  readonly sameBytes: boolean;
}

/**
 * Repeat a picture from its record and say whether the samples agree.
 *
 * @param picture path of a picture.png or record.json
 * @param folder the folder with the raw frames it was made from
 * @param options where results go; progress
 * @throws {RangeError} if the folder lacks a file of the record, or holds it with other content
 * @throws {SyntaxError} if the file holds no record
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { rerunPicture } from "faintlight";
 *
 * assert.throws(() => rerunPicture("README.md", ".", { out: "again" }), /README.md: must be a picture with a record/);
 * ```
 */
export function rerunPicture(picture: string, folder: string, options: RerunOptions): RerunOutcome {
  const record = readRecord(readBytes(picture), picture);
  const paths = record.inputs.map((input) => join(folder, input.file));
  const missing = record.inputs.filter((_, at) => !existsFile(paths[at]));
  if (missing.length > 0) {
    throw new RangeError(
      `${picture}: ${folder} must hold the ${record.inputs.length} files of the record, but lacks ${
        namesInWords(missing.map(({ file }) => file), 1)
      }; name the folder the picture was made from`,
    );
  }
  // size and time of writing are not enough here: the bytes themselves are compared
  const changed = digestFiles(paths).flatMap((digest, at) =>
    digest === record.inputs[at].sha256 ? [] : [record.inputs[at].file]
  );
  if (changed.length > 0) {
    throw new RangeError(
      `${picture}: ${changed[0]} must be as it was when the picture was made, but its content differs`,
    );
  }
  const run = runNightAs(
    folder,
    { ...options, recipe: record.recipe, decisions: record.decisions },
    kindsAsDecisions(record.inputs),
  );
  const made = readRecord(readBytes(join(run.night.out, "record.json")), "record.json");
  const sameBytes = made.pictureDigest === record.pictureDigest;
  const verdict = sameBytes ? "The picture is the same, bit for bit." : "The picture differs from the one recorded.";
  return { ...run, summary: [verdict, ...run.summary], sameBytes };
}
