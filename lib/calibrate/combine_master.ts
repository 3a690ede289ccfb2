/** What the three kinds of masters have in common: many frames of one size, combined band by band with rejection. */
import { FrameError } from "../core/errors.ts";
import { type Card, card, withCards } from "../core/header.ts";
import type { Recorded } from "../core/history.ts";
import { allocatePlane, createImage, type Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Progress, silent } from "../core/progress.ts";
import { type FrameSource, openPixels, pathOrImage, type PixelSource } from "../io/pixel_source.ts";
import { parallelMap } from "../parallel/pool.ts";
import { huberLimits } from "../stats/huber.ts";
import { sigmaClip } from "../stats/sigma_clip.ts";
import { normalQuantile } from "../stats/special_functions.ts";
import { type BandJob, type BandResult, bandTask, manyFrames, type MasterInput } from "./combine_band.ts";
import { phaseAt, phaseMeans, phasesOf } from "./phase_levels.ts";

/** Options of {@linkcode combineBias} and {@linkcode combineDark}. */
export interface CombineMasterOptions {
  /** Share of good samples that may be lost on each side, which sets the rejection limit; above 0, at most 0.1. */
  readonly falseRejectionShare: number;
  /** Told of every frame that could not be used, with the reason; such frames are left out. */
  readonly onUnusable: (name: string, reason: string) => void;
  /** Receives progress. */
  readonly progress: Progress;
}

/**
 * What {@linkcode combineBias} and {@linkcode combineDark} use for an option left out. With `falseRejectionShare`
 * 0.001 (3.09 sigma of a Gaussian) the mean keeps 99.8 % of the good samples, a loss of 0.1 % in signal to noise: own
 * choice.
 */
export const combineMasterDefaults: CombineMasterOptions = Object.freeze({
  falseRejectionShare: 0.001,
  onUnusable: () => {},
  progress: silent,
});

/** Bytes of samples a worker holds at once. */
const bandBytes = 64 * 2 ** 20;
/**
 * Noise of one frame from the differences of pixels of one phase side by side, of at most about 10⁵ pairs. Clipped at
 * 5 sigma: raw samples are whole numbers, and the median of a few whole steps may be a third off, by which good
 * samples would be left out.
 */
function frameNoise(rows: Float32Array, width: number, step: number): number {
  const differences: number[] = [];
  const thin = Math.max(1, Math.floor(rows.length / 1e5));
  for (let at = 0; at + step < rows.length; at += thin) {
    if (at % width + step < width) differences.push(rows[at + step] - rows[at]);
  }
  return sigmaClip(differences, { rejectBelow: 5, rejectAbove: 5 }).sdCorrected / Math.SQRT2;
}

/** What a kind of master adds to the common work. */
export interface MasterPlan {
  /** Name of the step. */
  readonly step: string;
  /** What the frames are, for messages: "bias frames". */
  readonly what: string;
  /** Value of the IMAGETYP card of the master. */
  readonly imageType: string;
  /** Whether the master is to be divided by the mean of each of its phases. */
  readonly normalise: boolean;
  /** Taken off every frame first; null for nothing. */
  readonly subtract: Image | null;
  /** Factors of a frame's phases, from an open frame; null for 1. */
  readonly factors: ((open: PixelSource) => readonly number[]) | null;
  /** Resolved options for the history. */
  readonly options: object;
  /** The caller's options. */
  readonly used: CombineMasterOptions;
  /** Values the master was made from besides the frames. */
  readonly alsoFrom: readonly Recorded[];
}

/** Part of a frame that all frames share. */
type FirstFrame = Pick<PixelSource, "width" | "height" | "header" | "geometry" | "channels">;

/** Refuse a frame that does not fit the first one. */
function requireFit(name: string, open: PixelSource, first: FirstFrame | null, what: string): void {
  if (open.channels.length !== 1) {
    throw new FrameError(name, "wrong-shape", `has ${open.channels.length} planes where ${what} have one`);
  }
  if (first !== null && (open.width !== first.width || open.height !== first.height)) {
    throw new FrameError(
      name,
      "wrong-shape",
      `has ${open.width} × ${open.height} pixels where the first has ${first.width} × ${first.height}`,
    );
  }
}

