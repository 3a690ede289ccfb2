/** Stacks the kept lights, and keeps each stack with all that stands behind it. */
import { type Canvas, referenceCanvas } from "../core/canvas.ts";
import { plainGeometry } from "../core/geometry.ts";
import { card, type Header } from "../core/header.ts";
import type { Image } from "../core/image.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import { digestOf } from "../io/checkpoints.ts";
import { join } from "../io/paths.ts";
import { readFits } from "../io/read_fits.ts";
import { writeFits } from "../io/write_fits.ts";
import type { StackReport } from "../stack/finish_stack.ts";
import { combineFrames } from "../stack/combine_frames.ts";
import { type StackFramesOptions, stackParameters } from "../stack/stack_options.ts";
import { type CheckedLight, starFluxRatio } from "./check_lights.ts";
import { cleanLights } from "./clean_lights.ts";
import { fenced } from "./fence.ts";
import { imageDigest } from "./image_digest.ts";
import { digestIn, type NightContext } from "./night_context.ts";
import { frameToStack, levelLights, normaliseLights } from "./normalise_lights.ts";
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
  /** Path of the file that holds a part of the stack. */
  readonly pathOf: (part: StackPart) => string;
  /**
   * A part of the stack from its file, read anew at each call: a night of several filters need not be in memory at
   * once.
   */
  readonly read: (part: StackPart) => Image;
  /** What tells this stack from any other. */
  readonly key: string;
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
export const stackParts = ["", "weight", "coverage", "rejections", "half-a", "half-b"] as const;

/** One of them. */
export type StackPart = typeof stackParts[number];

/** How a stack is made, where the caller has a choice. */
export interface StackSettings {
  /** Grid; null for that of the reference light. */
  readonly canvas: Canvas | null;
  /** Level and contrast: brought together from place to place, by one factor and offset, or left as they are. */
  readonly normalise: "local" | "level" | "none";
  /** Options of the stacking itself. */
  readonly stacking: Pick<StackFramesOptions, "rejection" | "interpolation" | "drizzle">;
  /** Told of a stack that cannot be made, and why, so that the others are; null to fail with it. */
  readonly failed: ((name: string, fact: string) => void) | null;
}

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
export function canvasOf(reference: CheckedLight): Canvas {
  const { width, height, arcsecPerPixel } = reference.record;
  return referenceCanvas({ width, height, geometry: { ...plainGeometry, arcsecPerPixel } });
}

/** File name of a part of a stack. */
export const partFile = (name: string, part: StackPart) => `${name}${part === "" ? "" : `-${part}`}.fits`;

/** Channel that the lights of a stack show. */
const channelOf = ({ record }: CheckedLight): string =>
  record.bayer !== null || record.planes === 3 ? "colour" : record.filter || "unfiltered";

/** The light whose grid others of a stack lie on. */
export const referenceOf = (members: readonly CheckedLight[], lights: readonly CheckedLight[]): CheckedLight =>
  lights.find((each) => each.record.file === members[0].registration?.reference) ?? members[0];

/** Lights that go into stacks. */
export const keptLights = (lights: readonly CheckedLight[]): CheckedLight[] =>
  lights.filter((each) => each.weight > 0 && each.registration?.transform != null);

/** What tells a light in a stack from any other. */
const lightQuestion = (context: NightContext, light: CheckedLight) => ({
  file: light.record.file,
  digest: digestIn(context, light.record),
  weight: light.weight,
  transform: light.registration?.transform,
  flux: starFluxRatio(light),
  calibration: light.calibrator.key,
});

/**
 * Surfaces that bring lights to a stack's level and contrast, kept for whoever asks again.
 *
 * @param members lights of the stack
 */
export function normalisationOf(
  context: NightContext,
  lights: readonly CheckedLight[],
  members: readonly CheckedLight[],
  canvas: Canvas,
): readonly NormalisationSurface[] {
  const question = {
    lights: lights === members ? "all" : lights.map((each) => lightQuestion(context, each)),
    members: members.map((each) => lightQuestion(context, each)),
    canvas,
  };
  return context.checkpoints.once("normalisation", question, () => normaliseLights(context, lights, members, canvas));
}

