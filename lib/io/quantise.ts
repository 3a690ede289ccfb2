/** Floats that were stored as integers, with and without subtractive dither (FITS 4.0 section 10.2 and appendix I). */

/** Random numbers of the standard's sequence. */
const COUNT = 10000;
let sequence: Float32Array | null = null;

/**
 * The 10 000 numbers of appendix I: the generator of Park & Miller 1988 from seed 1, in [0, 1), as float32 like every
 * writer stores them.
 */
export function ditherSequence(): Float32Array {
  if (sequence === null) {
    sequence = new Float32Array(COUNT);
    let state = 1;
    for (let i = 0; i < COUNT; i++) {
      state = (16807 * state) % 2147483647;
      sequence[i] = state / 2147483647;
    }
  }
  return sequence;
}

/** How the integers of a tile become floats again. */
export interface Unquantise {
  /** ZSCALE. */
  readonly scale: number;
  /** ZZERO. */
  readonly zero: number;
  /** ZBLANK, null when no pixel is missing. */
  readonly blank: number | null;
  /** Kind of dither. */
  readonly method: "none" | "plain" | "dither1" | "dither2";
  /** Number of the tile, first 0, plus ZDITHER0 − 1. */
  readonly start: number;
}

/** Stored integer that means exactly 0 with the second kind of dither. */
const EXACT_ZERO = -2147483646;

/** As many floats as `out` holds, from stored integers. */
export function unquantise(
  stored: Int32Array,
  { scale, zero, blank, method, start }: Unquantise,
  out: Float32Array,
): void {
  const count = out.length;
  if (method === "none" || method === "plain") {
    for (let i = 0; i < count; i++) out[i] = stored[i] === blank ? NaN : stored[i] * scale + zero;
    return;
  }
  const random = ditherSequence();
  const keepsZero = method === "dither2";
  let seed = ((start % COUNT) + COUNT) % COUNT;
  let next = Math.floor(random[seed] * 500);
  for (let i = 0; i < count; i++) {
    const each = stored[i];
    if (each === blank) out[i] = NaN;
    else if (keepsZero && each === EXACT_ZERO) out[i] = 0;
    else out[i] = (each - random[next] + 0.5) * scale + zero;
    next++;
    if (next === COUNT) {
      seed = (seed + 1) % COUNT;
      next = Math.floor(random[seed] * 500);
    }
  }
}
