/**
 * The record of a run: everything that decides the picture, and nothing that does not. Equal input gives equal bytes.
 */
import * as v from "valibot";
import type { History } from "../core/history.ts";
import type { Image } from "../core/image.ts";
import { canonicalJson } from "../core/options.ts";
import { parseJson } from "../io/bounded_json.ts";
import { readPngRecord } from "../io/decode_png.ts";
import type { Decision } from "../night/select_frames.ts";
import type { CheckedLight } from "./check_lights.ts";
import type { LedgerEntry } from "./finish_picture.ts";
import { libraryVersion } from "./version.ts";
import { imageDigest } from "./image_digest.ts";
import { fromPng } from "./read_picture.ts";
import { json, type Recipe, requireRecipe } from "./recipe.ts";
import { innerPath, plainName, requireSchema, sha256 } from "./schema_faults.ts";

/** Version of the record's form. */
const recordForm = 1;

/** What a record is made of. */
export interface RecordParts {
  /** Files of the night with their digests. */
  readonly inputs: readonly { readonly file: string; readonly kind: string; readonly sha256: string }[];
  /** What the person decided about single lights. */
  readonly decisions: readonly Decision[];
  /** Lights with verdict and weight. */
  readonly lights: readonly CheckedLight[];
  /** Stacks with the digest of their samples. */
  readonly stacks: readonly { readonly name: string; readonly sha256: string }[];
  /** Steps as they were asked for. */
  readonly recipe: Recipe;
  /** The picture, with its history of resolved options. */
  readonly picture: Image;
  /** What each step did. */
  readonly ledger: readonly LedgerEntry[];
  /** Share of the picture's details that one half of the night shows and the other does not; null when not known. */
  readonly unconfirmedShare: number | null;
}

/** Text of a record: canonical JSON, no times, no paths, no number of workers. */
export function recordText(parts: RecordParts): string {
  const { inputs, decisions, lights, stacks, recipe, picture, ledger, unconfirmedShare } = parts;
  return canonicalJson({
    record: recordForm,
    faintlight: libraryVersion,
    inputs,
    decisions,
    frames: lights.map(({ record, stack, diagnosis, weight, registration }) => ({
      file: record.file,
      stack,
      verdict: diagnosis.verdict,
      cause: diagnosis.cause,
      weight,
      transform: registration?.transform ?? null,
    })),
    stacks: stacks.map(({ name, sha256 }) => ({ name, sha256 })),
    recipe,
    history: picture.history,
    ledger,
    unconfirmedShare,
    picture: { width: picture.width, height: picture.height, sha256: imageDigest(picture) },
  });
}

/** What a later run needs of a record. */
export interface ReadRecord {
  /** Files of the night with their digests. */
  readonly inputs: readonly { readonly file: string; readonly kind: string; readonly sha256: string }[];
  /** What the person decided about single lights. */
  readonly decisions: readonly Decision[];
  /** Steps as they were asked for. */
  readonly recipe: Recipe;
  /** How the picture was made, every option resolved. */
  readonly history: History;
  /** Digest of the picture's samples. */
  readonly pictureDigest: string;
}

const count = v.pipe(v.number(), v.integer("must be a whole number"), v.minValue(1, "must be at least 1"));

/** The whole of a record; what a later run does not need is left to who reads it. */
const recordSchema = v.strictObject({
  record: v.literal(recordForm),
  faintlight: v.optional(v.string()),
  inputs: v.array(v.strictObject({ file: innerPath, kind: plainName, sha256 })),
  decisions: v.array(
    v.strictObject({
      file: innerPath,
      verdict: v.picklist(["keep", "down-weight", "reject"]),
      reason: v.string(),
    }),
  ),
  frames: v.optional(v.array(v.looseObject({ file: innerPath }))),
  stacks: v.optional(v.array(v.strictObject({ name: v.string(), sha256 }))),
  recipe: v.unknown(),
  history: v.strictObject({
    head: v.string(),
    nodes: v.array(v.strictObject({
      id: v.string(),
      step: plainName,
      options: v.record(v.string(), json),
      inputs: v.array(v.string()),
      output: v.string(),
      notes: v.array(v.string()),
    })),
  }),
  ledger: v.optional(v.unknown()),
  unconfirmedShare: v.optional(v.nullable(v.number())),
  picture: v.strictObject({ width: count, height: count, sha256 }),
});

/**
 * The record inside a picture, or in a `record.json`.
 *
 * @param bytes the file
 * @param name its name, for messages
 * @throws {SyntaxError} if there is no record in it
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { readRecord } from "faintlight/io";
 *
 * assert.throws(() => readRecord(new TextEncoder().encode("{}"), "a.json"), /a.json: is no record/);
 * ```
 */
export function readRecord(bytes: Uint8Array, name: string): ReadRecord {
  const isPng = bytes[0] === 0x89 && bytes[1] === 0x50;
  const text = isPng ? fromPng(name, () => readPngRecord(bytes)) : new TextDecoder().decode(bytes);
  if (text === null) {
    throw new SyntaxError(
      `${name}: holds no record; only a picture.png as it was written, not one saved again elsewhere, can be repeated`,
    );
  }
  return requireRecord(parseJson(text, name, "a picture with a record or a record.json"), name);
}

/**
 * A value as a record, checked as {@linkcode readRecord} checks it.
 *
 * @throws {SyntaxError} if it is no record; the message has a line for each fault, with place and rule
 */
export function requireRecord(value: unknown, name: string): ReadRecord {
  const record = requireSchema(recordSchema, value, `${name}: is no record of this version`);
  const { inputs, decisions, recipe, history, picture } = record;
  return {
    inputs,
    decisions,
    recipe: requireRecipe(recipe, name),
    history,
    pictureDigest: picture.sha256,
  };
}
