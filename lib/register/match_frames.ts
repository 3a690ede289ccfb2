/** Matches many frames to one list of stars: runs of frames that follow one another, each run on one processor. */
import type { Progress } from "../core/progress.ts";
import type { Transform } from "../core/transform.ts";
import { SharedBuffer } from "../core/memory.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { matchStars, type MatchStarsOptions, type StarMatch } from "./match_stars.ts";
import { RegistrationError, type RegistrationFailure } from "./registration_error.ts";
import type { FrameSize, MatchableStar, StarsOfFrame } from "./star_list.ts";

/** Frames of a run: each starts from the map of the one before, only the first from nothing. */
const runFrames = 32;

/** A frame to be matched. */
export interface FrameToMatch {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Its stars. */
  readonly stars: readonly MatchableStar[];
  /** A map that may hold already; null takes that of the frame before. */
  readonly initialTransform: Transform | null;
}

/** What a match found, without the pairs. */
export type FrameMatch = Omit<StarMatch, "pairs">;

/** Options that hold for all frames. */
export type MatchFramesOptions = Omit<Partial<MatchStarsOptions>, "initialTransform">;

/** Stars as columns x, y, flux, snr, FWHM on shared memory: objects would be copied one by one for every worker. */
type StarColumns = Float64Array;
const columnCount = 5;

function columnsOf(stars: readonly MatchableStar[]): StarColumns {
  const n = stars.length;
  const columns = new Float64Array(new SharedBuffer(8 * columnCount * n));
  stars.forEach(({ x, y, flux, snr = NaN, fwhmPixels = NaN }, i) => {
    [x, y, flux, snr, fwhmPixels].forEach((value, c) => columns[c * n + i] = value);
  });
  return columns;
}

function starsOf(columns: StarColumns): MatchableStar[] {
  const n = columns.length / columnCount;
  return Array.from({ length: n }, (_, i) => ({
    x: columns[i],
    y: columns[n + i],
    flux: columns[2 * n + i],
    snr: columns[3 * n + i],
    fwhmPixels: columns[4 * n + i],
  }));
}

/** A frame whose stars stand on shared memory. */
interface SharedStars extends FrameSize {
  readonly stars: StarColumns;
}

interface RunJob {
  readonly frames: readonly (SharedStars & Pick<FrameToMatch, "initialTransform">)[];
  readonly reference: SharedStars;
  readonly options: MatchFramesOptions;
}

/** A match, or why there is none; plain data, as a worker can send it. */
type Answer = FrameMatch | { readonly reason: RegistrationFailure; readonly message: string };

/** Match the frames of a run, one after the other; runs in a worker. */
export function matchRun({ frames, reference, options }: RunJob): Answer[] {
  const goal = { ...reference, stars: starsOf(reference.stars) };
  let before: Transform | null = null;
  return frames.map(({ width, height, stars, initialTransform }): Answer => {
    try {
      const { pairs: _, ...found } = matchStars({ width, height, stars: starsOf(stars) }, goal, {
        ...options,
        initialTransform: initialTransform ?? before,
      });
      before = found.transform;
      return found;
    } catch (error) {
      if (!(error instanceof RegistrationError)) throw error;
      return { reason: error.reason, message: error.message };
    }
  });
}

const task: PoolTask<RunJob, Answer[]> = { module: import.meta.url, name: "matchRun", run: matchRun };

/**
 * Match frames in the order they were taken to a list of stars.
 *
 * The frames are cut into runs of 32 whatever the number of workers, so that this leaves no trace in the result.
 *
 * @param frames in the order they were taken
 * @param reference the reference and its stars
 * @param options as for {@linkcode matchStars}
 * @param progress receives a report a run
 * @param label what is being done, for progress
 */
export function matchFrames(
  frames: readonly FrameToMatch[],
  reference: StarsOfFrame,
  options: MatchFramesOptions,
  progress: Progress,
  label: string,
): (FrameMatch | RegistrationError)[] {
  const { width, height } = reference;
  const goal = { width, height, stars: columnsOf(reference.stars) };
  const jobs: RunJob[] = [];
  const { length } = frames;
  for (let from = 0; from < length; from += runFrames) {
    const run = frames.slice(from, from + runFrames).map((each) => ({ ...each, stars: columnsOf(each.stars) }));
    jobs.push({ frames: run, reference: goal, options });
  }
  const answers = parallelMap(task, jobs, {
    label,
    progress: ({ done }) => progress({ label, done: Math.min(length, done * runFrames), total: length }),
  });
  return answers.flat().map((each) => "reason" in each ? new RegistrationError(each.reason, each.message) : each);
}
