/** The stack that comes of the tiles: images with their history, numbers, notes. */
import type { Canvas } from "../core/canvas.ts";
import { card, withCards } from "../core/header.ts";
import { allocatePlane, createImage, type Image } from "../core/image.ts";
import { median } from "../stats/median.ts";
import type { OpenFrame } from "./frame_to_stack.ts";
import type { StackParameters } from "./stack_options.ts";
import type { TileOutput, TileResult } from "./tile_plan.ts";

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

/** Share of the samples left out below over the share asked for that says the noise is not what was assumed. */
const doubtfulShareRatio = 10;

/** Which frames had trails, whose bands were left out. */
function trailNotes(opened: readonly OpenFrame[]): string[] {
  const crossed = opened.filter(({ task }) => task.trails.length > 0).map(({ task }) => baseName(task.name));
  return crossed.length === 0
    ? []
    : [`left out along the lines of trails, where other frames show the place: ${crossed.join(", ")}`];
}

/** Sum the tiles up. */
function reportOf(
  opened: readonly OpenFrame[],
  used: StackParameters,
  output: TileOutput,
  results: readonly TileResult[],
  rejected: StackReport["rejected"],
): StackReport {
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
    // Satellites and rays are rare: that much below the others is neither.
    ...(used.rejects && dimmerShare > doubtfulShareRatio * used.rejection.falseRejectionShare
      ? ["doubt: many samples lay below the others; drifting sky without normalisation, or noise with a long tail"]
      : []),
    ...(used.rejects ? trailNotes(opened) : []),
    ...(used.dropSize === null ? [] : evenness(opened[0].channels, output.weight)),
    ...rejected.map((each) => `not used: ${each.name}: ${each.reason.replace(`${each.name}: `, "")}`),
  ];
  return {
    frames: opened.map(({ task }) => ({ name: task.name, weight: task.weight })),
    rejected,
    samples,
    dimmerShare,
    brighterShare,
    closed,
    tiles: results.length,
    notes,
  };
}

/** The step as the history records it. */
function stepOf(opened: readonly OpenFrame[], canvas: Canvas, used: StackParameters, notes: readonly string[]) {
  const { rejects, rejection, interpolation, dropSize, reference } = used;
  const { width, height, origin, scale } = canvas;
  return {
    step: "stackFrames",
    options: {
      rejection: rejects ? rejection : "none",
      interpolation,
      drizzle: dropSize === null ? null : { dropSize },
      reference,
      canvas: { width, height, origin, scale },
      frames: opened.map(({ task: { name, weight, trails } }) => ({
        name: baseName(name),
        weight,
        ...(trails.length === 0 ? {} : { trails }),
      })),
    },
    notes,
  };
}

/** Make the stack. `rejected` are the frames that took no part. */
export function finishStack(
  opened: readonly OpenFrame[],
  canvas: Canvas,
  used: StackParameters,
  run: { readonly output: TileOutput; readonly results: readonly TileResult[] },
  rejected: StackReport["rejected"],
): Stack {
  const { output, results } = run;
  const { width, height, geometry } = canvas;
  const { channels, unit } = opened[0];
  const report = reportOf(opened, used, output, results, rejected);
  const step = stepOf(opened, canvas, used, report.notes);
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
    report,
  };
}

/** How evenly drops cover the canvas, for each plane: holes and thin places spoil a drizzled stack. */
function evenness(channels: readonly string[], weights: readonly Float32Array[]): string[] {
  return channels.map((channel, plane) => {
    const typical = median(weights[plane]);
    let thin = 0;
    let holes = 0;
    for (const weight of weights[plane]) {
      if (!(weight > 0)) holes++;
      else if (weight < 0.5 * typical) thin++;
    }
    const share = (n: number) => `${(100 * n / weights[plane].length).toFixed(2)} %`;
    return `drizzle, ${channel}: ${share(holes)} of the pixels without a drop, ${
      share(thin)
    } with less than half of the median weight`;
  });
}

const baseName = (path: string): string => path.split(/[\\/]/).at(-1) ?? path;
