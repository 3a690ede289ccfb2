/** How a folder is watched. */

/** Options of `watchNight`. */
export interface WatchNightOptions {
  /** Looks in which a file that cannot be read may stay unchanged before it is told: it may still be on its way. */
  readonly patience: number;
  /**
   * Looks after which a file that could not be read is asked again: a share may have been away, or rights been mended.
   */
  readonly askAgain: number;
  /** Files measured in one look at most, so that the caller gets a turn. */
  readonly filesALook: number;
  /**
   * Earlier lights measured anew when other calibration frames come to fit them, so that the next ones have something
   * to be compared with.
   */
  readonly measuredAgain: number;
  /** Earlier frames of its kind that a frame is compared with at most. */
  readonly companions: number;
  /** Growth of the stars over six frames that is told as a drift of the focus before a frame is lost. */
  readonly focusGrowth: number;
}

/**
 * What `watchNight` uses for an option left out. At a look every few seconds a file may take a quarter of a
 * minute to arrive and is asked again once a minute; sixty frames tell the night's level to a tenth of its scatter, a
 * dozen to a quarter; stars 12 % wider cost a fifth of a frame's depth for points.
 */
export const watchNightDefaults: WatchNightOptions = Object.freeze({
  patience: 4,
  askAgain: 20,
  filesALook: 4,
  measuredAgain: 12,
  companions: 60,
  focusGrowth: 0.12,
});
