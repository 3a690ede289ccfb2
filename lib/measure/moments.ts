/** Gaussian-weighted moments of one star, the hot loop of shape measurement. */
import type { Sampling } from "./sampling.ts";

/** Weights are cut where the exponent ρ² reaches this; there they have fallen to 0.2 %. */
const CUT = 12.25;
const TABLE_STEP = 1 / 64;
const table: Float64Array = Float64Array.from(
  { length: Math.ceil(CUT / TABLE_STEP) + 2 },
  (_, i) => Math.exp(-0.5 * i * TABLE_STEP),
);

/** A star being measured: where it is, the ellipse of its weight, and the sums of the last pass. Reused to spare allocation. */
export interface Probe {
  /** Centre, column. */
  x: number;
  /** Centre, row. */
  y: number;
  /** Second moments of the Gaussian weight, pixels². */
  xx: number;
  /** Mixed moment of the weight. */
  xy: number;
  /** Second moment of the weight along y. */
  yy: number;
  /** Σ w I. */
  sum: number;
  /** Σ w² over the pixels that count. */
  weight2: number;
  /** Σ w² I, for the noise of the star's own light. */
  weight2Light: number;
  /** Σ w I dx / Σ w I. */
  dx: number;
  /** Σ w I dy / Σ w I. */
  dy: number;
  /** Weighted second moments about the centre. */
  mxx: number;
  /** Mixed weighted moment. */
  mxy: number;
  /** Weighted second moment along y. */
  myy: number;
  /** Highest sample above the background. */
  peak: number;
  /** Where it is: index into the plane. */
  peakAt: number;
  /** Share of the weight that lies on pixels of the plane that are known. */
  covered: number;
  /** Second moments of the star itself, freed of the weight: variance along x. Set by {@linkcode adapt}. */
  sxx: number;
  /** Covariance of the star. */
  sxy: number;
  /** Variance of the star along y. */
  syy: number;
}

/** A probe at a place, with a round weight. */
export const createProbe = (x: number, y: number, variance: number): Probe => ({
  x,
  y,
  xx: variance,
  xy: 0,
  yy: variance,
  sum: 0,
  weight2: 0,
  weight2Light: 0,
  dx: 0,
  dy: 0,
  mxx: 0,
  mxy: 0,
  myy: 0,
  peak: 0,
  peakAt: 0,
  covered: 0,
  sxx: variance,
  sxy: 0,
  syy: variance,
});

/**
 * Least variance s², per axis, of weight times star for which sums over pixels stand for integrals: a centroid is then off by at
 * most 8π (s²/p) exp(−2π² s²/p²) = 0.004 p, p being the pitch: 1 pixel, or √2 between the green pixels of a mosaic.
 */
export const leastVariance = (sampling: Sampling): number => sampling.parity === -1 ? 0.4 : 0.8;

/** Give the probe the weight that suits a star of moments (sxx, sxy, syy): its own, widened where the pixels are too coarse for it. */
export function weightFor(sampling: Sampling, probe: Probe): void {
  const { sxx, sxy, syy } = probe, least = leastVariance(sampling);
  const short = (sxx + syy) / 2 - Math.hypot((sxx - syy) / 2, sxy);
  let add = 0;
  if (short < 2 * least) {
    const wide = short > 1.2 * least ? Math.min(6 * least, 1 / (1 / least - 1 / short)) : 6 * least;
    add = Math.max(0, wide - short);
  }
  probe.xx = sxx + add;
  probe.xy = sxy;
  probe.yy = syy + add;
}

/** Light of a Gaussian star under the probe's weight, after a pass: Σ w I √(|M + W| / |W|), M the star's moments and W the weight's. */
export function gaussianLight(sampling: Sampling, probe: Probe): number {
  const { xx, xy, yy, sxx, sxy, syy } = probe;
  const both = (xx + sxx) * (yy + syy) - (xy + sxy) ** 2, own = xx * yy - xy * xy;
  return probe.sum * (sampling.parity === -1 ? 1 : 2) * Math.sqrt(both / own) / probe.covered;
}

/** One pass over the pixels under the weight; fills the sums of the probe. `background` is taken off each sample. */
export function weigh(sampling: Sampling, probe: Probe, background: number): void {
  const { data, width, height, parity } = sampling;
  const { x: x0, y: y0, xx, xy, yy } = probe;
  const det = xx * yy - xy * xy, ixx = yy / det, ixy = -xy / det, iyy = xx / det;
  const ry = Math.sqrt(CUT * yy);
  const top = Math.max(0, Math.ceil(y0 - ry)), bottom = Math.min(height - 1, Math.floor(y0 + ry));
  const step = parity === -1 ? 1 : 2;
  let sum = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, syy = 0, w2 = 0, w2i = 0, w1 = 0, peak = -Infinity, peakAt = -1;
  for (let y = top; y <= bottom; y++) {
    const dy = y - y0;
    // The ellipse's chord in this row: ixx dx² + 2 ixy dx dy + iyy dy² = CUT.
    const middle = -ixy * dy / ixx, half2 = (CUT - iyy * dy * dy) / ixx + middle * middle;
    if (!(half2 > 0)) continue;
    const half = Math.sqrt(half2);
    let left = Math.max(0, Math.ceil(x0 + middle - half));
    const right = Math.min(width - 1, Math.floor(x0 + middle + half));
    if (parity !== -1 && ((left + y) & 1) !== parity) left++;
    const row = y * width;
    for (let x = left; x <= right; x += step) {
      const dx = x - x0;
      const t = (ixx * dx * dx + 2 * ixy * dx * dy + iyy * dy * dy) * 64, k = t | 0;
      const a = table[k], w = a + (t - k) * (table[k + 1] - a);
      const v = data[row + x] - background;
      if (v !== v) continue;
      const wv = w * v, wx = wv * dx, wy = wv * dy;
      sum += wv;
      sx += wx;
      sy += wy;
      sxx += wx * dx;
      sxy += wx * dy;
      syy += wy * dy;
      w1 += w;
      w2 += w * w;
      w2i += w * wv;
      if (v > peak) {
        peak = v;
        peakAt = row + x;
      }
    }
  }
  probe.sum = sum;
  probe.weight2 = w2;
  probe.weight2Light = w2i;
  probe.dx = sx / sum;
  probe.dy = sy / sum;
  probe.mxx = sxx / sum;
  probe.mxy = sxy / sum;
  probe.myy = syy / sum;
  probe.peak = peak;
  probe.peakAt = peakAt;
  // The integral of the weight is 2π √det; on a mosaic every second pixel counts.
  probe.covered = w1 * step / (2 * Math.PI * Math.sqrt(det));
}

