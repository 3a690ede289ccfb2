/**
 * What the frames of a night are for, where their headers do not say: the person's word, folders, exposure and pixels.
 */
import { FrameError } from "../core/errors.ts";
import type { FrameKind, FrameRecord } from "../core/frame_record.ts";
import { type FrameList, suggestsKind } from "../io/list_frames.ts";
import { readFits } from "../io/read_fits.ts";
import { type GuessedKind, guessKind } from "../measure/guess_kind.ts";
import type { KindDecision } from "../night/kind_decisions.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { resolveDecisions } from "./decide_frames.ts";
import { digestIn, type NightContext } from "./night_context.ts";

interface GuessJob {
  readonly path: string;
  readonly facts: FrameRecord;
}

/** A guess, or none for a file that cannot be read. */
interface Guess {
  readonly kind: GuessedKind | null;
}

/** Guess the kind of one file; runs in the pool. */
export function guessKindOfFile({ path, facts }: GuessJob): Guess {
  try {
    const region = facts.sections?.picture ?? null;
    return { kind: guessKind(readFits(path, { bayer: region === null ? facts.bayer : null, region }), facts) };
  } catch (error) {
    if (!(error instanceof FrameError)) throw error;
    return { kind: null };
  }
}

const guessTask: PoolTask<GuessJob, Guess> = {
  module: import.meta.url,
  name: "guessKindOfFile",
  run: guessKindOfFile,
};

function guessesFor(context: NightContext, records: readonly FrameRecord[]): Map<string, FrameKind> {
  const { checkpoints, progress } = context;
  const question = (record: FrameRecord) => ({ frame: digestIn(context, record) });
  const known = records.map((each) => checkpoints.find<Guess>("kind", question(each)));
  const open = records.filter((_, at) => known[at] === undefined);
  const jobs = open.map((facts) => ({ path: facts.path, facts }));
  const made = parallelMap(guessTask, jobs, { label: "guessing what frames are for", progress });
  const guesses = new Map<string, FrameKind>();
  records.forEach((record, at) => {
    const kind = known[at]?.kind;
    if (kind) guesses.set(record.file, kind);
  });
  open.forEach((record, at) => {
    const { kind } = checkpoints.keep("kind", question(record), made[at]);
    if (kind !== null) guesses.set(record.file, kind);
  });
  return guesses;
}

/** `24 lights and 3 darks` */
function countedKinds(kinds: readonly FrameKind[]): string {
  const parts = [...new Set(kinds)].map((kind) => {
    const count = kinds.filter((each) => each === kind).length;
    return `${count} ${kind}${count === 1 || kind === "bias" ? "" : "s"}`;
  });
  const last = parts.pop() ?? "";
  return parts.length === 0 ? last : `${parts.join(", ")} and ${last}`;
}

/** Files named in a sentence: all of a few, else the first and the last. */
const filesText = (files: readonly string[]): string =>
  files.length <= 3 ? files.join(", ") : `${files[0]} … ${files[files.length - 1]}`;

/**
 * The list with every frame's kind settled, as far as it can be. What was guessed is told in one line for all.
 *
 * @param decisions what the person says single frames are
 * @throws {RangeError} if a decision fits several files
 */
export function settleKinds(
  context: NightContext,
  list: FrameList,
  decisions: readonly KindDecision[],
): FrameList {
  const files = list.records.map(({ file }) => file);
  const decided = new Map(
    resolveDecisions("openNight", decisions, files).map(({ file, kind }): [string, FrameKind] => [file, kind]),
  );
  for (const file of decided.keys()) {
    if (!files.includes(file)) context.remark(`the decision about "${file}" fits no file of the night`);
  }
  const unknown = list.records.filter(({ file, kind, planes }) =>
    kind === "unknown" && planes === 1 && !decided.has(file)
  );
  const guesses = guessesFor(context, unknown);
  const settled = list.records.map((record) => {
    const kind = decided.get(record.file) ?? guesses.get(record.file);
    return kind === undefined ? record : { ...record, kind };
  });
  const hinted = new Set(list.notes.filter(suggestsKind).map(({ file }) => file));
  const taken = settled.filter(({ file }) => !decided.has(file) && (guesses.has(file) || hinted.has(file)));
  if (taken.length > 0) {
    context.remark(
      `the headers of ${taken.length} files do not say what they are for (${
        filesText(taken.map(({ file }) => file))
      }); ` +
        `by folder, exposure and pixels they are taken as ${countedKinds(taken.map(({ kind }) => kind))}; ` +
        `a line "dark FILE" (or light, flat, bias, flat-dark) in the decisions file corrects one`,
    );
  }
  return { ...list, records: settled, notes: list.notes.filter((each) => !suggestsKind(each)) };
}
