/** The reproducible number stream of the checks: Park & Miller (1988) and Box & Muller (1958). */

/** States of the minimal-standard generator, s ← 16807 s mod 2147483647, after the seed. */
export function parkMiller(seed: number): () => number {
  let s = seed;
  return () => s = (16807 * s) % 2147483647;
}

/** `n` normal deviates from consecutive pairs of that stream. */
export function gauss(n: number, seed: number): Float64Array {
  const next = parkMiller(seed);
  const result = new Float64Array(n + 1);
  for (let i = 0; i < n; i += 2) {
    const u = next() / 2147483647;
    const v = next() / 2147483647;
    const r = Math.sqrt(-2 * Math.log(u));
    result[i] = r * Math.cos(2 * Math.PI * v);
    result[i + 1] = r * Math.sin(2 * Math.PI * v);
  }
  return result.subarray(0, n);
}

/** 1000 normal deviates around 100 of standard deviation 5, with 200 added to every fiftieth. */
export const outlierSet = (): Float64Array => gauss(1000, 42).map((z, i) => 100 + 5 * z + (i % 50 === 0 ? 200 : 0));
