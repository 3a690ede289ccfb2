/** Which samples of an image stars and sky are measured on: one plane, or the green pixels of a mosaic. */
import { allocatePlane, type Image, requireLinear } from "./image.ts";

/** A plane, and which of its pixels count. */
export interface Sampling {
  /** Samples, row by row. */
  readonly data: Float32Array;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** −1: every pixel counts; 0 or 1: those with (x + y) mod 2 equal to it, the green ones of a mosaic. */
  readonly parity: -1 | 0 | 1;
  /** Name of the channel. */
  readonly channel: string;
}

/**
 * Samples with infinite ones as missing data, of which no measure of stars or sky makes sense; the same when none is.
 */
function withoutInfinities(data: Float32Array, width: number, height: number): Float32Array {
  let infinite = false;
  for (let i = 0; i < data.length && !infinite; i++) infinite = data[i] === Infinity || data[i] === -Infinity;
  if (!infinite) return data;
  const kept = allocatePlane(width, height);
  for (let i = 0; i < data.length; i++) kept[i] = Number.isFinite(data[i]) ? data[i] : NaN;
  return kept;
}

/**
 * The samples to measure: the named channel; else the green pixels of a mosaic; else plane G of a colour image; else
 * the first plane.
 *
 * @throws {TypeError} if the image is a finished picture or lacks the channel
 */
export function samplingOf(step: string, image: Image, channel: string | null): Sampling {
  requireLinear(step, image);
  const { width, height, planes } = image;
  const named = channel ??
    (planes.length > 1 && planes.some((plane) => plane.channel === "G") ? "G" : planes[0].channel);
  const plane = planes.find((each) => each.channel === named);
  if (plane === undefined) {
    throw new TypeError(
      `${step}: image must have channel "${named}", but has ${planes.map((each) => each.channel).join(", ")}`,
    );
  }
  const bayer = planes.length === 1 ? image.geometry.bayer : null;
  const parity = bayer === null ? -1 : bayer[0] === "G" ? 0 : 1;
  return {
    data: withoutInfinities(plane.data, width, height),
    width,
    height,
    parity,
    channel: bayer === null ? named : "G",
  };
}
