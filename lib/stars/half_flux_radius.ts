/** The radius that holds half of a star's flux, from its samples. */
import type { Sampling } from "../core/sampling.ts";

/** Width of a ring, pixels. */
const ringWidth = 0.5;
/** Pixels within this distance of the centre are split. */
const splitRadius = 3;

/** Samples summed over rings, by the share of each pixel that lies in them. */
interface Rings {
  readonly sum: Float64Array;
  readonly count: Float64Array;
}

/** A pixel near the centre, split 5 × 5, because a ring there is smaller than a pixel. */
function addSplit({ sum, count }: Rings, v: number, dx: number, dy: number, step: number): void {
  const part = v * 0.04;
  for (let j = -2; j <= 2; j++) {
    const ey = dy + j * 0.2;
    const ey2 = ey * ey;
    for (let i = -2; i <= 2; i++) {
      const ex = dx + i * 0.2 * step;
      const ring = (Math.sqrt(ex * ex + ey2) / ringWidth) | 0;
      sum[ring] += part;
      count[ring] += 0.04;
    }
  }
}

/** A pixel further out, two rings wide: half in the one it lies in, the rest in those next to it by its place. */
function addSpread({ sum, count }: Rings, v: number, r2: number): void {
  const at = Math.sqrt(r2) / ringWidth;
  const ring = at | 0;
  const share = (at - ring) / 2;
  sum[ring - 1] += v * (0.5 - share);
  count[ring - 1] += 0.5 - share;
  sum[ring] += v * 0.5;
  count[ring] += 0.5;
  sum[ring + 1] += v * share;
  count[ring + 1] += share;
}

/** Radius within which half of the flux of rings lies; NaN if they hold none. */
function halfRadius({ sum, count }: Rings, rings: number): number {
  const flux = new Float64Array(rings + 1);
  for (let k = 0; k < rings; k++) {
    const level = count[k] > 0 ? sum[k] / count[k] : 0;
    flux[k + 1] = flux[k] + level * Math.PI * ringWidth * ringWidth * (2 * k + 1);
  }
  const half = flux[rings] / 2;
  if (!(half > 0)) return NaN;
  let k = 0;
  while (k < rings && flux[k + 1] < half) k++;
  // Within a ring of even level the flux grows with the area: interpolate in r².
  const part = (half - flux[k]) / (flux[k + 1] - flux[k]);
  const inner = (k * ringWidth) ** 2;
  const outer = ((k + 1) * ringWidth) ** 2;
  return Math.sqrt(inner + part * (outer - inner));
}

/**
 * Radius that holds half of the flux found within `maximum` pixels: mean level of rings half a pixel wide times their
 * area, summed outwards and interpolated. Each pixel is spread over its width; NaN where there is no flux.
 */
export function halfFluxRadius(
  sampling: Sampling,
  x0: number,
  y0: number,
  background: number,
  maximum: number,
): number {
  const { data, width, height, parity } = sampling;
  const rings = Math.max(4, Math.ceil(maximum / ringWidth));
  const sums = { sum: new Float64Array(rings + 3), count: new Float64Array(rings + 3) };
  const step = parity === -1 ? 1 : 2;
  const limit2 = (maximum + 0.5) * (maximum + 0.5);
  const left = Math.max(0, Math.floor(x0 - maximum));
  const right = Math.min(width - 1, Math.ceil(x0 + maximum));
  for (let y = Math.max(0, Math.floor(y0 - maximum)); y <= Math.min(height - 1, Math.ceil(y0 + maximum)); y++) {
    const dy = y - y0;
    for (let x = left + (parity !== -1 && ((left + y) & 1) !== parity ? 1 : 0); x <= right; x += step) {
      const v = data[y * width + x] - background;
      const dx = x - x0;
      const r2 = dx * dx + dy * dy;
      if (v !== v || r2 > limit2) continue;
      if (r2 < splitRadius * splitRadius) addSplit(sums, v, dx, dy, step);
      else addSpread(sums, v, r2);
    }
  }
  return halfRadius(sums, rings);
}
