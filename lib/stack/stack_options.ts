/** Options of a stack. */
import type { Header } from "../core/header.ts";
import { settle } from "../core/options.ts";
import { type Progress, silent } from "../core/progress.ts";
import type { WarpKernel } from "../kernels/warp_tile.ts";

/** How samples that do not belong to the others are found. */
export interface RejectionOptions {
  /** Share of good samples that may be lost on each side, which sets the limits; above 0, at most 0.1. */
  readonly falseRejectionShare: number;
  /** How far a sample may differ besides noise, in ranges of the centres of the 3 × 3 pixels around it; ≥ 0. */
  readonly structure: number;
  /** Of two samples that differ by more than this many sigma of their difference the brighter is left out; > 0. */
  readonly pairLimit: number;
  /** Share by which star cores change with seeing and guiding, for pairs of samples and while drizzling; ≥ 0. */
  readonly seeing: number;
  /** A sample with at least this many of its 8 neighbours left out is left out, too; 9 for never. */
  readonly trailNeighbours: number;
}

/** How frames are read between their pixels. */
export interface InterpolationOptions {
  /** Kernel of the interpolation. */
  readonly kernel: WarpKernel;
  /** How far it may undershoot the lowest of the four nearest samples, in sigma of the frame's sky; > 0. */
  readonly ringLimit: number;
}

/** Options of {@linkcode stackFrames}. */
export interface StackFramesOptions {
  /**
   * `automatic`: outliers are left out, see {@linkcode stackFrames}; `none`: plain weighted mean; or outliers are left
   * out by settings of one's own, where what is not given is as for `automatic`.
   */
  readonly rejection: "automatic" | "none" | Partial<RejectionOptions>;
  /** Interpolation: its kernel, or kernel and limit of the rings; what is not given is as by default. */
  readonly interpolation: WarpKernel | Partial<InterpolationOptions>;
  /**
   * null: every frame is interpolated to the canvas. Else drizzle: each sample falls on the canvas as a square of the
   * side `dropSize`, in pixels of the frame (0 … 2), and nothing is interpolated; samples of a mosaic fall on the plane
   * of their colour. Wants many frames that are dithered or turned, and a canvas of scale 1 or finer.
   */
  readonly drizzle: { readonly dropSize: number } | null;
  /** Receives progress. */
  readonly progress: Progress;
}

/** What {@linkcode stackFrames} uses for an option left out: see `automaticRejection` and `usualInterpolation`. */
export const stackFramesDefaults: StackFramesOptions = Object.freeze({
  rejection: "automatic",
  interpolation: "lanczos3",
  drizzle: null,
  progress: silent,
});

/**
 * The rejection that is called automatic.
 *
 * `falseRejectionShare` 0.001 a side costs 0.1 % of the signal to noise. `structure` 1: in a night whose FWHM went from
 * 2.5 to 3.5 pixels no more than 0.1 % of the samples of stars were lost, at 3 to 30 frames, while of outliers 5 sigma
 * high on the sky 72 % were found among 3 samples, 87 % among 5, 92 % among 8 and 94 % from 12 on
 * (tests/stack/rejection_power_test.ts). `pairLimit` 5: two samples have no majority, so only what cannot be noise
 * is left out. `seeing` 0.02, for pairs and drizzle, and `trailNeighbours` 3 of 8: own choice.
 */
export const automaticRejection: RejectionOptions = Object.freeze({
  falseRejectionShare: 0.001,
  structure: 1,
  pairLimit: 5,
  seeing: 0.02,
  trailNeighbours: 3,
});

/**
 * The interpolation of a stack. `ringLimit` 4: noise alone undershoots its four neighbours by more in fewer than one
 * pixel of a million.
 */
export const usualInterpolation: InterpolationOptions = Object.freeze({ kernel: "lanczos3", ringLimit: 4 });

/** What a stack is told by whoever runs it rather than by whoever wants it. */
export interface StackContext {
  /** Cards the stack carries besides its own. */
  readonly header: Header;
  /** Name of the reference frame, for the header; `""` for none. */
  readonly reference: string;
  /** Bytes of samples a worker may hold. */
  readonly workerBytes: number;
}

