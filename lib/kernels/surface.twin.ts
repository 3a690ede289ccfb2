/** The kernel of `src/surface.as.ts` in plain TypeScript; see machine.ts for what a twin is. */

const f = Math.fround;

/** Number of an operation in the kernels. */
export const operationCode: Readonly<Record<"none" | "add" | "subtract" | "multiply" | "divide", number>> = Object
  .freeze({
    none: 0,
    add: 1,
    subtract: 2,
    multiply: 3,
    divide: 4,
  });

function applied(a: number, s: number, operation: number): number {
  return operation === 0 ? s : operation === 1 ? a + s : operation === 2 ? a - s : operation === 3 ? a * s : a / s;
}

/** One row of a polynomial of degree 4. */
export function polynomialRowTwin(
  source: Float32Array | null,
  out: Float32Array,
  at: number,
  w: number,
  u0: number,
  du: number,
  c: readonly number[],
  operation: number,
): void {
  const [c0, c1, c2, c3, c4] = c;
  for (let x = 0; x < w; x++) {
    const u = f(u0 + f(x * du));
    const s = f(c0 + f(u * f(c1 + f(u * f(c2 + f(u * f(c3 + f(u * c4))))))));
    out[at + x] = applied(source === null ? 0 : source[at + x], s, operation);
  }
}

/** One row of cubic pieces: 5 floats a piece, then where each ends. */
export function piecesRowTwin(
  source: Float32Array | null,
  out: Float32Array,
  at: number,
  pieces: Float32Array,
  ends: Int32Array,
  dt: number,
  operation: number,
): void {
  let x = 0;
  for (let k = 0; k < ends.length; k++) {
    const [c0, c1, c2, c3, t0] = pieces.subarray(5 * k, 5 * k + 5);
    for (let i = 0; x < ends[k]; x++, i++) {
      const t = f(t0 + f(i * dt));
      const s = f(c0 + f(t * f(c1 + f(t * f(c2 + f(t * c3))))));
      out[at + x] = applied(source === null ? 0 : source[at + x], s, operation);
    }
  }
}
