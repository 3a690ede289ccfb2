/** What is known of two frames before their stars are matched. */

/** What is known of two frames; what is left out is not known. */
export interface ExpectedMatch {
  /** Whether both may come from one sensor, so that hot pixels stand at the same place in both. */
  readonly sameSensor?: boolean;
  /** Smallest reference pixels a source pixel: how far two rigs may differ in scale; > 0. */
  readonly minimumScale?: number;
  /** Largest reference pixels a source pixel. */
  readonly maximumScale?: number;
  /** Whether a frame may be turned over (a mirror in the light path). */
  readonly mirror?: boolean;
}

/** Nothing known: a factor of eight spans a wide-field lens and a long telescope. */
const nothingKnown: Required<ExpectedMatch> = Object.freeze({
  sameSensor: true,
  minimumScale: 1 / 8,
  maximumScale: 8,
  mirror: true,
});

/**
 * One rig, whose focal length changes by less than 3 % with temperature and focus. Its frames may still be mirrored:
 * programs store the rows from the top or from the bottom.
 */
const sameRig: Required<ExpectedMatch> = Object.freeze({ ...nothingKnown, minimumScale: 0.97, maximumScale: 1.03 });

/**
 * All that an option `expected` stands for.
 *
 * @param step name of the step, for the message
 * @throws {RangeError} if the limits of scale are out of range or the word is none
 */
export function expectedMatch(step: string, expected: ExpectedMatch | "same-sensor" | null): Required<ExpectedMatch> {
  if (expected === "same-sensor") return sameRig;
  if (typeof expected === "string") {
    throw new RangeError(
      `${step}: expected must be "same-sensor", limits or null, but got ${JSON.stringify(expected)}`,
    );
  }
  const found = { ...nothingKnown, ...expected };
  const { minimumScale, maximumScale } = found;
  if (!(minimumScale > 0 && maximumScale >= minimumScale)) {
    throw new RangeError(
      `${step}: minimumScale must be > 0 and not above maximumScale, but got ${minimumScale} and ${maximumScale}`,
    );
  }
  return found;
}
