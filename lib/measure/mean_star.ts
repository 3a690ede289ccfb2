/** What the stars of a frame have in common beyond an ellipse: a hole in the middle, a second image, a halo. */
import type { Star } from "../core/star.ts";
import type { FrameProfile } from "./frame_profile.ts";
import type { Sampling } from "./sampling.ts";

/** A second image of every star, at one shift. */
export interface Doubling {
  /** Shift along x, pixels; the shift and its opposite are the same finding. */
  readonly dx: number;
  /** Shift along y. */
  readonly dy: number;
  /** Light of the fainter image over that of the brighter. */
  readonly ratio: number;
  /** Share of the stars that show it. */
  readonly share: number;
}

/** Level in the middle of the mean star over the highest level of its profile: 1 for a star, near 0 for a ring. */
export function centralLevel(profile: FrameProfile): number {
  const { value } = profile;
  if (value.length === 0) return 1;
  // The two innermost bins hold few pixels; together they are the core.
  const known = [value[0], value[1]].filter((v) => v === v);
  const centre = known.length === 0 ? 1 : known.reduce((a, b) => a + b) / known.length;
  let most = 0;
  for (let i = 0; i < value.length && i < 16; i++) if (value[i] > most) most = value[i];
  return most > 0 ? Math.min(1, centre / most) : 1;
}

/**
 * A shift at which an unlikely number of the brighter stars have a companion: pairs closer than `reach` pixels vote for their
 * shift; chance is what the density of stars lets expect.
 */
export function findDoubling(
  stars: readonly Star[],
  width: number,
  height: number,
  fwhmPixels: number,
): Doubling | null {
  const bright = stars.slice(0, 120);
  if (bright.length < 8 || !(fwhmPixels > 0)) return null;
  const reach = Math.min(80, Math.min(width, height) / 8);
  const pairs: { dx: number; dy: number; ratio: number }[] = [];
  for (let i = 0; i < bright.length; i++) {
    for (let j = i + 1; j < bright.length; j++) {
      let dx = bright[j].x - bright[i].x, dy = bright[j].y - bright[i].y;
      if (dx * dx + dy * dy > reach * reach || dx * dx + dy * dy < fwhmPixels * fwhmPixels) continue;
      if (dx < 0 || (dx === 0 && dy < 0)) {
        dx = -dx;
        dy = -dy;
      }
      pairs.push({ dx, dy, ratio: bright[j].flux / bright[i].flux });
    }
  }
  const near = Math.max(1, 0.35 * fwhmPixels);
  let best: typeof pairs = [];
  for (const one of pairs) {
    const same = pairs.filter((each) => (each.dx - one.dx) ** 2 + (each.dy - one.dy) ** 2 < near * near);
    if (same.length > best.length) best = same;
  }
  const expected = pairs.length * near * near * 2 / (reach * reach);
  const share = 2 * best.length / bright.length;
  if (best.length < 5 || share < 0.35 || best.length < expected + 6 * Math.sqrt(expected + 1)) return null;
  const ratios = best.map((each) => each.ratio).sort((a, b) => a - b), ratio = ratios[ratios.length >> 1];
  // One shift and one ratio: chance pairs of stars differ in brightness from pair to pair.
  const mean = (of: (pair: { dx: number; dy: number }) => number) =>
    best.reduce((sum, each) => sum + of(each), 0) / best.length;
  return { dx: mean((each) => each.dx), dy: mean((each) => each.dy), ratio, share: Math.min(1, share) };
}

/** Share of the light between 2 and 5 FWHM of all within 5 FWHM, mean of the brightest clean stars; NaN without any. */
export function haloShare(sampling: Sampling, stars: readonly Star[], fwhmPixels: number): number {
  const { data, width, height, parity } = sampling;
  const chosen = stars.filter((star) => !star.saturated && star.snr > 80).slice(0, 20);
  if (chosen.length === 0 || !(fwhmPixels > 0)) return NaN;
  const inner = 2 * fwhmPixels, outer = 5 * fwhmPixels, step = parity === -1 ? 1 : 2, shares: number[] = [];
  for (const star of chosen) {
    if (star.x < outer || star.y < outer || star.x > width - 1 - outer || star.y > height - 1 - outer) continue;
    let within = 0, beyond = 0;
    for (let y = Math.ceil(star.y - outer); y <= star.y + outer; y++) {
      let x = Math.ceil(star.x - outer);
      if (parity !== -1 && ((x + y) & 1) !== parity) x++;
      for (; x <= star.x + outer; x += step) {
        const r = Math.hypot(x - star.x, y - star.y), v = data[y * width + x] - star.background;
        if (v !== v) continue;
        if (r < inner) within += v;
        else if (r < outer) beyond += v;
      }
    }
    if (within > 0) shares.push(beyond / (within + beyond));
  }
  shares.sort((a, b) => a - b);
  return shares.length === 0 ? NaN : shares[shares.length >> 1];
}