/** The factors of a frame and the variance of its noise, from the half of its rows around the centre. */
function lookAt(name: string, source: string | Image, open: PixelSource, plan: MasterPlan): MasterInput {
  const phases = phasesOf(open.geometry.bayer !== null);
  const factors = plan.factors === null ? Array.from({ length: phases.count }, () => 1) : plan.factors(open);
  if (!factors.every((each) => Number.isFinite(each) && each > 0)) {
    throw new FrameError(name, "unreadable", "has no light above its dark level", "leave it out");
  }
  const centre = { x: 0, y: Math.floor(open.height / 4), width: open.width, height: Math.ceil(open.height / 2) };
  const noise = frameNoise(open.readRegion(centre, 0), open.width, phases.step) * Math.max(...factors);
  return { source: typeof source === "string" ? source : source.planes[0].data, factors, variance: noise ** 2 };
}

/** Frames that take part in a master, and those that do not. */
interface MasterFrames {
  /** What all share; null when none can be used. */
  readonly first: FirstFrame | null;
  readonly inputs: readonly MasterInput[];
  readonly names: readonly string[];
  /** Histories of the images among them. */
  readonly recorded: readonly Recorded[];
  readonly rejected: readonly { readonly name: string; readonly reason: string }[];
}

/** Look at every frame once; what cannot be used is listed with its reason. */
function lookAtFrames(sources: readonly FrameSource[], plan: MasterPlan): MasterFrames {
  const { what } = plan;
  const { progress, onUnusable } = plan.used;
  const rejected: { name: string; reason: string }[] = [];
  const inputs: MasterInput[] = [];
  const names: string[] = [];
  const recorded: Recorded[] = [];
  let first: FirstFrame | null = null;
  sources.map(pathOrImage).forEach((source, index) => {
    const name = typeof source === "string" ? source : `frame ${index + 1}`;
    try {
      const open = openPixels(source);
      try {
        requireFit(name, open, first, what);
        inputs.push(lookAt(name, source, open, plan));
        names.push(name);
        if (typeof source !== "string") recorded.push(source);
        const { width, height, header, geometry, channels } = open;
        first ??= { width, height, header, geometry, channels };
      } finally {
        open.close();
      }
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      rejected.push({ name, reason: error.message });
      onUnusable(name, error.message);
    }
    progress({ label: `looking at ${what}`, done: index + 1, total: sources.length });
  });
  return { first, inputs, names, recorded, rejected };
}

/** Refuse what cannot be combined, combine the rest; frames that are unreadable or of another size are listed. */
export function combineMaster(sources: readonly FrameSource[], plan: MasterPlan): Image {
  const { step, what } = plan;
  const { falseRejectionShare } = plan.used;
  if (!Array.isArray(sources) || sources.length === 0) {
    throw new RangeError(`${step}: sources must hold at least one frame, but got none; add ${what}`);
  }
  if (!(falseRejectionShare > 0 && falseRejectionShare <= 0.1)) {
    throw new RangeError(
      `${step}: falseRejectionShare must lie above 0 and at most at 0.1, but got ${falseRejectionShare}`,
    );
  }
  const frames = lookAtFrames(sources, plan);
  if (frames.first === null) {
    throw new RangeError(
      `${step}: sources must hold a usable frame, but none of ${sources.length} is: ${frames.rejected[0].reason}`,
    );
  }
  return combineFrames(frames, frames.first, plan);
}

/** Planes of a master. */
interface MasterPlanes {
  readonly mean: Float32Array;
  /** Variance of the mean. */
  readonly spread: Float32Array;
  /** Samples kept. */
  readonly seen: Float32Array;
}

/** Combine band by band; returns the number of samples and of those left out. */
function combineBands(
  inputs: readonly MasterInput[],
  { width, height, geometry }: FirstFrame,
  plan: MasterPlan,
  planes: MasterPlanes,
): BandResult {
  const { subtract, what } = plan;
  const { falseRejectionShare, progress } = plan.used;
  const frames = inputs.length;
  const rows = Math.max(1, Math.min(height, Math.floor(bandBytes / (frames * width * 5))));
  const level = Math.max(...inputs.map((each) => Math.max(...each.factors)));
  const shared = {
    inputs,
    width,
    phases: phasesOf(geometry.bayer !== null),
    subtract: subtract === null ? null : subtract.planes[0].data,
    limits: huberLimits(frames, falseRejectionShare, manyFrames),
    fewLimit: normalQuantile(1 - falseRejectionShare),
    // Rounding to whole ADU alone scatters by 1/√12; a pixel that reads one value many times must not reject the
    // next.
    floor: level / Math.sqrt(12),
    ...planes,
  };
  const jobs: BandJob[] = [];
  for (let y = 0; y < height; y += rows) jobs.push({ ...shared, y, rows: Math.min(rows, height - y) });
  const results = parallelMap(bandTask, jobs, { label: `combining ${what}`, progress });
  return results.reduce((a, b) => ({
    dimmer: a.dimmer + b.dimmer,
    brighter: a.brighter + b.brighter,
    samples: a.samples + b.samples,
  }));
}

