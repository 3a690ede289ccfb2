/** How much of the stars' flux lies in a halo: dew, haze, a scratched or greasy surface. */
import type { Sampling } from "../core/sampling.ts";
import type { Star } from "../core/star.ts";
import { median, weightedMedian } from "../stats/median.ts";

/** Stars measured, the brightest clean ones, and their least signal-to-noise ratio. */
const maximumStars = 20;
const minimumSnr = 40;
/** Radii of the star and of its halo, FWHM. */
const innerRadius = 2;
const outerRadius = 5;
/** The sky is taken between these shares of the outer radius. */
const skyInner = 1.05;
const skyOuter = 1.3;
/** Samples of the sky. */
const skySamples = 96;

/** Median of the sky next to a star: not the one that small tiles follow, which would take a halo for sky. */
function skyBeside({ data, width, parity }: Sampling, star: Star, outer: number): number {
  const ring: number[] = [];
  for (let k = 0; k < skySamples; k++) {
    const radius = outer * (skyInner + (skyOuter - skyInner) * (k % 3) / 2);
    const angle = 2 * Math.PI * k / skySamples;
    let x = Math.round(star.x + radius * Math.cos(angle));
    const y = Math.round(star.y + radius * Math.sin(angle));
    if (parity !== -1 && ((x + y) & 1) !== parity) x--;
    ring.push(data[y * width + x]);
  }
  return median(ring);
}

/** Flux of a star within the inner radius and between the two. */
function aperturesOf(
  sampling: Sampling,
  star: Star,
  inner: number,
  outer: number,
): { within: number; beyond: number } {
  const { data, width, parity } = sampling;
  const sky = skyBeside(sampling, star, outer);
  const step = parity === -1 ? 1 : 2;
  let within = 0;
  let beyond = 0;
  for (let y = Math.ceil(star.y - outer); y <= star.y + outer; y++) {
    let x = Math.ceil(star.x - outer);
    if (parity !== -1 && ((x + y) & 1) !== parity) x++;
    for (; x <= star.x + outer; x += step) {
      const r = Math.hypot(x - star.x, y - star.y);
      const v = data[y * width + x] - sky;
      if (v !== v) continue;
      if (r < inner) within += v;
      else if (r < outer) beyond += v;
    }
  }
  return { within, beyond };
}

/**
 * Share of the flux between 2 and 5 FWHM of all within 5 FWHM, median of the brightest clean stars; NaN without any.
 */
export function haloShare(sampling: Sampling, stars: readonly Star[], fwhmPixels: number): number {
  const { width, height } = sampling;
  const bright = stars.filter((star) => !star.saturated && star.snr > minimumSnr).slice(0, maximumStars);
  if (bright.length === 0 || !(fwhmPixels > 0)) return NaN;
  const inner = innerRadius * fwhmPixels;
  const outer = outerRadius * fwhmPixels;
  const margin = skyOuter * outer;
  const shares: number[] = [];
  const weights: number[] = [];
  for (const star of bright) {
    const { x, y } = star;
    if (x < margin || y < margin || x > width - 1 - margin || y > height - 1 - margin) continue;
    const { within, beyond } = aperturesOf(sampling, star, inner, outer);
    if (!(within > 0)) continue;
    shares.push(beyond / (within + beyond));
    weights.push(within);
  }
  // By their flux: a nebula's slope in the ring weighs little against a bright star.
  return shares.length === 0 ? NaN : weightedMedian(shares, weights);
}
