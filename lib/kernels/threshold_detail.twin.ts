/** The kernel of `src/threshold_detail.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
import { visitSmooth } from "./starlet.twin.ts";

const f = Math.fround;

/** Rows from … to of the kept details added to `out`; see thresholdDetail. */
export function thresholdDetailTwin(
  judged: Float32Array,
  even: Float32Array,
  detail: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  step: number,
  from: number,
  to: number,
  norm: number,
  most: number,
  low: number,
  scale: number,
  grain: number,
  first: boolean,
): void {
  const none = Math.fround(1 - Math.fround(grain));
  const [n, m, l, s, g] = [norm, most, low, scale, grain].map(f);
  const power = (i: number) => {
    const p = f(f(f(judged[i] * judged[i]) * n) * even[i]);
    return p < m ? p : m;
  };
  visitSmooth(power, w, h, step, from, to, (i, v) => {
    let u = f(f(v - l) * s);
    u = u < 1 ? u : 1;
    u = u > 0 ? u : 0;
    const share = f(g + f(none * f(f(u * u) * f(3 - f(2 * u)))));
    const kept = f(detail[i] * share);
    out[i] = first ? kept : f(out[i] + kept);
  });
}
