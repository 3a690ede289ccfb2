/** Crowded fields, against their truth and against SEP on the same pixels (fixtures/measure/crowded.py). */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { madSigma, median } from "../../lib/doors/stats.ts";
import { detectStars } from "../../lib/mod.ts";
import { gauss, parkMiller } from "../support/numbers.ts";

interface Bin {
  readonly complete: number;
  readonly scatter: number;
}
interface Field {
  readonly stars: number;
  readonly fwhm: number;
  readonly seed: number;
  readonly sum: number;
  readonly pure: number;
  readonly bins: readonly Bin[];
}
const stored = JSON.parse(readFileSync(new URL("../../fixtures/measure/crowded.json", import.meta.url), "utf8")) as {
  readonly fields: readonly Field[];
};
const side = 1024;
const noise = 10;
const sky = 500;
const beta = 3.2;
const edges = [7, 10, 20, 50, 200];

interface DrawnStar {
  readonly x: number;
  readonly y: number;
  readonly snr: number;
  readonly flux: number;
}

/** The field of the script: places, lights and noise from the same generator. */
function field({ stars: count, fwhm, seed }: Field): { data: Float32Array; stars: DrawnStar[] } {
  const next = parkMiller(seed);
  const uniform = () => next() / 2147483647;
  const alpha = fwhm / (2 * Math.sqrt(2 ** (1 / beta) - 1));
  const norm = (beta - 1) / (Math.PI * alpha ** 2);
  const unit = noise * Math.sqrt(Math.PI * alpha ** 2 * (2 * beta - 1) / (beta - 1) ** 2);
  const reach = Math.ceil(8 * fwhm);
  const light = new Float64Array(side * side);
  const stars = Array.from({ length: count }, (): DrawnStar => {
    const x = uniform() * (side - 1);
    const y = uniform() * (side - 1);
    const snr = 3 * Math.min(2000, uniform() ** (-1 / 0.8));
    for (let row = Math.max(0, Math.ceil(y - reach)); row <= Math.min(side - 1, y + reach); row++) {
      for (let column = Math.max(0, Math.ceil(x - reach)); column <= Math.min(side - 1, x + reach); column++) {
        const r2 = (column - x) ** 2 + (row - y) ** 2;
        if (r2 <= reach * reach) light[row * side + column] += snr * unit * norm * (1 + r2 / alpha ** 2) ** -beta;
      }
    }
    return { x, y, snr, flux: snr * unit };
  });
  const z = gauss(side * side, seed + 1000);
  return { data: Float32Array.from(light, (v, i) => sky + v + Math.sqrt(noise * noise + v) * z[i]), stars };
}

/** Each star, the brightest first, takes the nearest found one within 1.5 pixels that is still free. */
function judge(stars: readonly DrawnStar[], found: readonly { x: number; y: number; flux: number }[]) {
  const cells = new Map<number, number[]>();
  const key = (x: number, y: number) => Math.floor(y / 4) * side + Math.floor(x / 4);
  found.forEach(({ x, y }, k) => cells.set(key(x, y), [...cells.get(key(x, y)) ?? [], k]));
  const taken = new Set<number>();
  const light = new Map<DrawnStar, number>();
  for (const star of [...stars].sort((a, b) => b.flux - a.flux)) {
    let best = -1;
    let nearest = 2.25;
    for (let i = 0; i < 9; i++) {
      for (const k of cells.get(key(star.x + 4 * (i % 3 - 1), star.y + 4 * (Math.floor(i / 3) - 1))) ?? []) {
        const d2 = (found[k].x - star.x) ** 2 + (found[k].y - star.y) ** 2;
        if (d2 < nearest && !taken.has(k)) {
          nearest = d2;
          best = k;
        }
      }
    }
    if (best < 0) continue;
    taken.add(best);
    light.set(star, found[best].flux);
  }
  const bins = edges.slice(1).map((high, i) => {
    const due = stars.filter(({ snr }) => snr >= edges[i] && snr < high);
    const got = due.filter((star) => light.has(star));
    const ratios = got.map((star) => (light.get(star) ?? NaN) / star.flux);
    const middle = median(ratios);
    return { complete: got.length / due.length, scatter: madSigma(ratios) / middle, middle };
  });
  return { bins, pure: taken.size / found.length };
}

describe.each(stored.fields)("detectStars among $stars stars of FWHM $fwhm on a megapixel", (against) => {
  const { data, stars } = field(against);
  const image = createImage({ width: side, height: side, unit: "adu", planes: [{ channel: "L", data }] });
  const { bins, pure } = judge(stars, detectStars(image, { maximumStars: 40000 }).stars);
  it("is given the pixels that SEP was given", () => {
    expect(Math.abs(data.reduce((sum, v) => sum + v, 0) / against.sum - 1)).toBeLessThan(1e-9);
  });
  it("finds more than SEP at its most complete setting of 98 % purity, in every range of brightness", () => {
    bins.forEach(({ complete }, i) => expect(complete).toBeGreaterThan(against.bins[i].complete));
    // below SNR 20, where blends hide most: at least one in six that SEP misses
    for (const i of [0, 1]) expect(1 - bins[i].complete).toBeLessThan((1 - against.bins[i].complete) * 5 / 6);
  });
  it("is 98 % pure", () => {
    expect(pure).toBeGreaterThan(0.98);
  });
  it("finds nine in ten of true SNR 20 to 50 and better", () => {
    for (const i of [2, 3]) expect(bins[i].complete).toBeGreaterThan(0.9);
  });
  it("measures light as well as SEP's circle of a FWHM, though of more and closer stars", () => {
    bins.forEach(({ scatter }, i) => expect(scatter).toBeLessThan(Math.max(0.05, 1.1 * against.bins[i].scatter)));
    // what lies within 2 FWHM: 0.96 of all
    for (const { middle } of bins.slice(1)) expect(Math.abs(middle - 0.96)).toBeLessThan(0.03);
  });
});
