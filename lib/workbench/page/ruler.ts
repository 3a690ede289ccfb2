/** A number's ruler: from a place along it to the value, and back. */
import { stripLevel, stripPlace } from "../draw.ts";
import type { StripAxis } from "../messages.ts";
import type { NumberPart } from "../sentence.ts";

/** Steps of a ruler. */
export const rulerSteps = 1000;

/** Value at a step of the ruler. */
export function rulerValue({ scale, range: [from, to], whole }: NumberPart, step: number, axis: StripAxis): number {
  const part = step / rulerSteps;
  if (scale === "ratio") return shortened(from * (to / from) ** part, whole);
  if (scale === "level") {
    const [first, last] = [stripPlace(from, axis), stripPlace(to, axis)];
    return shortened(stripLevel(first + part * (last - first), axis), whole);
  }
  return shortened(from + part * (to - from), whole);
}

/** Step of the ruler nearest to a value. */
export function rulerStep({ scale, range: [from, to] }: NumberPart, value: number, axis: StripAxis): number {
  const place = (v: number) => scale === "ratio" ? Math.log(v) : scale === "level" ? stripPlace(v, axis) : v;
  const part = (place(value) - place(from)) / (place(to) - place(from));
  return Math.round(rulerSteps * Math.max(0, Math.min(1, part)));
}

/** Five figures are as many as a person pastes. */
const shortened = (value: number, whole: boolean): number => whole ? Math.round(value) : Number(value.toPrecision(5));
