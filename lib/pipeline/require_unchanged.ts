/** Whether the files of a night are still what they were when they were opened. */
import { namesInWords } from "../core/names_in_words.ts";
import { changedFiles } from "../io/known_frames.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { NightContext } from "./night_context.ts";

/** Files named in the message: enough to see what they have in common. */
const namedFiles = 3;

/**
 * Refuse to go on with a night whose files change while it is worked on: its record would not be true. Answers that
 * came of such a file are forgotten.
 *
 * @param thorough whether the bytes of all files are read again, or only of those whose size or time differs
 * @throws {RangeError} if a file has changed
 */
export function requireUnchanged(context: NightContext, records: readonly FrameRecord[], thorough: boolean): void {
  const { folder, checkpoints, digests } = context;
  const changed = changedFiles(context, records.map(({ file }) => file), context, thorough);
  if (changed.length === 0) return;
  for (const { file } of changed) checkpoints.forget(digests.get(file) ?? "");
  const named = namesInWords(changed.map(({ file, fact }) => `${file} ${fact}`), namedFiles);
  throw new RangeError(
    `${folder}: files must stay as they are while a run reads them, but ${named}${
      changed.length > namedFiles ? " have changed" : ""
    }; wait until they are copied, then give the command again: all other work is kept`,
  );
}
