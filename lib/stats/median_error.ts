/** Standard error of a median. */

/** Standard error of the median of normal samples over that of their mean: √(π/2), to the fourth decimal. */
export const medianErrorFactor: number = 1.2533;
