/** The stacks of a night by name, each with what stands behind every pixel. */
import type { Canvas } from "../core/canvas.ts";
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Progress } from "../core/progress.ts";
import { cropImage } from "../stack/crop_image.ts";
import type { Stack } from "../stack/finish_stack.ts";
import { stackFramesDefaults, type StackFramesOptions } from "../stack/stack_options.ts";
import type { CheckedLight } from "./check_lights.ts";
import { inLockedFolder } from "../io/folder_lock.ts";
import { stoppable } from "./fence.ts";
import { type Light, type Night, type NightState, selectedLights, stateOf } from "./night.ts";
import { pictureRegion } from "./picture_region.ts";
import { type StackedNight, stackLights, type StackPart, type StackSettings } from "./stack_lights.ts";
import type { StackNoise } from "./stack_noise.ts";

/** Options of {@linkcode stackNight}. */
export interface StackNightOptions {
  /**
   * `common`: stacks are cut to the part of the field that every light covers, all alike, or 0.7 of the lights where
   * full coverage would cost more than a quarter of the field; `none`: the whole grid. Files on disk keep the whole
   * grid.
   */
  readonly crop: "common" | "none";
  /** Grid; "automatic" for that of the reference light. */
  readonly canvas: Canvas | "automatic";
  /** Weights: "automatic" those of the night, "equal", or a function that gives the weight of a light, ≥ 0. */
  readonly weights: "automatic" | "equal" | ((light: Light) => number);
  /**
   * `local`: level and contrast are brought together from place to place; `level`: by one factor and one offset a
   * light; `none`: not at all.
   */
  readonly normalise: "local" | "level" | "none";
  /** Which samples are left out, see `stackFrames`. */
  readonly rejection: StackFramesOptions["rejection"];
  /** Interpolation, see `stackFrames`. */
  readonly interpolation: StackFramesOptions["interpolation"];
  /**
   * null: lights are interpolated to the grid; else each sample falls as a square of `dropSize` pixels of the light.
   */
  readonly drizzle: StackFramesOptions["drizzle"];
  /** Receives progress; null for none. */
  readonly progress: Progress | null;
}

/** What {@linkcode stackNight} uses for an option left out; rejection and interpolation are those of `stackFrames`. */
export const stackNightDefaults: StackNightOptions = Object.freeze({
  crop: "common",
  canvas: "automatic",
  weights: "automatic",
  normalise: "local",
  rejection: stackFramesDefaults.rejection,
  interpolation: stackFramesDefaults.interpolation,
  drizzle: null,
  progress: null,
});

/** A stack of a night: its images are read from disk when they are asked for. */
export interface NightStack extends Stack {
  /** Name: `Ha`, `colour`, `Pocket-colour`. */
  readonly name: string;
  /** Rig of its lights. */
  readonly rig: string;
  /** Channel it stands for: the filter, or `colour`. */
  readonly channel: string;
  /** Lights that went in. */
  readonly lights: readonly Light[];
  /** Sum of their exposures, seconds. */
  readonly totalExposureSeconds: number;
  /** Noise of a light, and of a pixel of the stack as the lights promise it and as its halves show it. */
  readonly noise: StackNoise;
  /** Part of the grid that the images show, pixels of the reference. */
  readonly region: Region;
  /** What a reader should know. */
  readonly notes: readonly string[];
}

/** Stacks by name. A name that is none is refused with those there are. */
export type Stacks = Readonly<Record<string, NightStack>>;

const made = new WeakMap<NightStack, StackedNight>();

/** The files behind a stack of a night. */
export const filesOf = (stack: NightStack): StackedNight => made.get(stack) as StackedNight;

/**
 * Stack the lights of a night, one stack a filter: normalised, weighted, outliers left out, cut to common coverage.
 *
 * Answers are kept in the night's output folder: stacks that were made before are found, and their images read when
 * they are asked for.
 *
 * @param night from `openNight`, or narrowed by `selectLights`
 * @returns stacks by name: `Ha`, `OIII`, `colour`; behind the rig's name when there are several rigs
 * @throws {RangeError} if a weight is no number ≥ 0, or another run works in the output folder
 * @throws {TypeError} when a name is asked for that is none of the stacks
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { type Night, stackNight } from "faintlight";
 *
 * const hydrogen = (night: Night) => stackNight(night).Ha.image;
 * assert.equal(hydrogen.length, 1);
 * ```
 */
export function stackNight(night: Night, options: Partial<StackNightOptions> = {}): Stacks {
  const { out } = stateOf("stackNight", night).context;
  return inLockedFolder(out, () => stackFilters(night, options, null));
}

