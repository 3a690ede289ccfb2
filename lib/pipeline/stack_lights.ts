/** Combines the kept lights of each stack, and writes the stack with all that stands behind it. */
import type { StackReport } from "../stack/finish_stack.ts";
import type { FrameToStack } from "../stack/frame_to_stack.ts";
import { stackFrames } from "../stack/stack_frames.ts";
import { type Canvas, referenceCanvas } from "../core/canvas.ts";
import { plainGeometry } from "../core/geometry.ts";
import { card, type Header } from "../core/header.ts";
import type { Image } from "../core/image.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import { join } from "../io/paths.ts";
import type { CheckedLight } from "./check_lights.ts";
import { digestIn, type NightContext } from "./night_context.ts";
import { normaliseLights } from "./normalise_lights.ts";
import { imageDigest } from "./image_digest.ts";
import { type StackNoise, stackNoise } from "./stack_noise.ts";

/** A stack on disk, and what the run needs of it. */
export interface StackedNight {
  /** Name: `Ha`, `colour`, `Pocket-colour`. */
  readonly name: string;
  /** Rig of its frames. */
  readonly rig: string;
  /** Channel it stands for: the filter, or `colour`. */
  readonly channel: string;
  /** Frames that went in. */
  readonly lights: readonly CheckedLight[];
  /** Sum of their exposures, seconds. */
  readonly totalExposureSeconds: number;
  /**
   * A part of the stack from its file, read anew at each call: a night of several filters need not be in memory at
   * once.
   */
  readonly read: (part: StackPart) => Image;
  /** Whether there are two independent halves; a single frame has none. */
  readonly hasHalves: boolean;
  /** Digest of the stack's samples. */
  readonly sha256: string;
  /** Whether it is as deep as its frames promise. */
  readonly noise: StackNoise;
  /** Numbers of the stack. */
  readonly report: StackReport;
}

/** Files of a stack: itself, and what stands behind it. */
export type StackPart = "" | "weight" | "coverage" | "rejections" | "half-a" | "half-b";

/** Cards of a stack that a reader of the file wants: what, how long, of what. */
function stackCards(lights: readonly CheckedLight[], channel: string): Header {
  const first = lights[0].record;
  const total = lights.reduce((sum, each) => sum + (each.record.exposureSeconds ?? 0), 0);
  const dates = lights.map((each) => each.record.dateUtc).filter((each) => each !== null).sort();
  return [
    card("IMAGETYP", "Stack", "what the file holds"),
    ...(first.object === "" ? [] : [card("OBJECT", first.object)]),
    ...(channel === "colour" ? [] : [card("FILTER", channel)]),
    card("EXPTIME", total, "[s] sum of the exposures"),
    card("NCOMBINE", lights.length, "frames combined"),
    ...(dates.length === 0 ? [] : [card("DATE-OBS", dates[0], "[UTC] start of the first frame")]),
    ...(first.focalLengthMillimetres === null ? [] : [card("FOCALLEN", first.focalLengthMillimetres, "[mm]")]),
  ];
}

/** The reference frame's grid. */
function canvasOf(reference: CheckedLight): Canvas {
  const { width, height, arcsecPerPixel } = reference.record;
  return referenceCanvas({ width, height, geometry: { ...plainGeometry, arcsecPerPixel } });
}

/** File name of a part of a stack. */
const partFile = (name: string, part: StackPart) => `stacks/${name}${part === "" ? "" : `-${part}`}.fits`;

/**
 * Combine the lights of every stack of a night.
 *
 * @param lights all lights; those with weight 0 are left out
 */
export function stackLights(context: NightContext, lights: readonly CheckedLight[]): StackedNight[] {
  const { checkpoints, folder, out } = context;
  const kept = lights.filter((each) => each.weight > 0 && each.registration?.transform != null);
  const names = [...new Set(kept.map((each) => each.stack))].sort();
  return names.map((name) => {
    const members = kept.filter((each) => each.stack === name);
    const reference = lights.find((each) => each.record.file === members[0].registration?.reference) ?? members[0];
    const channel = members[0].record.bayer !== null || members[0].record.planes === 3
      ? "colour"
      : members[0].record.filter || "unfiltered";
    const question = {
      name,
      frames: members.map(({ record, weight, registration, correction }) => ({
        digest: digestIn(context, record),
        weight,
        transform: registration?.transform,
        calibration: correction?.notes ?? null,
      })),
    };
    const report = checkpoints.once("stack", question, () => {
      const canvas = canvasOf(reference);
      const frameOf = (light: CheckedLight, surface: NormalisationSurface) => frameToStack(folder, light, surface);
      const surfaces = normaliseLights(context, members, canvas, frameOf);
      const stack = stackFrames(members.map((light, at) => frameOf(light, surfaces[at])), canvas, {
        header: stackCards(members, channel),
        reference: reference.record.file,
        progress: context.progress,
      });
      writeFits(join(out, partFile(name, "")), stack.image);
      writeFits(join(out, partFile(name, "weight")), stack.weight);
      writeFits(join(out, partFile(name, "coverage")), stack.coverage);
      writeFits(join(out, partFile(name, "rejections")), stack.rejections);
      writeFits(join(out, partFile(name, "half-a")), stack.halfA);
      writeFits(join(out, partFile(name, "half-b")), stack.halfB);
      return stack.report;
    });
    // read back, so that a resumed run goes on from the very same values
    const read = (part: StackPart) => readFits(join(out, partFile(name, part)));
    const image = read("");
    const hasHalves = members.length > 1;
    return {
      name,
      rig: members[0].record.rig,
      channel,
      lights: members,
      totalExposureSeconds: members.reduce((sum, each) => sum + (each.record.exposureSeconds ?? 0), 0),
      read,
      hasHalves,
      sha256: imageDigest(image),
      noise: stackNoise(members, image.planes.length, hasHalves ? read : null),
      report,
    };
  });
}

function frameToStack(
  folder: string,
  light: CheckedLight,
  normalisation: NormalisationSurface | null,
): FrameToStack {
  const { record, correction, registration, weight } = light;
  return {
    source: join(folder, record.file),
    name: record.file,
    transform: registration?.transform ?? undefined,
    weight,
    correction,
    normalisation,
    bayer: record.bayer,
    electronsPerAdu: record.electronsPerAdu,
  };
}
