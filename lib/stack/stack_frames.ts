/** Stacking: many frames, on disk or in memory, become one stack. */
import type { Canvas } from "../core/canvas.ts";
import { FrameError } from "../core/errors.ts";
import type { BayerPattern, Region } from "../core/geometry.ts";
import { card, type Header, withCards } from "../core/header.ts";
import type { Recorded } from "../core/history.ts";
import { allocatePlane, createImage, type Image, requireLinear, type Unit } from "../core/image.ts";
import { createMask } from "../core/mask.ts";
import { allocateShared, borrowPlane, isShared, returnPlane } from "../core/memory.ts";
import { evaluateNormalisation, type NormalisationSurface } from "../core/normalisation.ts";
import { settle } from "../core/options.ts";
import { type Progress, silent } from "../core/progress.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import {
  applyTransform,
  identityTransform,
  invertTransform,
  linearPart,
  multiplyMatrix,
  type Transform,
} from "../core/transform.ts";
import { bayerFromHeader, describeFrame } from "../io/describe_frame.ts";
import type { PlacedHdu } from "../io/fits_layout.ts";
import { channelsOf } from "../io/image_cards.ts";
import { type FitsFile, openFits } from "../io/open_fits.ts";
import { assertWhole, fullHeader } from "../io/read_fits.ts";
import { type FrameSource, pathOrImage } from "../io/pixel_source.ts";
import { parallelMap } from "../parallel/pool.ts";
import { repairReach } from "../kernels/mosaic.ts";
import { type WarpKernel, warpReach } from "../kernels/warp_tile.ts";
import { median } from "../stats/median.ts";
import { moderatedLimits } from "../stats/moderated_limit.ts";
import { normalQuantile } from "../stats/special_functions.ts";
import { drizzleTask } from "./drizzle_tile.ts";
import { frameLevels } from "./frame_levels.ts";
import { planeScatter, scatterWindows, windowSide } from "./frame_scatter.ts";
import {
  type FrameTask,
  scatterTask,
  tileMargin,
  type TileOutput,
  type TilePlan,
  type TileResult,
  tileTask,
} from "./stack_tile.ts";
import { planTiles } from "./plan_tiles.ts";

/** One frame of a stack. What is left out takes the neutral value. */
export interface FrameToStack {
  /** Path of a FITS file, a frame record or light, or an image. */
  readonly source: FrameSource;
  /** Name in reports; the path, or "frame 3", when left out. */
  readonly name?: string;
  /** Frame pixel → reference pixel; the identity when left out. */
  readonly transform?: Transform;
  /**
   * Weight in the mean, ≥ 0; for light that is spread out proportional to 1 / variance of the normalised sky. 1 when
   * left out.
   */
  readonly weight?: number;
  /** Calibration to apply on the fly; null or left out for frames that are calibrated. */
  readonly correction?: SensorCorrection | null;
  /** Scale and offset to apply after resampling. */
  readonly normalisation?: NormalisationSurface | null;
  /** Mosaic of a file, null for none; left out, the correction or else the header tells. Images tell it themselves. */
  readonly bayer?: BayerPattern | null;
  /** Gain in electrons per ADU, for the noise of bright pixels; estimated from sky and noise when null. */
  readonly electronsPerAdu?: number | null;
  /** Noise of the sky before normalisation, unit of the frame, one a plane of the stack; measured when left out. */
  readonly noise?: readonly number[] | null;
}

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
 * `falseRejectionShare` 0.001 a side costs 0.1 % of the signal to noise. `structure` 1: in a night whose FWHM went from 2.5 to
 * 3.5 pixels no more than 0.1 % of the samples of stars were lost, at 3 to 30 frames, while of outliers 5 sigma high
 * on the sky 72 % were found among 3 samples, 87 % among 5, 92 % among 8 and 94 % from 12 on
 * (tests/stack/rejection_power_test.ts). `pairLimit` 5: two samples have no majority, so only what cannot be noise
 * is left out. `seeing` 0.02, for pairs and drizzle, and `trailNeighbours` 3 of 8: own choice. `ringLimit` 4: noise
 * alone undershoots its four neighbours by more in fewer than one pixel of a million. `slopePixels` 0.5: the sample's
 * own half-width, within which the light of a star changes along its slope.
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

