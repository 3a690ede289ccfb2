/**
 * Small star fields with known truth, for tests of measurement: rendered by plain sub-pixel sums, noise from a seed.
 */
import type { BayerPattern } from "../../lib/core/geometry.ts";
import { plainGeometry } from "../../lib/core/geometry.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";

/** A star of a test scene. */
export interface TestStar {
  readonly x: number;
  readonly y: number;
  /** All of its light. */
  readonly flux: number;
}

/** Profile of the stars. */
export interface TestProfile {
  /** Full width at half maximum across the short axis, before the pixel. */
  readonly fwhm: number;
  /** Moffat exponent; Infinity for a Gaussian. */
  readonly beta: number;
  /** Long axis over short axis. */
  readonly axisRatio: number;
  /** Direction of the long axis from +x towards +y. */
  readonly degrees: number;
  /** Places the star stood at, with shares; a drift is many of them. */
  readonly path: readonly { readonly dx: number; readonly dy: number; readonly share: number }[];
  /** Inner over outer radius of a defocused ring, and the outer radius; null for a focused star. */
  readonly ring: { readonly outer: number; readonly inner: number } | null;
}

/** A round Moffat star. */
export const testProfile: TestProfile = {
  fwhm: 3,
  beta: 3,
  axisRatio: 1,
  degrees: 0,
  path: [{ dx: 0, dy: 0, share: 1 }],
  ring: null,
};

/** A straight path of the given length. */
export const drift = (length: number, degrees: number, steps = 24): TestProfile["path"] =>
  Array.from({ length: steps }, (_, i) => {
    const at = length * ((i + 0.5) / steps - 0.5);
    const angle = degrees * Math.PI / 180;
    return { dx: at * Math.cos(angle), dy: at * Math.sin(angle), share: 1 / steps };
  });

/** Draw stars into an array of width × height. */
export function drawStars(
  data: Float64Array | Float32Array,
  width: number,
  height: number,
  stars: readonly TestStar[],
  profile: TestProfile,
  radiusFwhm = 8,
): void {
  const { fwhm, beta, axisRatio, degrees, path, ring } = profile;
  const c = Math.cos(degrees * Math.PI / 180);
  const s = Math.sin(degrees * Math.PI / 180);
  const alpha = beta === Infinity ? fwhm / 2.3548200450309493 : fwhm / (2 * Math.sqrt(2 ** (1 / beta) - 1));
  const norm = (beta === Infinity ? 1 / (2 * Math.PI * alpha * alpha) : (beta - 1) / (Math.PI * alpha * alpha)) /
    axisRatio;
  const extent = path.reduce((most, p) => Math.max(most, Math.hypot(p.dx, p.dy)), 0);
  const radius = Math.ceil(radiusFwhm * fwhm * axisRatio + extent + (ring === null ? 0 : ring.outer));
  const value = (dx: number, dy: number): number => {
    const u = (dx * c + dy * s) / axisRatio;
    const v = -dx * s + dy * c;
    const r2 = (u * u + v * v) / (alpha * alpha);
    return norm * (beta === Infinity ? Math.exp(-r2 / 2) : (1 + r2) ** -beta);
  };
  const places: { dx: number; dy: number; share: number }[] = [];
  for (const p of path) {
    if (ring === null) places.push(p);
    else {
      const rings = 6;
      const spokes = 24;
      const area = ring.outer ** 2 - ring.inner ** 2;
      for (let k = 0; k < rings; k++) {
        const r = Math.sqrt(ring.inner ** 2 + area * (k + 0.5) / rings);
        for (let a = 0; a < spokes; a++) {
          const angle = 2 * Math.PI * (a + 0.5 * (k & 1)) / spokes;
          places.push({
            dx: p.dx + r * Math.cos(angle),
            dy: p.dy + r * Math.sin(angle),
            share: p.share / rings / spokes,
          });
        }
      }
    }
  }
  for (const star of stars) {
    const left = Math.max(0, Math.floor(star.x - radius));
    const right = Math.min(width - 1, Math.ceil(star.x + radius));
    for (let y = Math.max(0, Math.floor(star.y - radius)); y <= Math.min(height - 1, Math.ceil(star.y + radius)); y++) {
      for (let x = left; x <= right; x++) {
        let sum = 0;
        for (const p of places) {
          const dx = x - star.x - p.dx;
          const dy = y - star.y - p.dy;
          // Near the centre a pixel is integrated 5 × 5, further out the middle will do.
          if (dx * dx + dy * dy < (1.5 * fwhm * axisRatio) ** 2) {
            let cell = 0;
            for (let j = -2; j <= 2; j++) for (let i = -2; i <= 2; i++) cell += value(dx + i * 0.2, dy + j * 0.2);
            sum += p.share * cell / 25;
          } else sum += p.share * value(dx, dy);
        }
        data[y * width + x] += star.flux * sum;
      }
    }
  }
}

