/** The limits of a night's diagnosis that a person may set. */

/** Options of `diagnoseNight`. */
export interface DiagnoseNightOptions {
  /** Stars wider than the night's best half by this factor are rejected. */
  readonly rejectWidth: number;
  /** Long over short axis from which on a frame is rejected. */
  readonly rejectAxisRatio: number;
  /** Transparency below which a frame is rejected. */
  readonly rejectTransparency: number;
  /**
   * Growth of the sky's noise, brought to equal flux (divided by the transparency), from which on a frame is rejected:
   * its weight in a stack falls with the square.
   */
  readonly rejectNoise: number;
}

/**
 * What `diagnoseNight` uses for an option left out. A frame with stars 1.3 times as wide has 0.6 of the weight for
 * point sources (1/FWHM²) and blurs what the others resolve; an axis ratio of 1.35 is seen as a line by anyone; at a
 * transparency of 0.6 a frame has 0.36 of a clear one's weight, and cloud that thick is never even; noise of 1.6 times
 * the night's leaves 0.39 of the weight too, and a frame that loses flux and gains noise is judged by the weight that
 * both leave it. Between these and what the night scatters by itself a frame is kept with less weight.
 */
export const diagnoseNightDefaults: DiagnoseNightOptions = Object.freeze({
  rejectWidth: 1.3,
  rejectAxisRatio: 1.35,
  rejectTransparency: 0.6,
  rejectNoise: 1.6,
});