/** What a stack is made of and what was left out. */
export interface StackReport {
  /** Frames used, in order. */
  readonly frames: readonly { readonly name: string; readonly weight: number }[];
  /** Frames that could not be used, with the reason. */
  readonly rejected: readonly { readonly name: string; readonly reason: string }[];
  /** Samples that frames had for the canvas (a colour pixel counts once). */
  readonly samples: number;
  /** Share of samples left out because they lay below the others, 0 … 1. */
  readonly dimmerShare: number;
  /** Share of samples left out because they lay above the others, 0 … 1. */
  readonly brighterShare: number;
  /** Samples among them that were left out for lying beside a trail. */
  readonly closed: number;
  /** Tiles the canvas was cut into. */
  readonly tiles: number;
  /** Facts for the reader. */
  readonly notes: readonly string[];
}

/** A stack with what stands behind every pixel. */
export interface Stack {
  /** Weighted mean with its variance, coverage and mask (no data; saturated in at least half of the frames). */
  readonly image: Image;
  /** Sum of the weights of the samples kept, one plane a channel. */
  readonly weight: Image;
  /** Number of frames that saw each pixel, one plane. */
  readonly coverage: Image;
  /**
   * Samples left out below (`dimmer`) and above (`brighter`) the others; of a colour stack the largest over its
   * planes.
   */
  readonly rejections: Image;
  /** Mean of the first, third, fifth … frame with the same verdicts. */
  readonly halfA: Image;
  /** Mean of the second, fourth … frame with the same verdicts. */
  readonly halfB: Image;
  /** Numbers. */
  readonly report: StackReport;
}

interface Opened {
  readonly task: FrameTask;
  readonly sky: readonly number[];
  readonly unit: Unit;
  readonly channels: readonly string[];
  readonly recorded: Recorded | null;
  readonly wholeRows: number;
}

/** Planes on shared memory, so that workers need no copy. */
const shared = (data: Float32Array): Float32Array => {
  if (isShared(data.buffer)) return data;
  const out = borrowPlane(data.length);
  out.set(data);
  return out;
};

function openFrame(frame: FrameToStack, name: string, spilled: FitsFile[]): Opened {
  const source = pathOrImage(frame.source);
  const { transform = identityTransform, weight = 1, correction = null, normalisation = null } = frame;
  let pixels: FrameTask["pixels"];
  let width: number;
  let height: number;
  let planes: number;
  let bayer: BayerPattern | null;
  let channels: readonly string[];
  let unit: Unit = "adu";
  let recorded: Recorded | null = null;
  let mask: Uint8Array | null = null;
  let wholeRows = 0;
  if (typeof source === "string") {
    const file = openFits(source);
    let first: PlacedHdu;
    let header: Header;
    try {
      first = file.firstImage();
      header = fullHeader(file, first);
      assertWhole(file, first);
      const region = file.regionSource(first.index);
      // A plain file needs no open descriptor; a file that was unpacked for reading goes when it is closed.
      if (region.file === source) file.close();
      else spilled.push(file);
      pixels = region;
    } catch (error) {
      file.close();
      throw error;
    }
    ({ width, height, planes } = first);
    if (first.compression !== null) wholeRows = width;
    bayer = frame.bayer !== undefined ? frame.bayer : correction !== null ? correction.bayer : bayerFromHeader(header);
    channels = channelsOf(header, planes, bayer, describeFrame(header).filter);
  } else {
    requireLinear("stackFrames", source);
    pixels = source.planes.map((plane) => shared(plane.data));
    ({ width, height, unit } = source);
    planes = source.planes.length;
    bayer = source.geometry.bayer;
    channels = source.planes.map((plane) => plane.channel);
    recorded = source;
    mask = source.mask;
  }
  if (planes !== 1) bayer = null;
  if (bayer !== null) channels = ["R", "G", "B"];
  if (correction !== null && (correction.width !== width || correction.height !== height)) {
    throw new FrameError(
      name,
      "wrong-shape",
      `has ${width} × ${height} pixels where its calibration has ${correction.width} × ${correction.height}`,
      "use the calibration of its own camera and binning",
    );
  }
  if (correction !== null && planes !== 1) {
    throw new FrameError(name, "wrong-shape", `has ${planes} planes, but calibration works on raw frames of one`);
  }
  const inverse = invertTransform(transform);
  const levels = frameLevels(pixels, { width, height, planes, bayer, correction });
  const noise = frame.noise ?? levels.map((each) => each.noise);
  const middle = applyTransform(transform, (width - 1) / 2, (height - 1) / 2);
  const factor: number[] = [];
  const offset: number[] = [];
  channels.forEach((_, plane) => {
    const scale = Float32Array.of(1);
    const shift = Float32Array.of(0);
    if (normalisation !== null) {
      evaluateNormalisation(normalisation, plane, { ...middle, step: 1, width: 1, height: 1 }, scale, shift);
    }
    factor.push(scale[0]);
    offset.push(shift[0]);
  });
  const gain = frame.electronsPerAdu ?? null;
  const perUnit = levels.map(({ level, noise }, plane) =>
    gain !== null ? factor[plane] / gain : level > 0 ? noise * noise / Math.max(level, noise) * factor[plane] : 0
  );
  const task: FrameTask = {
    name,
    pixels,
    width,
    height,
    planes,
    bayer,
    correction,
    mask,
    inverse,
    transform,
    weight,
    normalisation,
    noise,
    perUnit,
    factor,
  };
  return {
    task,
    sky: levels.map(({ level }, plane) => level * factor[plane] + offset[plane]),
    unit,
    channels,
    recorded,
    wholeRows,
  };
}

