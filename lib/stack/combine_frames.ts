/** Frames are opened and combined; what breaks off on the way is left out. */
import type { Canvas } from "../core/canvas.ts";
import { FrameError } from "../core/errors.ts";
import type { FitsFile } from "../io/open_fits.ts";
import { pathOrImage } from "../io/pixel_source.ts";
import { finishStack, type Stack, type StackReport } from "./finish_stack.ts";
import { type FrameToStack, type OpenFrame, openFrame } from "./frame_to_stack.ts";
import { discardOutput, runStack } from "./run_stack.ts";
import type { StackParameters } from "./stack_options.ts";

/** Frames that take part, and those that do not. */
interface OpenedFrames {
  readonly opened: readonly OpenFrame[];
  readonly rejected: StackReport["rejected"];
}

/** Open the frames; what cannot be used is listed with its reason. */
function openFrames(
  frames: readonly FrameToStack[],
  spilled: FitsFile[],
  progress: StackParameters["progress"],
): OpenedFrames {
  const opened: OpenFrame[] = [];
  const rejected: { name: string; reason: string }[] = [];
  frames.forEach((frame, index) => {
    const source = pathOrImage(frame.source);
    const name = frame.name ?? (typeof source === "string" ? source : `frame ${index + 1}`);
    const weight = frame.weight ?? 1;
    if (!(weight >= 0 && weight < Infinity)) {
      throw new RangeError(`stackFrames: weight must be a number ≥ 0, but got ${weight} for ${name}`);
    }
    try {
      if (frame.transform === null) rejected.push({ name, reason: "has no transform onto the reference" });
      else if (weight > 0) opened.push(openFrame(frame, name, spilled));
      else rejected.push({ name, reason: "has weight 0" });
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      rejected.push({ name, reason: error.message });
    }
    progress({ label: "opening frames", done: index + 1, total: frames.length });
  });
  return { opened, rejected };
}

/**
 * What {@linkcode stackFrames} does, for a caller that adds cards and bounds the memory.
 *
 * @throws {RangeError} if no frame is usable, frames differ in channels, or a weight is out of range
 */
export function combineFrames(frames: readonly FrameToStack[], canvas: Canvas, used: StackParameters): Stack {
  if (!Array.isArray(frames) || frames.length === 0) {
    throw new RangeError("stackFrames: frames must hold at least one frame, but got none");
  }
  const spilled: FitsFile[] = [];
  try {
    let { opened, rejected } = openFrames(frames, spilled, used.progress);
    for (;;) {
      if (opened.length === 0) {
        throw new RangeError(
          `stackFrames: frames must hold a usable frame, but none of ${frames.length} is: ${rejected[0].reason}`,
        );
      }
      const { output, results, failures } = runStack(opened, canvas, used);
      if (output !== null && failures.size === 0) {
        return finishStack(opened, canvas, used, { output, results }, rejected);
      }
      // A frame that breaks off must not take part anywhere: again without it.
      if (output !== null) discardOutput(output);
      const broken = [...failures].map(([index, reason]) => ({ name: opened[index].task.name, reason }));
      rejected = [...rejected, ...broken];
      opened = opened.filter((_, index) => !failures.has(index));
    }
  } finally {
    for (const file of spilled) file.close();
  }
}