/**
 * {@linkcode stackNight}, where a stack that cannot be made leaves the others alone.
 *
 * @param failed told of each stack that cannot be made, and why; null to fail with it
 */
export function stackFilters(
  night: Night,
  options: Partial<StackNightOptions>,
  failed: StackSettings["failed"],
): Stacks {
  const used = settle("stackNight", stackNightDefaults, options);
  requireChoice("crop", used.crop, ["common", "none"]);
  requireChoice("normalise", used.normalise, ["local", "level", "none"]);
  const state = stateOf("stackNight", night);
  const { progress } = used;
  const context = progress === null ? state.context : { ...state.context, progress: stoppable(progress) };
  const settings: StackSettings = {
    canvas: used.canvas === "automatic" ? null : used.canvas,
    normalise: used.normalise,
    stacking: {
      rejection: used.rejection,
      interpolation: used.interpolation,
      drizzle: used.drizzle,
    },
    failed,
  };
  const stacks = stackLights(context, weighed(state, night, used.weights), state.checked.lights, settings);
  return byName(stacks.map((stack) => nightStack({ ...state, context }, night, stack, stacks, used.crop)));
}

function requireChoice(name: string, value: string, choices: readonly string[]): void {
  if (choices.includes(value)) return;
  throw new RangeError(`stackNight: ${name} must be one of ${choices.join(", ")}, but got ${JSON.stringify(value)}`);
}

/** Lights with the weights that the caller wants; those that were left out stay out. */
function weighed(state: NightState, night: Night, weights: StackNightOptions["weights"]): readonly CheckedLight[] {
  const lights = selectedLights(state);
  if (weights === "automatic") return lights;
  const lightOf = new Map(night.lights.map((light) => [light.file, light]));
  return lights.map((light) => {
    if (light.weight === 0) return light;
    const weight = weights === "equal" ? 1 : weights(lightOf.get(light.record.file) as Light);
    if (!(weight >= 0 && weight < Infinity)) {
      throw new RangeError(`stackNight: weights must be numbers ≥ 0, but got ${weight} for ${light.record.file}`);
    }
    return { ...light, weight };
  });
}

/** A stack whose images are read once, when they are asked for. */
function nightStack(
  state: NightState,
  night: Night,
  stack: StackedNight,
  all: readonly StackedNight[],
  crop: StackNightOptions["crop"],
): NightStack {
  const sameRig = all.filter(({ rig }) => rig === stack.rig);
  const files = new Set(stack.lights.map(({ record }) => record.file));
  let known: Region | undefined;
  const region = (): Region => known ??= crop === "common" ? pictureRegion(state.context, sameRig) : whole();
  const whole = (): Region => {
    const { width, height } = stack.read("coverage");
    return { x: 0, y: 0, width, height };
  };
  const images = new Map<StackPart, Image>();
  const part = (name: StackPart): Image => {
    const before = images.get(name);
    if (before !== undefined) return before;
    const image = crop === "common" ? cropImage(stack.read(name), region()) : stack.read(name);
    images.set(name, image);
    return image;
  };
  const { name, rig, channel, totalExposureSeconds, noise, report } = stack;
  const result: NightStack = Object.freeze({
    name,
    rig,
    channel,
    lights: Object.freeze(night.lights.filter(({ file }) => files.has(file))),
    totalExposureSeconds,
    noise,
    report,
    notes: report.notes,
    get region() {
      return region();
    },
    get image() {
      return part("");
    },
    get weight() {
      return part("weight");
    },
    get coverage() {
      return part("coverage");
    },
    get rejections() {
      return part("rejections");
    },
    get halfA() {
      return part("half-a");
    },
    get halfB() {
      return part("half-b");
    },
  });
  made.set(result, stack);
  return result;
}

/** Stacks by name; asking for one that is not there says which are. */
function byName(stacks: readonly NightStack[]): Stacks {
  const known: Stacks = Object.freeze(Object.fromEntries(stacks.map((stack) => [stack.name, stack])));
  return new Proxy(known, {
    get: (target, name, receiver) => {
      // what the language itself asks any value for: symbols, promises, JSON
      if (typeof name === "symbol" || name in target || name === "then" || name === "toJSON") {
        return Reflect.get(target, name, receiver);
      }
      throw new TypeError(
        `stackNight: the night must have a stack "${name}", but has ${Object.keys(target).join(", ") || "none"}`,
      );
    },
  });
}
