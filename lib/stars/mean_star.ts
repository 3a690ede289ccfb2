/** What the stars of a frame have in common beyond an ellipse: a hole in the middle, a second image, a halo. */
import type { Star } from "../core/star.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median, weightedMedian } from "../stats/median.ts";
import type { FrameProfile } from "./frame_profile.ts";
import type { Sampling } from "../core/sampling.ts";

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
 * A shift at which an unlikely number of the brighter stars have a companion: pairs closer than `reach` pixels vote
 * for their shift; chance is what the density of stars lets expect.
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
  const pairs: { dx: number; dy: number; ratio: number; x: number; y: number }[] = [];
  for (let i = 0; i < bright.length; i++) {
    for (let j = i + 1; j < bright.length; j++) {
      let dx = bright[j].x - bright[i].x;
      let dy = bright[j].y - bright[i].y;
      if (dx * dx + dy * dy > reach * reach || dx * dx + dy * dy < fwhmPixels * fwhmPixels) continue;
      if (dx < 0 || (dx === 0 && dy < 0)) {
        dx = -dx;
        dy = -dy;
      }
      pairs.push({ dx, dy, ratio: bright[j].flux / bright[i].flux, x: bright[i].x, y: bright[i].y });
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
  const ratios = best.map((each) => each.ratio).sort((a, b) => a - b);
  const ratio = ratios[ratios.length >> 1];
  // One shift and one ratio: chance pairs of stars differ in brightness from pair to pair.
  // The flashes of an aircraft are at even distances too, but all on one line.
  const xs = best.map((each) => each.x);
  const ys = best.map((each) => each.y);
  const mx = xs.reduce((a, b) => a + b) / xs.length;
  const my = ys.reduce((a, b) => a + b) / ys.length;
  let xx = 0;
  let xy = 0;
  let yy = 0;
  for (let i = 0; i < xs.length; i++) {
    xx += (xs[i] - mx) ** 2;
    xy += (xs[i] - mx) * (ys[i] - my);
    yy += (ys[i] - my) ** 2;
  }
  const root = Math.hypot((xx - yy) / 2, xy);
  const half = (xx + yy) / 2;
  if (half - root < 0.01 * (half + root)) return null;
  const mean = (of: (pair: { dx: number; dy: number }) => number) =>
    best.reduce((sum, each) => sum + of(each), 0) / best.length;
  return { dx: mean((each) => each.dx), dy: mean((each) => each.dy), ratio, share: Math.min(1, share) };
}

/** Mean of the brightest clean stars, each scaled to its height, on a square of 2 · half + 1 pixels; bilinear. */
function meanStar(sampling: Sampling, stars: readonly Star[], half: number): Float64Array {
  const { data, width, height, parity } = sampling;
  const n = 2 * half + 1;
  const sum = new Float64Array(n * n);
  const weight = new Float64Array(n * n);
  const step = parity === -1 ? 1 : 2;
  for (const star of stars) {
    const x0 = Math.round(star.x);
    const y0 = Math.round(star.y);
    for (let y = Math.max(0, y0 - half - 1); y <= Math.min(height - 1, y0 + half + 1); y++) {
      let x = Math.max(0, x0 - half - 1);
      if (parity !== -1 && ((x + y) & 1) !== parity) x++;
      for (; x <= Math.min(width - 1, x0 + half + 1); x += step) {
        const v = data[y * width + x];
        if (v !== v) continue;
        // Neighbours are bright, rare and somewhere else each time: none may count more than a star itself.
        const scaled = Math.min(1.2, (v - star.background) / star.peak);
        const px = x - star.x + half;
        const py = y - star.y + half;
        const ix = Math.floor(px);
        const iy = Math.floor(py);
        for (let k = 0; k < 4; k++) {
          const cx = ix + (k & 1);
          const cy = iy + (k >> 1);
          if (cx < 0 || cy < 0 || cx >= n || cy >= n) continue;
          const w = (1 - Math.abs(px - cx)) * (1 - Math.abs(py - cy));
          sum[cy * n + cx] += w * scaled;
          weight[cy * n + cx] += w;
        }
      }
    }
  }
  return sum.map((each, i) => weight[i] > 0 ? each / weight[i] : 0);
}

/**
 * A second image close to the first, where detection cannot part them star by star: a peak of the mean star off its
 * middle, beyond a saddle, that stands over the other directions at its distance.
 */
export function findCloseDoubling(sampling: Sampling, stars: readonly Star[], fwhmPixels: number): Doubling | null {
  const chosen = stars.filter((star) => !star.saturated && star.snr > 25).slice(0, 40);
  if (chosen.length < 6 || !(fwhmPixels > 0)) return null;
  const half = Math.min(30, Math.ceil(4 * fwhmPixels));
  const n = 2 * half + 1;
  const mean = meanStar(sampling, chosen, half);
  // Two close images pull the centroid off the brighter: its peak is the origin.
  let px = half;
  let py = half;
  const hunt = Math.ceil(fwhmPixels);
  for (let y = half - hunt; y <= half + hunt; y++) {
    for (let x = half - hunt; x <= half + hunt; x++) {
      if (mean[y * n + x] > mean[py * n + px]) {
        px = x;
        py = y;
      }
    }
  }
  const top = mean[py * n + px];
  const { data, width, height } = sampling;
  /** Share of the stars that show light at a shift, more than at the other directions of that distance. */
  const shareAt = (dx: number, dy: number, least: number): number => {
    let seen = 0;
    let asked = 0;
    for (const star of chosen) {
      // A pixel's place is good enough for light as wide as a star; on a mosaic the next green one.
      const sample = (ox: number, oy: number): number => {
        let x = Math.round(star.x + ox);
        const y = Math.round(star.y + oy);
        if (sampling.parity !== -1 && ((x + y) & 1) !== sampling.parity) x++;
        return x < 0 || y < 0 || x >= width || y >= height ? NaN : (data[y * width + x] - star.background) / star.peak;
      };
      const here = sample(dx, dy);
      const sides = [sample(-dy, dx), sample(dy, -dx)].filter((each) => each === each);
      if (here !== here || sides.length === 0) continue;
      asked++;
      if (here - Math.min(...sides) > least) seen++;
    }
    return asked === 0 ? 0 : seen / asked;
  };
  let best: Doubling | null = null;
  for (let y = 1; y < n - 1; y++) {
    for (let x = 1; x < n - 1; x++) {
      const v = mean[y * n + x];
      const dx = x - px;
      const dy = y - py;
      const r = Math.hypot(dx, dy);
      // The width is that of both images together: the saddle decides, not the distance.
      if (r < 0.8 * fwhmPixels || v < 0.1 * top || (best !== null && v <= best.ratio * top)) continue;
      if (Math.min(px, py, n - 1 - px, n - 1 - py) - 1 < r) continue;
      let highest = true;
      for (let k = 0; k < 9; k++) if (mean[(y + Math.floor(k / 3) - 1) * n + x + k % 3 - 1] > v) highest = false;
      if (!highest) continue;
      let saddle = v;
      for (let t = 0; t < 20; t++) {
        const at = mean[Math.round(py + dy * t / 20) * n + Math.round(px + dx * t / 20)];
        if (at < saddle) saddle = at;
      }
      const ring: number[] = [];
      const direction = Math.atan2(dy, dx);
      for (let a = 0; a < 32; a++) {
        const angle = direction + Math.PI * a / 16;
        // Leave the peak and, for stars of which either image was taken, its opposite out.
        if (Math.abs(Math.sin(angle - direction)) < 0.5) continue;
        ring.push(mean[Math.round(py + r * Math.sin(angle)) * n + Math.round(px + r * Math.cos(angle))]);
      }
      const around = median(ring);
      const scatter = Math.max(madSigma(ring), 0.005 * top);
      if (saddle < 0.9 * v && v - around > Math.max(0.1 * top, 6 * scatter)) {
        const share = shareAt(x - half, y - half, 0.4 * (v - around) / top);
        if (share > 0.6) best = { dx, dy, ratio: (v - around) / top, share };
      }
    }
  }
  return best;
}

/** Share of the light between 2 and 5 FWHM of all within 5 FWHM, mean of the brightest clean stars; NaN without any. */
export function haloShare(sampling: Sampling, stars: readonly Star[], fwhmPixels: number): number {
  const { data, width, height, parity } = sampling;
  const chosen = stars.filter((star) => !star.saturated && star.snr > 40).slice(0, 20);
  if (chosen.length === 0 || !(fwhmPixels > 0)) return NaN;
  const inner = 2 * fwhmPixels;
  const outer = 5 * fwhmPixels;
  const step = parity === -1 ? 1 : 2;
  const shares: number[] = [];
  const weights: number[] = [];
  for (const star of chosen) {
    const far = 1.3 * outer;
    if (star.x < far || star.y < far || star.x > width - 1 - far || star.y > height - 1 - far) continue;
    // The sky next to it, not the one that small tiles follow: they would take a halo for sky.
    const ring: number[] = [];
    for (let a = 0; a < 96; a++) {
      const radius = outer * (1.05 + 0.25 * (a % 3) / 2);
      const angle = 2 * Math.PI * a / 96;
      let x = Math.round(star.x + radius * Math.cos(angle));
      const y = Math.round(star.y + radius * Math.sin(angle));
      if (parity !== -1 && ((x + y) & 1) !== parity) x--;
      ring.push(data[y * width + x]);
    }
    const sky = median(ring);
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
    if (!(within > 0)) continue;
    shares.push(beyond / (within + beyond));
    weights.push(within);
  }
  // By their light: a nebula's slope in the ring weighs little against a bright star.
  return shares.length === 0 ? NaN : weightedMedian(shares, weights);
}