/**
 * Move the centre to the weighted centroid with the ellipse held: x ← x + 2 Σ w I dx / Σ w I, until the step is below
 * `tolerance` pixels. Near the limit that photons set, unbiased for symmetric stars. False when it wanders off further than
 * `reach` or the light is not positive.
 */
export function centre(
  sampling: Sampling,
  probe: Probe,
  background: number,
  reach: number,
  tolerance: number,
  rounds: number,
): boolean {
  const x0 = probe.x, y0 = probe.y;
  for (let i = 0; i < rounds; i++) {
    weigh(sampling, probe, background);
    if (!(probe.sum > 0)) return false;
    const limit = 0.7 * Math.sqrt(probe.xx + probe.yy);
    const mx = Math.max(-limit, Math.min(limit, 2 * probe.dx)), my = Math.max(-limit, Math.min(limit, 2 * probe.dy));
    probe.x += mx;
    probe.y += my;
    if (!((probe.x - x0) ** 2 + (probe.y - y0) ** 2 <= reach * reach)) return false;
    if (mx * mx + my * my < tolerance * tolerance) break;
  }
  return probe.sum > 0;
}

/**
 * Adapt centre and ellipse until the weight matches the star (adaptive moments; Bernstein & Jarvis 2002, AJ 123, 583): the
 * Gaussian whose weighted moments, freed of the weight, are its own. Start and result are the probe's `sxx`, `sxy`, `syy`. False when that does not settle: no star of a size
 * between `least` and `most` (variance along the short and the long axis, pixels²) is there.
 */
export function adapt(
  sampling: Sampling,
  probe: Probe,
  background: number,
  reach: number,
  least: number,
  most: number,
  rounds: number,
): boolean {
  const x0 = probe.x, y0 = probe.y;
  weightFor(sampling, probe);
  for (let i = 0; i < rounds; i++) {
    weigh(sampling, probe, background);
    if (!(probe.sum > 0)) return false;
    const { xx, xy, yy } = probe;
    const limit = 0.7 * Math.sqrt(xx + yy);
    const mx = Math.max(-limit, Math.min(limit, 2 * probe.dx)), my = Math.max(-limit, Math.min(limit, 2 * probe.dy));
    probe.x += mx;
    probe.y += my;
    if (!((probe.x - x0) ** 2 + (probe.y - y0) ** 2 <= reach * reach)) return false;
    // Moments about the weighted centroid, then M⁻¹ = M_weighted⁻¹ − W⁻¹.
    const oxx = probe.mxx - probe.dx * probe.dx, oxy = probe.mxy - probe.dx * probe.dy;
    const oyy = probe.myy - probe.dy * probe.dy;
    const od = oxx * oyy - oxy * oxy, wd = xx * yy - xy * xy;
    let nxx: number, nxy: number, nyy: number;
    const axx = oyy / od - yy / wd, axy = -oxy / od + xy / wd, ayy = oxx / od - xx / wd, ad = axx * ayy - axy * axy;
    if (od > 0 && axx > 0 && ad > 0) {
      nxx = ayy / ad;
      nxy = -axy / ad;
      nyy = axx / ad;
      // More than a factor of three in size at once overshoots on profiles with wings.
      const grow = Math.sqrt((nxx * nyy - nxy * nxy) / wd);
      if (grow > 3) {
        const back = 3 / grow;
        nxx *= back;
        nxy *= back;
        nyy *= back;
      }
    } else if (od > 0) {
      // Flatter than the weight: let it grow along with what was seen.
      nxx = 2 * oxx;
      nxy = 2 * oxy;
      nyy = 2 * oyy;
    } else return false;
    const half = (nxx + nyy) / 2, root = Math.hypot((nxx - nyy) / 2, nxy);
    if (!(half - root >= least && half + root <= most)) return false;
    const change = (Math.abs(nxx - probe.sxx) + Math.abs(nyy - probe.syy) + 2 * Math.abs(nxy - probe.sxy)) /
      (nxx + nyy);
    probe.sxx = nxx;
    probe.sxy = nxy;
    probe.syy = nyy;
    weightFor(sampling, probe);
    if (change < 2e-3 && mx * mx + my * my < 1e-5 * (nxx + nyy)) return true;
  }
  return true;
}
