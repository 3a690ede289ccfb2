/** Options of a stack. */
import type { Header } from "../core/header.ts";
import { type Progress, silent } from "../core/progress.ts";
import type { WarpKernel } from "../kernels/warp_tile.ts";

/** Options of {@linkcode stackFrames}. */
export interface StackFramesOptions {
  /** `automatic`: outliers are left out, see {@linkcode stackFrames}; `none`: plain weighted mean. */
  readonly rejection: "automatic" | "none";
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
  /** Interpolation. */
  readonly interpolation: WarpKernel;
  /** How far interpolation may undershoot the lowest of the four nearest samples, in sigma of the frame's sky; > 0. */
  readonly ringLimit: number;
  /**
   * null: every frame is interpolated to the canvas. Else drizzle: each sample falls on the canvas as a square of this
   * side, in pixels of the frame (0 … 2), and nothing is interpolated; samples of a mosaic fall on the plane of their
   * colour. Wants many frames that are dithered or turned, and a canvas of scale 1 or finer.
   */
  readonly dropSize: number | null;
  /** While drizzling, how far in canvas pixels the slope of a star may excuse a sample that differs; ≥ 0. */
  readonly slopePixels: number;
  /** Bytes of samples a worker may hold. */
  readonly workerBytes: number;
  /** Cards the stack carries besides its own. */
  readonly header: Header;
  /** Name of the reference frame, for the header; `""` for none. */
  readonly reference: string;
  /** Receives progress. */
  readonly progress: Progress;
}

/**
 * What {@linkcode stackFrames} uses for an option left out.
 *
 * `falseRejectionShare` 0.001 a side costs 0.1 % of the signal to noise. `structure` 1: in a night whose FWHM went
 * from 2.5 to 3.5 pixels no more than 0.1 % of the samples of stars were lost, at 3 to 30 frames, while of outliers 5
 * sigma high on the sky 72 % were found among 3 samples, 87 % among 5, 92 % among 8 and 94 % from 12 on
 * (tests/stack/rejection_power_test.ts). `pairLimit` 5: two samples have no majority, so only what cannot be noise is
 * left out. `seeing` 0.02, for pairs and drizzle, and `trailNeighbours` 3 of 8: own choice. `ringLimit` 4: noise alone
 * undershoots its four neighbours by more in fewer than one pixel of a million. `slopePixels` 0.5: the sample's own
 * half-width, within which the flux of a star changes along its slope.
 */
export const stackFramesDefaults: StackFramesOptions = Object.freeze({
  rejection: "automatic",
  falseRejectionShare: 0.001,
  structure: 1,
  pairLimit: 5,
  seeing: 0.02,
  trailNeighbours: 3,
  interpolation: "lanczos3",
  ringLimit: 4,
  dropSize: null,
  slopePixels: 0.5,
  workerBytes: 128 * 2 ** 20,
  header: [],
  reference: "",
  progress: silent,
});

/** Refuse options that are out of range. */
export function checkStackOptions(used: StackFramesOptions): void {
  const refuse = (rule: string, value: unknown) => new RangeError(`stackFrames: ${rule}, but got ${value}`);
  const {
    falseRejectionShare,
    structure,
    pairLimit,
    seeing,
    trailNeighbours,
    ringLimit,
    workerBytes,
    interpolation,
    rejection,
  } = used;
  if (rejection !== "automatic" && rejection !== "none") throw refuse("rejection must be automatic or none", rejection);
  if (!["lanczos3", "cubic", "bilinear", "nearest"].includes(interpolation)) {
    throw refuse("interpolation must be lanczos3, cubic, bilinear or nearest", interpolation);
  }
  if (!(falseRejectionShare > 0 && falseRejectionShare <= 0.1)) {
    throw refuse("falseRejectionShare must lie above 0 and at most at 0.1", falseRejectionShare);
  }
  if (!(structure >= 0)) throw refuse("structure must be ≥ 0", structure);
  if (!(pairLimit > 0)) throw refuse("pairLimit must be > 0", pairLimit);
  if (!(seeing >= 0)) throw refuse("seeing must be ≥ 0", seeing);
  if (!(trailNeighbours >= 1 && trailNeighbours <= 9)) throw refuse("trailNeighbours must be 1 … 9", trailNeighbours);
  if (!(ringLimit > 0)) throw refuse("ringLimit must be > 0", ringLimit);
  const { dropSize, slopePixels } = used;
  if (dropSize !== null && !(dropSize > 0 && dropSize <= 2)) {
    throw refuse("dropSize must be null or lie above 0 and at most at 2", dropSize);
  }
  if (!(slopePixels >= 0)) throw refuse("slopePixels must be ≥ 0", slopePixels);
  if (!(workerBytes >= 2 ** 20)) throw refuse("workerBytes must be at least 1048576", workerBytes);
}
