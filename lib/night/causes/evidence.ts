/** Numbers as the evidence of a cause writes them. */

/** A share as whole percent. */
export const percent = (share: number): string => `${Math.round(share * 100)} %`;

/** A length in pixels to a hundredth. */
export const pixels = (value: number): string => `${(Math.round(value * 100) / 100).toFixed(2)} px`;

/** A level or a ratio of levels to a tenth. */
export const tenth = (value: number): string => String(Math.round(value * 10) / 10);
