/** Functions whose results must not depend on the machine. */
/** e^x. */
export const expPortable = (x: number): number => Math.exp(x);
/** ln x. */
export const logPortable = (x: number): number => Math.log(x);
/** x^y for x > 0. */
export const powPortable = (x: number, y: number): number => Math.pow(x, y);
/** Sine. */
export const sinPortable = (x: number): number => Math.sin(x);
/** Cosine. */
export const cosPortable = (x: number): number => Math.cos(x);
/** Angle. */
export const atan2Portable = (y: number, x: number): number => Math.atan2(y, x);
