/** While drizzling: whether a sample agrees with a clean stack of the same field. */
import { leastKept, verdict } from "../kernels/rejection.ts";
import type { FrameTask, TilePlan } from "./tile_plan.ts";

/** What a drizzled tile needs besides the plan of the stack. */
export interface DrizzlePlan {
  /** Side of a drop in pixels of the frame. */
  readonly dropSize: number;
  /**
   * How far, in canvas pixels, stars may wander by registration and seeing before a sample on their slope is an
   * outlier.
   */
  readonly slopePixels: number;
  /** Clean first stack on the same canvas to judge samples by; null to keep every sample. */
  readonly clean: CleanStack | null;
}

/** A first stack without outliers. */
export interface CleanStack {
  /** Its samples, one array a plane. */
  readonly mean: readonly Float32Array[];
  /** Frames that show each pixel. */
  readonly coverage: Uint16Array;
}

/**
 * Judges the samples of one frame, one after the other: kept when they lie within the noise model and what the slope
 * of the clean stack excuses. The answers stand in the fields, so that nothing is made for a sample.
 */
export class SampleJudge {
  /** Whether the sample takes part, or on which side it was left out. */
  verdict: number = verdict.keep;
  /** What the sample holds above the sky, for its variance. */
  signal = 0;
  readonly #plan: TilePlan;
  readonly #frame: FrameTask;
  readonly #drizzle: DrizzlePlan;
  #expected = NaN;
  #slope = 0;

  /** A judge for one frame of the plan. */
  constructor(plan: TilePlan, drizzle: DrizzlePlan, frame: FrameTask) {
    this.#plan = plan;
    this.#drizzle = drizzle;
    this.#frame = frame;
  }

  /** Judge a normalised sample of a plane that falls on a place of the canvas. */
  judge(plane: number, value: number, x: number, y: number): void {
    const { sky, seeing, noiseLimit } = this.#plan;
    const { clean, slopePixels } = this.#drizzle;
    this.verdict = verdict.keep;
    this.signal = Math.max(0, value - sky[plane]);
    if (clean === null) return;
    this.#look(clean.mean[plane], x, y);
    const expected = this.#expected;
    if (!(expected === expected)) return;
    this.signal = Math.max(0, expected - sky[plane]);
    const { noise, factor, perUnit } = this.#frame;
    const skyNoise = noise[plane] * factor[plane];
    const changing = seeing * this.signal;
    const steep = slopePixels * this.#slope;
    const sigma = Math.sqrt(skyNoise * skyNoise + perUnit[plane] * this.signal + changing * changing);
    const off = value - expected;
    if (sigma > 0 && Math.abs(off) > noiseLimit * sigma + steep) {
      this.verdict = off < 0 ? verdict.dimmer : verdict.brighter;
    }
  }

  /** Whether other frames show a place of the canvas so well that this one can do without its sample. */
  isCovered(x: number, y: number): boolean {
    const { canvasWidth: width, canvasHeight: height } = this.#plan;
    const column = Math.max(0, Math.min(width - 1, Math.round(x)));
    const row = Math.max(0, Math.min(height - 1, Math.round(y)));
    const frames = this.#drizzle.clean?.coverage[row * width + column] ?? 0;
    return frames > leastKept(frames);
  }

  /**
   * Find the value of the clean stack between its pixels and how steeply it changes there, in units a canvas pixel;
   * NaN outside.
   */
  #look(clean: Float32Array, x: number, y: number): void {
    const { canvasWidth: width, canvasHeight: height } = this.#plan;
    const i = Math.min(width - 2, Math.max(0, Math.floor(x)));
    const j = Math.min(height - 2, Math.max(0, Math.floor(y)));
    const p = j * width + i;
    const u = Math.min(1, Math.max(0, x - i));
    const v = Math.min(1, Math.max(0, y - j));
    const a = clean[p];
    const b = clean[p + 1];
    const c = clean[p + width];
    const d = clean[p + width + 1];
    this.#expected = (1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * c + u * d);
    // The range of the neighbourhood, not of the cell alone: a star's centre is flat and its flanks are not.
    let low = Infinity;
    let high = -Infinity;
    for (let k = Math.max(0, j - 1); k <= Math.min(height - 1, j + 2); k++) {
      for (let h = Math.max(0, i - 1); h <= Math.min(width - 1, i + 2); h++) {
        const value = clean[k * width + h];
        if (value < low) low = value;
        if (value > high) high = value;
      }
    }
    this.#slope = high >= low ? (high - low) / 3 : 0;
  }
}
