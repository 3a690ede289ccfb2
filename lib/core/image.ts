/** The value that flows through the library: float planes, their meaning, where they lie and how they were made. */
import { displayed } from "./display.ts";
import { type Geometry, plainGeometry } from "./geometry.ts";
import type { Header } from "./header.ts";
import { extendHistory, type Recorded, type StepEntry } from "./history.ts";
import type { Mask } from "./mask.ts";
import { allocateShared } from "./memory.ts";

/**
 * What a sample counts. Linear steps take all but `display`, the unit of a finished picture (0 … 1); `ratio` is a
 * quotient of equal units.
 */
export type Unit = "adu" | "electron" | "electron/s" | "ratio" | "display";

/** Samples of one channel, row by row. NaN means no data. */
export interface Plane {
  /** `L`, `R`, `G`, `B`, `Ha`, `OIII`, `SII`, `mosaic`, or a filter's own name. */
  readonly channel: string;
  /** width × height samples, usually on shared memory. */
  readonly data: Float32Array;
}

/** An immutable image. Make one with {@linkcode createImage}, a changed one with {@linkcode derive}. */
export interface Image extends Recorded {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** One plane a channel, all of the same size. */
  readonly planes: readonly Plane[];
  /** What a sample counts. */
  readonly unit: Unit;
  /** FITS cards that came with the data. */
  readonly header: Header;
  /** Where the image lies. */
  readonly geometry: Geometry;
  /** Why pixels are missing or changed; null when nothing is known. */
  readonly mask: Mask | null;
  /** Variance of each sample, unit², one array a plane; null when not carried. */
  readonly variance: readonly Float32Array[] | null;
  /** Number of frames behind each pixel; null for a single frame. */
  readonly coverage: Float32Array | null;
}

/**
 * Memory for one plane that workers can share without a copy, filled with 0.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { allocatePlane } from "faintlight/extend";
 *
 * assert.equal(allocatePlane(3, 2).length, 6);
 * ```
 */
export const allocatePlane = (width: number, height: number): Float32Array =>
  new Float32Array(allocateShared(width * height * 4), 0, width * height);

/** Parts of an image to make; what is left out is empty. */
export interface ImageParts {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Planes of width × height samples. */
  readonly planes: readonly Plane[];
  /** What a sample counts. */
  readonly unit: Unit;
  /** FITS cards. */
  readonly header?: Header;
  /** Where it lies. */
  readonly geometry?: Geometry;
  /** Mask of width × height bytes. */
  readonly mask?: Mask | null;
  /** Variance, one array a plane. */
  readonly variance?: readonly Float32Array[] | null;
  /** Frames behind each pixel. */
  readonly coverage?: Float32Array | null;
}

/** What a sample may count. */
const units: readonly string[] = ["adu", "electron", "electron/s", "ratio", "display"] satisfies readonly Unit[];

function assertShapes(step: string, image: ImageParts): void {
  const { width, height, planes, unit } = image;
  if (!units.includes(unit)) {
    throw new TypeError(`${step}: unit must be one of ${units.join(", ")}, but got ${JSON.stringify(unit)}`);
  }
  if (!(Number.isInteger(width) && Number.isInteger(height) && width > 0 && height > 0)) {
    throw new RangeError(`${step}: width and height must be whole numbers above 0, but got ${width} × ${height}`);
  }
  if (planes.length === 0) throw new RangeError(`${step}: an image must have at least one plane, but got none`);
  const size = width * height;
  const check = (what: string, length: number) => {
    if (length !== size) {
      throw new RangeError(`${step}: ${what} must hold ${width} × ${height} = ${size} samples, but got ${length}`);
    }
  };
  for (const plane of planes) check(`plane "${plane.channel}"`, plane.data.length);
  if (image.mask) check("mask", image.mask.length);
  if (image.coverage) check("coverage", image.coverage.length);
  if (image.variance) {
    if (image.variance.length !== planes.length) {
      throw new RangeError(`${step}: variance must have ${planes.length} planes, but got ${image.variance.length}`);
    }
    for (const plane of image.variance) check("variance", plane.length);
  }
}

