/** What can be wrong with a frame, and what a rule says when it finds it. */

/** Causes a frame's verdict can name. */
export type Cause =
  | "clear sky"
  | "cloud"
  | "dew or haze"
  | "defocus"
  | "focus drift"
  | "poor seeing"
  | "low altitude"
  | "drift trailing"
  | "field rotation"
  | "guiding jump"
  | "wind shake"
  | "atmospheric dispersion"
  | "tilt"
  | "curved field"
  | "lens cap or shutter closed"
  | "twilight"
  | "moonlight"
  | "satellite or aircraft"
  | "off target"
  | "something in the way"
  | "overexposed"
  | "corrupt file"
  | "duplicate"
  | "wrong calibration";

/** What is to be done with a frame. */
export type Verdict = "keep" | "down-weight" | "reject";

/** One cause found in one frame. */
export interface CauseFinding {
  /** What happened. */
  readonly cause: Cause;
  /** What this cause alone would do with the frame. */
  readonly verdict: Verdict;
  /** The numbers, in a sentence. */
  readonly evidence: string;
  /** How far the number that decided lies beyond its limit; 1 is on it. */
  readonly strength: number;
  /** A cause that the numbers would fit as well. */
  readonly or?: Cause;
  /** Whether the rest of the frame is not looked at: it would not be this sky, or not this field. */
  readonly conclusive?: boolean;
}
