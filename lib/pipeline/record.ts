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
import { json, type Recipe, requireRecipe } from "./recipe.ts";

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

const recordSchema = v.object({
  record: v.literal(recordForm),
  inputs: v.array(v.object({ file: v.string(), kind: v.string(), sha256: v.string() })),
  decisions: v.array(
    v.object({ file: v.string(), verdict: v.picklist(["keep", "down-weight", "reject"]), reason: v.string() }),
  ),
  recipe: v.unknown(),
  history: v.object({
    head: v.string(),
    nodes: v.array(v.object({
      id: v.string(),
      step: v.string(),
      options: v.record(v.string(), json),
      inputs: v.array(v.string()),
      output: v.string(),
      notes: v.array(v.string()),
    })),
  }),
  picture: v.object({ sha256: v.string() }),
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
  const text = isPng ? readPngRecord(bytes) : new TextDecoder().decode(bytes);
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
 * @throws {SyntaxError} if it is no record; the message names the place and the rule
 */
export function requireRecord(value: unknown, name: string): ReadRecord {
  const checked = v.safeParse(recordSchema, value);
  if (!checked.success) {
    const issue = checked.issues[0];
    throw new SyntaxError(
      `${name}: is no record of this version: ${v.getDotPath(issue) ?? "record"}: ${issue.message}`,
    );
  }
  const { inputs, decisions, recipe, history, picture } = checked.output;
  return {
    inputs,
    decisions,
    recipe: requireRecipe(recipe, name),
    history,
    pictureDigest: picture.sha256,
  };
}