/**
 * An image from its parts.
 *
 * @param parts size, planes, unit and what else is known
 * @param source how the data came to be: the step and options to record as the first node of the history
 * @param inputs recorded values the data were made from
 * @throws {RangeError} if a plane, mask, variance or coverage does not hold width × height samples
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage } from "faintlight/extend";
 *
 * const image = createImage({
 *   width: 2,
 *   height: 1,
 *   unit: "adu",
 *   planes: [{ channel: "L", data: Float32Array.of(1, 2) }],
 * });
 * assert.equal(image.planes[0].data[1], 2);
 * ```
 */
export function createImage(
  parts: ImageParts,
  source: StepEntry = { step: "createImage", options: {} },
  inputs: readonly Recorded[] = [],
): Image {
  assertShapes(source.step, parts);
  const { width, height, planes, unit } = parts;
  const image: Image = {
    width,
    height,
    planes: Object.freeze(planes.map((plane) => Object.freeze({ ...plane }))),
    unit,
    header: parts.header ?? [],
    geometry: parts.geometry ?? plainGeometry,
    mask: parts.mask ?? null,
    variance: parts.variance ?? null,
    coverage: parts.coverage ?? null,
    history: extendHistory(inputs, source),
  };
  return Object.freeze(displayed("image", image));
}

/**
 * An image of one value.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 *
 * assert.equal(constantImage(2, 2, 7, { channels: ["R", "G", "B"] }).planes[2].data[3], 7);
 * ```
 */
export function constantImage(
  width: number,
  height: number,
  value: number,
  options: { readonly unit?: Unit; readonly channels?: readonly string[] } = {},
): Image {
  const { unit = "adu", channels = ["L"] } = options;
  const planes = channels.map((channel) => ({ channel, data: allocatePlane(width, height).fill(value) }));
  return createImage({ width, height, planes, unit }, {
    step: "constantImage",
    options: { width, height, value, unit, channels },
  });
}

/**
 * A changed image, and one more node in its history: the only way to make one.
 *
 * @param from the image, or images, that went in; size, header, geometry, mask … come from the first unless changed
 * @param change what is different
 * @param entry the step and its resolved options
 * @param alsoFrom recorded values that are no images (a surface, a star model)
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { derive } from "faintlight/extend";
 *
 * const one = constantImage(2, 2, 1);
 * const planes = one.planes.map((plane) => ({ ...plane, data: plane.data.map((x) => 2 * x) }));
 * const two = derive(one, { planes }, { step: "double", options: {} });
 * assert.equal(two.planes[0].data[0], 2);
 * assert.equal(two.history.nodes.at(-1)?.step, "double");
 * ```
 */
export function derive(
  from: Image | readonly [Image, ...Image[]],
  change: Partial<ImageParts>,
  entry: StepEntry,
  alsoFrom: readonly Recorded[] = [],
): Image {
  const inputs = "planes" in from ? [from] : from;
  const { width, height, planes, unit, header, geometry, mask, variance, coverage } = inputs[0];
  const parts = { width, height, planes, unit, header, geometry, mask, variance, coverage, ...change };
  return createImage(parts, entry, [...inputs, ...alsoFrom]);
}

/**
 * Whether samples are proportional to light.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { isLinear } from "faintlight/extend";
 *
 * assert.equal(isLinear(constantImage(1, 1, 0, { unit: "display" })), false);
 * ```
 */
export const isLinear = (image: Image): boolean => image.unit !== "display";

/** Words for a value that is no image. */
function kindOf(value: unknown): string {
  if (value === null || value === undefined) return String(value);
  if (typeof value === "string") return `the text ${JSON.stringify(value)}`;
  if (Array.isArray(value)) return "an array";
  return typeof value === "object"
    ? `an object with ${Object.keys(value).slice(0, 4).join(", ") || "nothing"}`
    : `a ${typeof value}`;
}