/** What a test frame consists of. */
export interface TestScene {
  readonly width: number;
  readonly height: number;
  readonly seed: number;
  readonly stars: readonly TestStar[];
  readonly profile: TestProfile;
  /** Level of the sky, or a function of the place. */
  readonly sky: number | ((x: number, y: number) => number);
  /** Standard deviation of a pixel of sky. */
  readonly noise: number;
  /** Electrons per unit for the photon noise of stars; 0 for none. */
  readonly gain: number;
  /** Pixels with an amount added. */
  readonly hot: readonly { readonly x: number; readonly y: number; readonly add: number }[];
  /** Mosaic; every colour gets the same light. */
  readonly bayer: BayerPattern | null;
}

/** A blank frame of a test. */
export const testScene: TestScene = {
  width: 512,
  height: 384,
  seed: 1,
  stars: [],
  profile: testProfile,
  sky: 500,
  noise: 10,
  gain: 0,
  hot: [],
  bayer: null,
};

/**
 * Stars on a jittered lattice, so that each is on its own, with the same flux or fluxes from `low` to `high` evenly in
 * the logarithm.
 */
export function lattice(
  width: number,
  height: number,
  pitch: number,
  low: number,
  high: number,
  seed: number,
): TestStar[] {
  const random = randomStream(`lattice ${seed}`);
  const stars: TestStar[] = [];
  for (let y = pitch / 2 + 4; y < height - pitch / 2 - 4; y += pitch) {
    for (let x = pitch / 2 + 4; x < width - pitch / 2 - 4; x += pitch) {
      stars.push({
        x: x + (random.uniform() - 0.5) * pitch * 0.3,
        y: y + (random.uniform() - 0.5) * pitch * 0.3,
        flux: low * (high / low) ** random.uniform(),
      });
    }
  }
  return stars;
}

/** The frame of a scene, as an image in ADU. */
export function renderScene(parts: Partial<TestScene>): Image {
  const scene = { ...testScene, ...parts };
  const { width, height, stars, profile, sky, noise, gain, hot, bayer } = scene;
  const light = new Float64Array(width * height);
  drawStars(light, width, height, stars, profile);
  const random = randomStream(`scene ${scene.seed}`);
  const data = new Float32Array(width * height);
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      const level = typeof sky === "number" ? sky : sky(x, y);
      const sigma = gain > 0 ? Math.sqrt(noise * noise + light[i] / gain) : noise;
      data[i] = level + light[i] + sigma * random.gaussian();
    }
  }
  for (const each of hot) data[each.y * width + each.x] += each.add;
  return createImage({
    width,
    height,
    unit: "adu",
    planes: [{ channel: bayer === null ? "L" : "mosaic", data }],
    geometry: { ...plainGeometry, bayer },
  });
}

/** Noise-equivalent area of a profile drawn in the middle of a pixel grid, pixels: 1 / Σ p². */
export function noiseArea(profile: TestProfile): number {
  const n = 101;
  const data = new Float64Array(n * n);
  drawStars(data, n, n, [{ x: 50.25, y: 50.25, flux: 1 }], profile);
  return 1 / data.reduce((sum, p) => sum + p * p, 0);
}

/**
 * Each truth star with the nearest listed one within `reach` pixels, or none; and the listed ones that are no truth
 * star.
 */
export function matchTruth<T extends { readonly x: number; readonly y: number }>(
  truth: readonly TestStar[],
  found: readonly T[],
  reach: number,
): { pairs: { truth: TestStar; found: T }[]; missed: TestStar[]; extra: T[] } {
  const taken = new Set<T>();
  const pairs: { truth: TestStar; found: T }[] = [];
  const missed: TestStar[] = [];
  for (const star of truth) {
    let best: T | null = null;
    let nearest = reach * reach;
    for (const each of found) {
      const d = (each.x - star.x) ** 2 + (each.y - star.y) ** 2;
      if (d < nearest && !taken.has(each)) {
        nearest = d;
        best = each;
      }
    }
    if (best === null) missed.push(star);
    else {
      taken.add(best);
      pairs.push({ truth: star, found: best });
    }
  }
  return { pairs, missed, extra: found.filter((each) => !taken.has(each)) };
}
