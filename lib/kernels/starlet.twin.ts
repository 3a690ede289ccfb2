/** The kernel of `src/starlet.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
import { mirror } from "./mirror.ts";

const f = Math.fround;

/** Rows from … to of samples smoothed by the B3 spline with holes, each handed out with its place. */
export function visitSmooth(
  sample: (i: number) => number,
  w: number,
  h: number,
  step: number,
  from: number,
  to: number,
  visit: (i: number, smooth: number) => void,
): void {
  const pad = 2 * step;
  const line = new Float32Array(w + 2 * pad);
  for (let y = from; y < to; y++) {
    const a = mirror(y - 2 * step, h) * w;
    const b = mirror(y - step, h) * w;
    const c = y * w;
    const d = mirror(y + step, h) * w;
    const e = mirror(y + 2 * step, h) * w;
    for (let x = 0; x < w; x++) {
      line[pad + x] = f(f(sample(a + x) + sample(e + x)) * 0.0625) +
        f(f(f(sample(b + x) + sample(d + x)) * 0.25) + f(sample(c + x) * 0.375));
    }
    for (let i = 1; i <= pad; i++) {
      line[pad - i] = line[pad + mirror(-i, w)];
      line[pad + w - 1 + i] = line[pad + mirror(w - 1 + i, w)];
    }
    for (let x = 0, l = pad; x < w; x++, l++) {
      const v = f(
        f(f(line[l - 2 * step] + line[l + 2 * step]) * 0.0625) +
          f(f(f(line[l - step] + line[l + step]) * 0.25) + f(line[l] * 0.375)),
      );
      visit(c + x, v);
    }
  }
}

/** Rows from … to of one starlet scale; see starletScale. */
export function starletTwin(
  source: Float32Array,
  smooth: Float32Array,
  detail: Float32Array,
  w: number,
  h: number,
  step: number,
  from: number,
  to: number,
): void {
  visitSmooth((i) => source[i], w, h, step, from, to, (i, v) => {
    smooth[i] = v;
    detail[i] = source[i] - v;
  });
}