/** Root mean square noise of a master's pixels; null when no pixel has more than one sample. */
function rmsNoise(variance: Float32Array): number | null {
  let sum = 0;
  let counted = 0;
  for (const each of variance) {
    if (each === each) {
      sum += each;
      counted++;
    }
  }
  return counted > 0 ? Math.sqrt(sum / counted) : null;
}

/** What a master says of itself. */
function notesOf(
  { inputs, rejected }: MasterFrames,
  what: string,
  total: BandResult,
  noise: number | null,
): string[] {
  const share = (n: number) => `${(100 * n / total.samples).toFixed(3)} %`;
  return [
    `${inputs.length} ${what} combined`,
    `left out: ${share(total.dimmer)} of the samples below and ${share(total.brighter)} above the others`,
    noise !== null
      ? `noise of the mean: ${noise.toPrecision(4)} a pixel (rms)`
      : "noise of the mean unknown: one frame only",
    ...rejected.map((each) => `not used: ${each.reason}`),
  ];
}

function combineFrames(frames: MasterFrames, first: FirstFrame, plan: MasterPlan): Image {
  const { step, what, subtract } = plan;
  const { width, height, header, geometry, channels } = first;
  const { inputs, names, recorded } = frames;
  if (subtract !== null && (subtract.width !== width || subtract.height !== height)) {
    throw new RangeError(
      `${step}: what is subtracted must have the frames' ${width} × ${height} pixels, but has ${subtract.width} ` +
        `× ${subtract.height}`,
    );
  }
  const planes: MasterPlanes = {
    mean: allocatePlane(width, height),
    spread: allocatePlane(width, height),
    seen: allocatePlane(width, height),
  };
  const total = combineBands(inputs, first, plan, planes);
  const { mean, spread, seen } = planes;
  if (plan.normalise) normalisePhases(mean, spread, first);
  const list: Card[] = names.map((name, index) =>
    card(`FRM${String(index + 1).padStart(5, "0")}`, name.split(/[\\/]/).at(-1) ?? name)
  );
  return createImage(
    {
      width,
      height,
      planes: [{ channel: channels[0], data: mean }],
      unit: "adu",
      header: withCards(header, [
        card("IMAGETYP", plan.imageType),
        card("NCOMBINE", inputs.length, "frames combined"),
        ...list,
      ]),
      geometry,
      variance: inputs.length > 1 ? [spread] : null,
      coverage: seen,
    },
    { step, options: plan.options, notes: notesOf(frames, what, total, rmsNoise(spread)) },
    [...recorded, ...plan.alsoFrom],
  );
}

/**
 * Divide a flat by the mean of each phase in place, and its variance by the square: factors about 1 that leave colour
 * alone.
 */
function normalisePhases(mean: Float32Array, spread: Float32Array, { width, height, geometry }: FirstFrame): void {
  const phases = phasesOf(geometry.bayer !== null);
  const levels = phaseMeans(mean, width, height, phases.count === 4);
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const level = levels[phaseAt(x, y, phases)];
      mean[at] /= level;
      spread[at] /= level * level;
    }
  }
}

/** Combine frames taken in the dark: nothing is taken off them and nothing scales them. */
export function combineUnlit(
  step: "combineBias" | "combineDark",
  what: string,
  imageType: string,
  sources: readonly FrameSource[],
  options: Partial<CombineMasterOptions>,
): Image {
  const used = settle(step, combineMasterDefaults, options);
  return combineMaster(sources, {
    step,
    what,
    imageType,
    normalise: false,
    subtract: null,
    factors: null,
    options: { falseRejectionShare: used.falseRejectionShare },
    used,
    alsoFrom: [],
  });
}