function checkOptions(used: StackFramesOptions): void {
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
    throw refuse("kernel must be lanczos3, cubic, bilinear or nearest", interpolation);
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

/**
 * Combine frames on a canvas, streaming: for each tile of the canvas every frame's part is read from its file,
 * calibrated, repaired, demosaiced, resampled once and normalised; outliers are left out; what is kept goes into a
 * weighted mean. Files are read by region, so that a thousand frames need no more memory than the canvas and
 * `workerBytes` a worker.
 *
 * In: frames of any size, mono, mosaic (interpolated to R, G, B) or colour, all with the same channels, as paths or
 * images. Out: a {@linkcode Stack} on the canvas in the unit of the normalised frames; NaN where no frame has data.
 * Verdicts, counts and sums of a pixel depend on its own samples only: any number of workers gives the same bytes, and
 * another order of the frames the same up to float64 rounding (the halves follow the order). At least max(3, n/2) of n
 * samples are kept. Cost: each sample is read and resampled once and judged in a dozen passes.
 *
 * Rejection: of three samples and more one is left out when it is farther from their centre than
 *
 *     limit · s · r + structure · g
 *
 * with centre and scale s by Huber's Proposal 2 (Huber 1981, chapter 6) whose variance is moderated by a known one
 * (Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3, 3), s² = (Σu²/0.7785 + 32 σ²) / (n − 1 + 32). σ² and the noise r of
 * each frame relative to the others' are measured beforehand on the frames as they arrive on the canvas, in windows
 * spread over it; above the level of that sky σ² grows with the light. `limit` loses `falseRejectionShare` a side of Gaussian
 * noise (own Monte Carlo). g is the range of the centres of the 3 × 3 pixels around less what noise makes of it:
 * seeing, guiding and registration carry light back and forth between neighbours (a tenth of the FWHM changes a star's
 * peak by 0.45 g); the price is that an outlier on a star that is smaller than the star's own slope stays. One or two
 * samples are judged by the frames' own noise, two as `pairLimit` says.
 *
 * While drizzling (Fruchter & Hook 2002, PASP 114, 144) a first, interpolated stack is made to judge each sample by
 * (Koekemoer et al. 2002): it is left out when it differs by more than the noise model and the slope there allow,
 * repaired pixels never take part, and the variance comes from the noise model. Else the variance is that of the mean,
 * from the scatter of the kept samples: Σw²(x−μ)²/(Σw)² · n/(n−1).
 *
 * @param frames the frames; unreadable ones, also such that break off in the middle, are left out and reported
 * @param canvas grid of the stack: {@linkcode referenceCanvas}, {@linkcode intersectionCanvas} …
 * @param options see {@linkcode StackFramesOptions}
 * @throws {RangeError} if no frame is usable, frames differ in channels, or an option or weight is out of range
 * @throws {TypeError} if an image is a finished picture
 *
 * @example A satellite over one of eight frames leaves no trace
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stackFrames } from "faintlight";
 * import { referenceCanvas } from "faintlight/geometry";
 *
 * const levels = [100, 101, 99, 100, 102, 98, 100, 5000];
 * const frames = levels.map((level) => ({ source: constantImage(8, 8, level) }));
 * const { image, rejections } = stackFrames(frames, referenceCanvas(frames[0].source));
 * assert.equal(image.planes[0].data[0], 100);
 * assert.equal(rejections.planes[1].data[0], 1); // one sample brighter than the others
 * ```
 */
export function stackFrames(
  frames: readonly FrameToStack[],
  canvas: Canvas,
  options: Partial<StackFramesOptions> = {},
): Stack {
  const used = settle("stackFrames", stackFramesDefaults, options);
  checkOptions(used);
  if (!Array.isArray(frames) || frames.length === 0) {
    throw new RangeError("stackFrames: frames must hold at least one frame, but got none");
  }
  const rejected: { name: string; reason: string }[] = [];
  const spilled: FitsFile[] = [];
  try {
    let opened: Opened[] = [];
    frames.forEach((frame, index) => {
      const source = pathOrImage(frame.source);
      const name = frame.name ?? (typeof source === "string" ? source : `frame ${index + 1}`);
      const weight = frame.weight ?? 1;
      if (!(weight >= 0 && weight < Infinity)) {
        throw new RangeError(`stackFrames: weight must be a number ≥ 0, but got ${weight} for ${name}`);
      }
      try {
        if (weight > 0) opened.push(openFrame(frame, name, spilled));
        else rejected.push({ name, reason: "has weight 0" });
      } catch (error) {
        if (!(error instanceof FrameError)) throw error;
        rejected.push({ name, reason: error.message });
      }
      used.progress({ label: "opening frames", done: index + 1, total: frames.length });
    });
    for (;;) {
      if (opened.length === 0) {
        throw new RangeError(
          `stackFrames: frames must hold a usable frame, but none of ${frames.length} is: ${rejected[0].reason}`,
        );
      }
      const run = runTiles(opened, canvas, used);
      const { output } = run;
      if (output !== null && run.failures.size === 0) {
        return finish(opened, canvas, used, output, run.results, rejected);
      }
      // A frame that breaks off must not take part anywhere: again without it.
      if (output !== null) {
        giveBack([...output.mean, ...output.variance, ...output.weight, ...output.halfA, ...output.halfB]);
      }
      for (const [index, reason] of run.failures) rejected.push({ name: opened[index].task.name, reason });
      opened = opened.filter((_, index) => !run.failures.has(index));
    }
  } finally {
    for (const file of spilled) file.close();
  }
}

interface Run {
  /** null where a frame failed before anything was made. */
  readonly output: TileOutput | null;
  readonly results: readonly TileResult[];
  readonly failures: ReadonlyMap<number, string>;
}

function runTiles(opened: readonly Opened[], canvas: Canvas, used: StackFramesOptions): Run {
  const { width, height, origin, scale } = canvas;
  const { channels } = opened[0];
  const n = opened.length;
  for (const { channels: others, task } of opened) {
    if (others.length !== channels.length) {
      throw new RangeError(
        `stackFrames: all frames must have the channels ${channels.join(", ")}, but ${task.name} has ${
          others.join(", ")
        }; ` +
          "stack them apart",
      );
    }
  }
  const sky = channels.map((_, plane) => median(opened.map((each) => each.sky[plane])));
  const step = Math.max(1, Math.floor(n / 16));
  const middle = { x: origin.x + scale * (width - 1) / 2, y: origin.y + scale * (height - 1) / 2 };
  const maps = opened.filter((_, index) => index % step === 0).map(({ task }) =>
    multiplyMatrix(linearPart(task.inverse, middle), [scale, 0, 0, 0, scale, 0, 0, 0, 1])
  );
  const mosaic = opened.some(({ task }) => task.bayer !== null);
  const repairs = opened.some(({ task }) => task.correction !== null);
  const tiles: Region[] = planTiles({
    width,
    height,
    // Larger tiles gain nothing: the margins of one this size cost less than 1 %.
    pixels: Math.min(2 ** 19, Math.floor(used.workerBytes / (n * (4 * channels.length + 1) + 40))),
    maps,
    margin: warpReach(used.interpolation) + 1 + (mosaic ? 2 : 0) + (repairs ? repairReach * (mosaic ? 2 : 1) : 0),
    wholeRows: Math.max(...opened.map((each) => each.wholeRows)),
  });
  const unmeasured: TilePlan = {
    frames: opened.map((each) => each.task),
    planes: channels.length,
    canvasWidth: width,
    canvasHeight: height,
    originX: origin.x,
    originY: origin.y,
    scale,
    kernel: used.interpolation,
    ringLimit: used.ringLimit,
    largest: Math.max(
      ...tiles.map((tile) => (tile.width + 2 * tileMargin) * (tile.height + 2 * tileMargin)),
      windowSide ** 2,
    ),
    rejection: used.rejection,
    limits: moderatedLimits(n, used.falseRejectionShare),
    scatter: channels.map(() => null),
    structure: used.structure,
    noiseLimit: normalQuantile(1 - used.falseRejectionShare),
    pairLimit: used.pairLimit,
    seeing: used.seeing,
    sky,
    trailNeighbours: used.trailNeighbours,
    failed: new Uint8Array(allocateShared(n), 0, n),
  };
  let plan = unmeasured;
  const { dropSize, slopePixels, progress } = used;
  if (used.rejection !== "none" && n > 2) {
    const { columns, rows, windows } = scatterWindows(width, height);
    const jobs = windows.map((window) => ({ plan: unmeasured, window }));
    const found = parallelMap(scatterTask, jobs, { label: "measuring noise", progress });
    const failures = failuresOf(found);
    if (failures.size > 0) return { output: null, results: [], failures };
    plan = {
      ...unmeasured,
      scatter: channels.map((_, plane) =>
        planeScatter(
          found.map((each) => each.planes[plane]),
          columns,
          rows,
          median(plan.frames.map((each) => each.perUnit[plane])),
        )
      ),
    };
  }
  const output = createOutput(channels.length, width, height);
  let results: readonly TileResult[] = [];
  let made = output;
  let clean: readonly Float32Array[] | null = null;
  if (dropSize === null || used.rejection !== "none") {
    const label = dropSize === null ? "combining frames" : "finding outliers";
    results = parallelMap(tileTask, tiles.map((tile) => ({ plan, tile, output })), { label, progress });
    clean = output.mean;
  }
  let failures = failuresOf(results);
  if (dropSize !== null && failures.size === 0) {
    giveBack([...output.variance, ...output.weight, ...output.halfA, ...output.halfB]);
    made = createOutput(channels.length, width, height);
    // Sums of a tile take 58 bytes a pixel and plane.
    const pixels = Math.max(4096, Math.min(2 ** 20, Math.floor(used.workerBytes / (58 * channels.length))));
    const pieces = planTiles({ width, height, pixels, maps, margin: 3, wholeRows: 0 });
    const drizzle = { dropSize, slopePixels, clean };
    results = parallelMap(drizzleTask, pieces.map((tile) => ({ plan, drizzle, tile, output: made })), {
      label: "drizzling frames",
      progress,
    });
    failures = failuresOf(results);
    giveBack(output.mean);
  }
  return { output: made, results, failures };
}

/** Planes of a run that nobody will see. */
function giveBack(planes: readonly Float32Array[]): void {
  for (const each of planes) returnPlane(each);
}

function createOutput(count: number, width: number, height: number): TileOutput {
  const planes = () => Array.from({ length: count }, () => allocatePlane(width, height));
  const size = width * height;
  const counts = () => new Uint16Array(allocateShared(2 * size), 0, size);
  return {
    mean: planes(),
    variance: planes(),
    weight: planes(),
    halfA: planes(),
    halfB: planes(),
    coverage: counts(),
    dimmer: counts(),
    brighter: counts(),
    mask: createMask(width, height),
  };
}

/** The first reason for each frame that could not be read. */
function failuresOf(results: readonly Pick<TileResult, "failures">[]): Map<number, string> {
  const failures = new Map<number, string>();
  for (const result of results) {
    for (const { frame, reason } of result.failures) if (!failures.has(frame)) failures.set(frame, reason);
  }
  return failures;
}

function finish(
  opened: readonly Opened[],
  canvas: Canvas,
  used: StackFramesOptions,
  output: TileOutput,
  results: readonly TileResult[],
  rejected: readonly { readonly name: string; readonly reason: string }[],
): Stack {
  const { width, height, geometry } = canvas;
  const { channels, unit } = opened[0];
  let samples = 0;
  let dimmer = 0;
  let brighter = 0;
  let closed = 0;
  for (const each of results) {
    samples += each.samples;
    dimmer += each.dimmer;
    brighter += each.brighter;
    closed += each.closed;
  }
  const percent = (share: number) => `${(100 * share).toFixed(3)} %`;
  const dimmerShare = samples > 0 ? dimmer / samples : 0;
  const brighterShare = samples > 0 ? brighter / samples : 0;
  const notes = [
    `${opened.length} frames combined`,
    `left out: ${percent(dimmerShare)} of the samples below and ${percent(brighterShare)} above the others`,
    // Satellites and rays are rare: a share this far above the one asked for says that the noise is not what was
    // assumed.
    ...(used.rejection !== "none" && dimmerShare > 10 * used.falseRejectionShare
      ? ["doubt: many samples lay below the others; drifting sky without normalisation, or noise with a long tail"]
      : []),
    ...(used.dropSize === null ? [] : evenness(channels, output.weight)),
    ...rejected.map((each) => `not used: ${each.name}: ${each.reason.replace(`${each.name}: `, "")}`),
  ];
  const { progress: _progress, header: _header, workerBytes: _bytes, ...recordedOptions } = used;
  const step = {
    step: "stackFrames",
    options: {
      ...recordedOptions,
      canvas: { width, height, origin: canvas.origin, scale: canvas.scale },
      frames: opened.map(({ task }) => ({ name: baseName(task.name), weight: task.weight })),
    },
    notes,
  };
  const inputs = opened.map((each) => each.recorded).filter((each) => each !== null);
  const header = withCards(used.header, [
    card("NCOMBINE", opened.length, "frames combined"),
    ...(used.reference === "" ? [] : [card("REFFRAME", baseName(used.reference), "grid of this frame")]),
  ]);
  const asSamples = (counts: Uint16Array): Float32Array => {
    const out = allocatePlane(width, height);
    out.set(counts);
    return out;
  };
  const coverage = asSamples(output.coverage);
  const common = { width, height, unit, header, geometry, mask: output.mask, coverage };
  const colours = (data: readonly Float32Array[]) => channels.map((channel, k) => ({ channel, data: data[k] }));
  const make = (name: string, planes: readonly { channel: string; data: Float32Array }[], variance = false): Image =>
    createImage({ ...common, planes, variance: variance ? output.variance : null }, { ...step, output: name }, inputs);
  // Two planes that few ask for are made when they are.
  let rejections: Image | null = null;
  return {
    image: make("image", colours(output.mean), true),
    weight: make("weight", colours(output.weight)),
    coverage: make("coverage", [{ channel: "coverage", data: coverage }]),
    get rejections() {
      const { dimmer, brighter } = output;
      return rejections ??= make("rejections", [
        { channel: "dimmer", data: asSamples(dimmer) },
        { channel: "brighter", data: asSamples(brighter) },
      ]);
    },
    halfA: make("halfA", colours(output.halfA)),
    halfB: make("halfB", colours(output.halfB)),
    report: {
      frames: opened.map(({ task }) => ({ name: task.name, weight: task.weight })),
      rejected,
      samples,
      dimmerShare,
      brighterShare,
      closed,
      tiles: results.length,
      notes,
    },
  };
}

/** How evenly drops cover the canvas, for each plane: holes and thin places spoil a drizzled stack. */
function evenness(channels: readonly string[], weights: readonly Float32Array[]): string[] {
  return channels.map((channel, plane) => {
    const middle = median(weights[plane]);
    let thin = 0;
    let holes = 0;
    for (const weight of weights[plane]) {
      if (!(weight > 0)) holes++;
      else if (weight < 0.5 * middle) thin++;
    }
    const share = (n: number) => `${(100 * n / weights[plane].length).toFixed(2)} %`;
    return `drizzle, ${channel}: ${share(holes)} of the pixels without a drop, ${
      share(thin)
    } with less than half of the median weight`;
  });
}

const baseName = (path: string): string => path.split(/[\\/]/).at(-1) ?? path;