const contextDefaults: StackContext = Object.freeze({ header: [], reference: "", workerBytes: 128 * 2 ** 20 });

/** Everything a stack is made by, settled and checked. */
export interface StackParameters extends StackContext {
  /** Whether outliers are looked for. */
  readonly rejects: boolean;
  /** How; not used when none are looked for. */
  readonly rejection: RejectionOptions;
  /** Interpolation. */
  readonly interpolation: InterpolationOptions;
  /** Side of a drop in pixels of the frame; null when frames are interpolated. */
  readonly dropSize: number | null;
  /** Receives progress. */
  readonly progress: Progress;
}

const kernels: readonly WarpKernel[] = ["lanczos3", "cubic", "bilinear", "nearest"];

const refuse = (rule: string, value: unknown) => new RangeError(`stackFrames: ${rule}, but got ${value}`);

/** Refuse settings of the rejection that are out of range. */
function checkRejection({ falseRejectionShare, structure, pairLimit, seeing, trailNeighbours }: RejectionOptions) {
  if (!(falseRejectionShare > 0 && falseRejectionShare <= 0.1)) {
    throw refuse("falseRejectionShare must lie above 0 and at most at 0.1", falseRejectionShare);
  }
  if (!(structure >= 0)) throw refuse("structure must be ≥ 0", structure);
  if (!(pairLimit > 0)) throw refuse("pairLimit must be > 0", pairLimit);
  if (!(seeing >= 0)) throw refuse("seeing must be ≥ 0", seeing);
  if (!(trailNeighbours >= 1 && trailNeighbours <= 9)) throw refuse("trailNeighbours must be 1 … 9", trailNeighbours);
}

/** The settings of the rejection that an option stands for. */
function settleRejection(given: StackFramesOptions["rejection"]): RejectionOptions {
  if (given === "automatic" || given === "none") return automaticRejection;
  if (typeof given !== "object" || given === null) {
    throw refuse("rejection must be automatic, none or settings", given);
  }
  const rejection = settle("stackFrames: rejection", automaticRejection, given);
  checkRejection(rejection);
  return rejection;
}

/** The interpolation that an option stands for. */
function settleInterpolation(given: StackFramesOptions["interpolation"]): InterpolationOptions {
  const interpolation = settle(
    "stackFrames: interpolation",
    usualInterpolation,
    typeof given === "object" ? given : { kernel: given },
  );
  const { kernel, ringLimit } = interpolation;
  if (!kernels.includes(kernel)) {
    throw refuse("interpolation must be lanczos3, cubic, bilinear or nearest", kernel);
  }
  if (!(ringLimit > 0)) throw refuse("ringLimit must be > 0", ringLimit);
  return interpolation;
}

/** The size of a drop that an option stands for. */
function settleDropSize(given: StackFramesOptions["drizzle"]): number | null {
  if (given === null) return null;
  const { dropSize } = settle("stackFrames: drizzle", { dropSize: NaN }, given);
  if (!(dropSize > 0 && dropSize <= 2)) throw refuse("dropSize must lie above 0 and at most at 2", dropSize);
  return dropSize;
}

/**
 * Settle what a stack is made by.
 *
 * @param options as given to {@linkcode stackFrames}
 * @param context what the run adds
 * @throws {RangeError} if a value is out of range
 * @throws {TypeError} if an option is unknown
 */
export function stackParameters(
  options: Partial<StackFramesOptions>,
  context: Partial<StackContext> = {},
): StackParameters {
  const { rejection, interpolation, drizzle, progress } = settle("stackFrames", stackFramesDefaults, options);
  const around = settle("stackFrames", contextDefaults, context);
  if (!(around.workerBytes >= 2 ** 20)) throw refuse("workerBytes must be at least 1048576", around.workerBytes);
  return {
    ...around,
    rejects: rejection !== "none",
    rejection: settleRejection(rejection),
    interpolation: settleInterpolation(interpolation),
    dropSize: settleDropSize(drizzle),
    progress,
  };
}
