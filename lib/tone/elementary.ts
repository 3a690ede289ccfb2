/** Elementary functions of this room. */
export const asinhPortable = Math.asinh, expPortable = Math.exp, logPortable = Math.log, powPortable = Math.pow;
export const sinhPortable = Math.sinh;