/**
 * Stack the lights of every stack of a night, or find the stacks that are kept already.
 *
 * @param lights the lights to stack; those with weight 0 are left out
 * @param all all lights of the night, the reference among them
 */
export function stackLights(
  context: NightContext,
  lights: readonly CheckedLight[],
  all: readonly CheckedLight[],
  settings: StackSettings,
): StackedNight[] {
  const kept = keptLights(lights);
  const names = [...new Set(kept.map((each) => each.stack))].sort();
  const { failed } = settings;
  return names.flatMap((name) => {
    const members = kept.filter((each) => each.stack === name);
    const make = () => [stackMembers(context, members, referenceOf(members, all), settings)];
    if (failed === null) return make();
    return fenced(make, (fact) => {
      failed(name, fact);
      return [];
    });
  });
}

/** Stack the lights of one stack. */
function stackMembers(
  context: NightContext,
  members: readonly CheckedLight[],
  reference: CheckedLight,
  settings: StackSettings,
): StackedNight {
  const [{ stack: name, record: first }] = members;
  const canvas = settings.canvas ?? canvasOf(reference);
  const hasHalves = members.length > 1;
  const question = {
    name,
    reference: reference.record.file,
    frames: members.map((each) => lightQuestion(context, each)),
    canvas,
    normalise: settings.normalise,
    stacking: settings.stacking,
  };
  const files = stackParts.map((part) => partFile(name, part));
  const { answer, folder } = context.checkpoints.onceWithFiles("stack", question, files, (own) => {
    const report = makeStack(context, members, reference, { ...settings, canvas }, own);
    // numbers are taken from what was read back, so that a resumed run goes on from the very same values
    const read = (part: StackPart) => readFits(join(own, partFile(name, part)));
    const image = read("");
    const noise = stackNoise(members, image.planes.length, hasHalves ? read : null);
    return { report, noise, sha256: imageDigest(image) };
  });
  const pathOf = (part: StackPart) => join(folder, partFile(name, part));
  return {
    ...answer,
    name,
    rig: first.rig,
    channel: channelOf(members[0]),
    lights: members,
    totalExposureSeconds: members.reduce((sum, each) => sum + (each.record.exposureSeconds ?? 0), 0),
    pathOf,
    read: (part) => readFits(pathOf(part)),
    key: digestOf(question),
    hasHalves,
  };
}

/** Make one stack and write its files. */
function makeStack(
  context: NightContext,
  members: readonly CheckedLight[],
  reference: CheckedLight,
  settings: StackSettings & { readonly canvas: Canvas },
  folder: string,
): StackReport {
  const { canvas, normalise } = settings;
  const surfaces = normalise === "local"
    ? normalisationOf(context, members, members, canvas)
    : normalise === "level"
    ? levelLights(members, canvas)
    : members.map(() => null);
  const parameters = stackParameters({ ...settings.stacking, progress: context.progress }, {
    header: stackCards(members, channelOf(members[0])),
    reference: reference.record.file,
  });
  const frames = members.map((light, at) => frameToStack(light, surfaces[at]));
  const clean = cleanLights(members, context.progress);
  const stack = combineFrames(
    clean === null ? frames : frames.map((frame, at) => ({ ...frame, source: clean.images[at], correction: null })),
    canvas,
    parameters,
  );
  const images: Readonly<Record<StackPart, Image>> = {
    "": stack.image,
    weight: stack.weight,
    coverage: stack.coverage,
    rejections: stack.rejections,
    "half-a": stack.halfA,
    "half-b": stack.halfB,
  };
  for (const part of stackParts) writeFits(join(folder, partFile(members[0].stack, part)), images[part]);
  const { report } = stack;
  return clean === null ? report : { ...report, notes: [...report.notes, clean.note] };
}
