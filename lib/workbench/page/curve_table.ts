/** A curve as a table that a graphics processor reads by the bits of a float: dense where the level is small. */
import { curveOf, type CurveParameters } from "../../tone/curve.ts";

/** Halvings of the level that have rows of their own; below them the curve is taken as straight. */
export const tableOctaves = 24;
/** Entries of a row. */
export const tableSegments = 256;

/** Value and slope at each place, row by row: 2^(row − octaves) · (1 + column / segments); the last row holds 1. */
export function curveTable(parameters: CurveParameters): Float32Array<ArrayBuffer> {
  const curve = curveOf(parameters);
  const table = new Float32Array(2 * tableSegments * (tableOctaves + 1));
  for (let row = 0; row <= tableOctaves; row++) {
    for (let column = 0; column < tableSegments; column++) {
      const t = Math.min(1, 2 ** (row - tableOctaves) * (1 + column / tableSegments));
      const at = 2 * (row * tableSegments + column);
      table[at] = curve.at(t);
      table[at + 1] = curve.slopeAt(t);
    }
  }
  return table;
}

/** Slope at 0; one that is not finite counts as 0, as the library has it. */
export function slopeAtZero(parameters: CurveParameters): number {
  const slope = curveOf(parameters).slopeAt(0);
  return Number.isFinite(slope) ? slope : 0;
}