const remedyFor = (value: unknown): string => typeof value === "string" ? "; read the file first: readFits(path)" : "";

/**
 * Refuse what is no image, by name.
 *
 * @param step the function that asks, for the message
 * @param value what was handed in
 * @param argument what it was handed in as
 * @throws {TypeError} if it is no image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { requireImage } from "faintlight/extend";
 *
 * assert.throws(() => requireImage("demo", "ha.fits"), /demo: image must be an image, but got the text "ha.fits"/);
 * ```
 */
export function requireImage(step: string, value: unknown, argument: string = "image"): asserts value is Image {
  const parts = value as Partial<Image> | null;
  if (typeof value !== "object" || parts === null || !Array.isArray(parts.planes) || !parts.history) {
    throw new TypeError(`${step}: ${argument} must be an image, but got ${kindOf(value)}${remedyFor(value)}`);
  }
}

/** Refuse an image in which nothing was measured: looks no further than the first number. */
function requireNumbers(step: string, image: Image, argument: string): void {
  if (image.planes.some(({ data }) => data.some(Number.isFinite))) return;
  throw new RangeError(`${step}: ${argument} must hold at least one number, but all its samples are NaN or infinite`);
}

/**
 * Refuse a finished picture where linear data are needed, and what is no image.
 *
 * @throws {TypeError} if the unit is `display`
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { requireLinear } from "faintlight/extend";
 *
 * assert.throws(() => requireLinear("demo", constantImage(1, 1, 0, { unit: "display" })), /before the stretch/);
 * ```
 */
export function requireLinear(step: string, image: Image, argument: string = "image"): void {
  requireImage(step, image, argument);
  requireNumbers(step, image, argument);
  if (!isLinear(image)) {
    throw new TypeError(`${step}: ${argument} must be linear, but its unit is "display"; use it before the stretch`);
  }
}

/**
 * Refuse linear data where a finished picture is needed.
 *
 * @throws {TypeError} if the unit is not `display`
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { requireDisplay } from "faintlight/extend";
 *
 * assert.throws(() => requireDisplay("demo", constantImage(1, 1, 0)), /stretch it first/);
 * ```
 */
export function requireDisplay(step: string, image: Image, argument: string = "image"): void {
  requireImage(step, image, argument);
  requireNumbers(step, image, argument);
  if (isLinear(image)) {
    throw new TypeError(
      `${step}: ${argument} must be a stretched picture, but its unit is "${image.unit}"; stretch it first`,
    );
  }
}

/**
 * The plane of a channel.
 *
 * @throws {TypeError} if the image has no such channel; the message lists those it has
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, planeOf } from "faintlight";
 *
 * assert.equal(planeOf(constantImage(1, 1, 4), "L").data[0], 4);
 * ```
 */
export function planeOf(image: Image, channel: string): Plane {
  requireImage("planeOf", image);
  const found = image.planes.find((plane) => plane.channel === channel);
  if (found === undefined) {
    const names = image.planes.map((plane) => plane.channel).join(", ");
    throw new TypeError(`planeOf: image must have channel "${channel}", but has ${names}`);
  }
  return found;
}

/**
 * Refuse images of different size.
 *
 * @throws {RangeError} naming both sizes
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { requireSameSize } from "faintlight/extend";
 *
 * assert.throws(() => requireSameSize("demo", constantImage(1, 1, 0), constantImage(2, 1, 0)), /one size/);
 * ```
 */
export function requireSameSize(
  step: string,
  ...images: readonly { readonly width: number; readonly height: number }[]
): void {
  const first = images[0];
  for (const each of images) {
    if (each.width !== first.width || each.height !== first.height) {
      throw new RangeError(
        `${step}: images must have one size, but got ${first.width} × ${first.height} and ${each.width} × ` +
          `${each.height}; register them first`,
      );
    }
  }
}
