/** What sums, differences, products and quotients of images have in common: which planes meet, what is refused. */
import { cardText } from "../core/header.ts";
import { allocatePlane, derive, type Image, isLinear, requireSameSize, type Unit } from "../core/image.ts";
import { createMask, type Mask } from "../core/mask.ts";

/** The second term: an image, or one number for all samples. */
export type Term = Image | number;

/** Samples of the second term, or its number. */
export type Samples = Float32Array | number;

/** Values of one plane and their variances; null where a variance is not known. */
export interface Operand<T extends Samples> {
  /** Samples. */
  readonly samples: T;
  /** Variance of each; null when not known, 0 for a number. */
  readonly variance: Samples | null;
}

/** How one kind of arithmetic goes. */
export interface Arithmetic {
  /** Name of the step. */
  readonly step: string;
  /** Unit of the result; refuses units that do not go together. */
  readonly unit: (a: Image, b: Term) => Unit;
  /** Fill `out` with the result of two planes. */
  readonly samples: (a: Float32Array, b: Samples, out: Float32Array) => void;
  /** Fill `out` with its variance. */
  readonly variance: (a: Operand<Float32Array>, b: Operand<Samples>, out: Float32Array) => void;
}

/** An image without unit: a quotient, a mask (one plane, 0 … 1) or a flat. */
export const isDimensionless = (image: Image): boolean =>
  image.unit === "ratio" || (image.unit === "display" && image.planes.length === 1) ||
  /flat/i.test(cardText(image.header, "IMAGETYP") ?? "");

/** Refuse a finished picture beside linear data. */
export function requireOneScale(step: string, a: Image, b: Image): void {
  if (isLinear(a) === isLinear(b)) return;
  throw new TypeError(
    `${step}: linear data and a finished picture must not mix, but got units "${a.unit}" and "${b.unit}"; ` +
      "stretch both or none",
  );
}

/** Refuse terms that do not count the same. */
export function requireOneUnit(step: string, a: Image, b: Image): void {
  requireOneScale(step, a, b);
  if (a.unit === b.unit) return;
  throw new TypeError(`${step}: images must have one unit, but got "${a.unit}" and "${b.unit}"; convert one of them`);
}

/** Which plane of `b` meets each plane of `a`: that of the same name, or the only one. */
export function matchingPlanes(step: string, a: Image, b: Image): number[] {
  if (b.planes.length === 1) return a.planes.map(() => 0);
  const names = b.planes.map(({ channel }) => channel);
  return a.planes.map(({ channel }) => {
    const at = names.indexOf(channel);
    if (at >= 0) return at;
    throw new TypeError(
      `${step}: images must have the same channels, but got ${a.planes.map((plane) => plane.channel).join(", ")} and ${
        names.join(", ")
      }; name them alike with renameChannels`,
    );
  });
}

/** Reasons of both images, pixel by pixel. */
export function joinedMask(a: Image, b: Image): Mask | null {
  if (a.mask === null || b.mask === null) return a.mask ?? b.mask;
  const joined = createMask(a.width, a.height);
  for (let p = 0; p < joined.length; p++) joined[p] = a.mask[p] | b.mask[p];
  return joined;
}

function secondOperand(b: Term, plane: number): Operand<Samples> {
  if (typeof b === "number") return { samples: b, variance: 0 };
  return { samples: b.planes[plane].data, variance: b.variance?.[plane] ?? null };
}

/**
 * Apply one kind of arithmetic to an image and a second term, plane by plane.
 *
 * @throws {TypeError} if units or channels do not go together, or the second term is neither image nor number
 * @throws {RangeError} if sizes differ or the number is not finite
 */
export function combineSamples(a: Image, b: Term, arithmetic: Arithmetic): Image {
  const { step } = arithmetic;
  if (typeof b === "number") {
    if (!Number.isFinite(b)) throw new RangeError(`${step}: b must be a finite number or an image, but got ${b}`);
  } else if (typeof b !== "object" || b === null || !("planes" in b)) {
    throw new TypeError(`${step}: b must be an image or a number, but got ${typeof b}`);
  } else requireSameSize(step, a, b);
  const unit = arithmetic.unit(a, b);
  const pairs = typeof b === "number" ? a.planes.map(() => 0) : matchingPlanes(step, a, b);
  const { width, height } = a;
  const known = a.variance !== null && (typeof b === "number" || b.variance !== null);
  const planes = a.planes.map(({ channel, data }, plane) => {
    const out = allocatePlane(width, height);
    arithmetic.samples(data, secondOperand(b, pairs[plane]).samples, out);
    return { channel, data: out };
  });
  const variance = !known ? null : a.planes.map(({ data }, plane) => {
    const out = allocatePlane(width, height);
    const first = { samples: data, variance: a.variance?.[plane] ?? null };
    arithmetic.variance(first, secondOperand(b, pairs[plane]), out);
    return out;
  });
  const mask = typeof b === "number" ? a.mask : joinedMask(a, b);
  const options = typeof b === "number" ? { number: b } : {};
  return derive(typeof b === "number" ? a : [a, b], { planes, unit, mask, variance }, { step, options });
}

/** Variances of two planes, one for each sample, as a loop reads them: a number is the same everywhere. */
export function addVariances(a: Operand<Float32Array>, b: Operand<Samples>, out: Float32Array): void {
  const first = a.variance as Float32Array;
  const second = b.variance;
  if (second instanceof Float32Array) { for (let p = 0; p < out.length; p++) out[p] = first[p] + second[p]; }
  else out.set(first);
}
