/** A side of the frame that something in the way darkens, found by its stars. */
import { median } from "../stats/median.ts";
import type { StarFlux } from "./transparency.ts";

/** A side of the frame that is dark while the other is as bright as ever. */
export interface Obstruction {
  /** Median flux ratio of the stars on the dark side. */
  readonly dark: number;
  /** Median flux ratio of the stars on the other side. */
  readonly bright: number;
  /** Flux of the whole frame over that of an open one, by area. */
  readonly transmission: number;
  /** Direction of the dark side, from +x towards +y, 0 … 360. */
  readonly degrees: number;
}

/**
 * Twice the gain in log likelihood of two sides over one from which on a dark side is believed: chi-square of one
 * degree of freedom, exceeded by chance once in 130 000 times, while of one frame's some thousand lines a hundred are
 * independent at most.
 */
const minimumLikelihoodGain = 20;

/**
 * A dark strip along a border that is narrower than this share of the frame is left out: a few stars there are missed
 * for other reasons (own).
 */
const minimumDarkShare = 0.12;

/** A star is dim below this share of the bright side's median. */
const dimRatio = 0.6;

/** Directions tried, 15° apart. */
const directions = 24;

/** Log likelihood of `k` dim stars among `of`, with their own share as the probability. */
const binomialTerm = (k: number, of: number): number =>
  (k > 0 ? k * Math.log(k / of) : 0) + (k < of ? (of - k) * Math.log(1 - k / of) : 0);

/** A straight line across the frame: direction and place along it. */
interface Line {
  readonly cosine: number;
  readonly sine: number;
  readonly at: number;
}

/** Share of the frame's area beyond a line, on a grid of 16 by 16. */
function shareBeyond({ cosine, sine, at }: Line, width: number, height: number): number {
  let beyond = 0;
  for (let i = 0; i < 256; i++) {
    const x = (i % 16 + 0.5) / 16 * width * cosine;
    if (x + (Math.floor(i / 16) + 0.5) / 16 * height * sine > at) beyond++;
  }
  return beyond / 256;
}

/** Number of dim stars on the two sides of a line, and by how much two shares fit better than one. */
function likelihoodGain(far: readonly number[], near: readonly number[], bright: number): number {
  const isDim = (fluxRatio: number) => fluxRatio < dimRatio * bright;
  const farDim = far.filter(isDim).length;
  const nearDim = near.filter(isDim).length;
  if (farDim < 0.7 * far.length || nearDim > 0.2 * near.length) return 0;
  return 2 * (binomialTerm(farDim, far.length) + binomialTerm(nearDim, near.length) -
    binomialTerm(farDim + nearDim, far.length + near.length));
}

/**
 * Look for the straight line that parts dim stars (below 0.6 of the brighter ones' flux, or missing) from bright ones
 * best, by the likelihood of two shares over one (Wilks 1938, Annals of Mathematical Statistics 9, 60). A few stars
 * suffice, if all on one side are dim.
 *
 * @param stars every star that ought to show, with its flux ratio
 */
export function findObstruction(stars: readonly StarFlux[], width: number, height: number): Obstruction | null {
  const n = stars.length;
  if (n < 12) return null;
  let best: Obstruction | null = null;
  let mostGain = minimumLikelihoodGain;
  for (let step = 0; step < directions; step++) {
    const cosine = Math.cos(step * Math.PI / 12);
    const sine = Math.sin(step * Math.PI / 12);
    const sorted = stars.map(({ x, y, fluxRatio }) => ({ t: x * cosine + y * sine, fluxRatio })).sort((a, b) =>
      b.t - a.t
    );
    const ratios = sorted.map((each) => each.fluxRatio);
    for (let count = 3; count <= n - 6; count++) {
      const far = ratios.slice(0, count);
      const near = ratios.slice(count);
      const bright = median(near);
      if (!(bright > 0.85)) continue;
      const gain = likelihoodGain(far, near, bright);
      if (gain <= mostGain) continue;
      const at = (sorted[count - 1].t + sorted[count].t) / 2;
      const darkShare = shareBeyond({ cosine, sine, at }, width, height);
      if (darkShare < minimumDarkShare) continue;
      mostGain = gain;
      const dark = median(far);
      best = { dark, bright, transmission: 1 - darkShare * (1 - dark / bright), degrees: step * 15 };
    }
  }
  return best;
}
