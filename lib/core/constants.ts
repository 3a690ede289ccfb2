/** Constants of mathematics that several rooms need. */

/** 2 √(2 ln 2): full width at half maximum of a Gaussian over its standard deviation. */
export const fwhmPerSigma: number = 2.3548200450309493;
