/** x · x; the operator for powers is not promised to round alike everywhere. */
export const square = (x: number): number => x * x;
