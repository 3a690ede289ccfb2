/** The slope of the sky over a frame, from the tiles of its mesh. */
import type { TileLevels } from "../kernels/detection.ts";
import { robustFit } from "../stats/robust_fit.ts";

/** A slope of the sky. */
export interface SkyGradient {
  /** Difference between opposite borders along the steepest slope. */
  readonly range: number;
  /** Direction in which the sky brightens, from +x towards +y, 0 … 360. */
  readonly degrees: number;
}

/** Robust plane through the sky tiles: range over the frame and direction. */
export function skyGradient({ columns, rows, level }: TileLevels): SkyGradient {
  const u: number[] = [];
  const v: number[] = [];
  const z: number[] = [];
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      u.push(columns === 1 ? 0 : c / columns - (columns - 1) / columns / 2);
      v.push(rows === 1 ? 0 : r / rows - (rows - 1) / rows / 2);
      z.push(level[r * columns + c]);
    }
  }
  const fit = columns < 2 || rows < 2 ? null : robustFit([u.map(() => 1), u, v], z);
  if (fit === null) return { range: 0, degrees: 0 };
  const [, a, b] = fit.coefficients;
  return { range: Math.abs(a) + Math.abs(b), degrees: (Math.atan2(b, a) * 180 / Math.PI + 360) % 360 };
}
