/** Crowded fields of known stars, and how complete and pure a list of them is. */
import { madSigma, median } from "../../lib/doors/stats.ts";
import { gauss, parkMiller } from "./numbers.ts";

/** Completeness and scatter of the flux in a range of brightness. */
export interface Bin {
  readonly complete: number;
  readonly scatter: number;
}
/** A field and what the peer found in it. */
export interface CrowdedField {
  readonly stars: number;
  readonly fwhm: number;
  readonly seed: number;
  readonly sum: number;
  readonly pure: number;
  readonly bins: readonly Bin[];
}
/** Pixels along a side. */
export const side = 1024;
const noise = 10;
const sky = 500;
const beta = 3.2;
const edges = [7, 10, 20, 50, 200];

/** A star of the field. */
export interface DrawnStar {
  readonly x: number;
  readonly y: number;
  readonly snr: number;
  readonly flux: number;
}

/** The field of the script: places, fluxes and noise from the same generator. */
export function crowdedField({ stars: count, fwhm, seed }: CrowdedField): { data: Float32Array; stars: DrawnStar[] } {
  const next = parkMiller(seed);
  const uniform = () => next() / 2147483647;
  const alpha = fwhm / (2 * Math.sqrt(2 ** (1 / beta) - 1));
  const norm = (beta - 1) / (Math.PI * alpha ** 2);
  const unit = noise * Math.sqrt(Math.PI * alpha ** 2 * (2 * beta - 1) / (beta - 1) ** 2);
  const reach = Math.ceil(8 * fwhm);
  const flux = new Float64Array(side * side);
  const stars = Array.from({ length: count }, (): DrawnStar => {
    const x = uniform() * (side - 1);
    const y = uniform() * (side - 1);
    const snr = 3 * Math.min(2000, uniform() ** (-1 / 0.8));
    for (let row = Math.max(0, Math.ceil(y - reach)); row <= Math.min(side - 1, y + reach); row++) {
      for (let column = Math.max(0, Math.ceil(x - reach)); column <= Math.min(side - 1, x + reach); column++) {
        const r2 = (column - x) ** 2 + (row - y) ** 2;
        if (r2 <= reach * reach) flux[row * side + column] += snr * unit * norm * (1 + r2 / alpha ** 2) ** -beta;
      }
    }
    return { x, y, snr, flux: snr * unit };
  });
  const z = gauss(side * side, seed + 1000);
  return { data: Float32Array.from(flux, (v, i) => sky + v + Math.sqrt(noise * noise + v) * z[i]), stars };
}

/** Each star, the brightest first, takes the nearest found one within 1.5 pixels that is still free. */
export function scoreStars(stars: readonly DrawnStar[], found: readonly { x: number; y: number; flux: number }[]) {
  const cells = new Map<number, number[]>();
  const key = (x: number, y: number) => Math.floor(y / 4) * side + Math.floor(x / 4);
  found.forEach(({ x, y }, k) => cells.set(key(x, y), [...cells.get(key(x, y)) ?? [], k]));
  const taken = new Set<number>();
  const flux = new Map<DrawnStar, number>();
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
    flux.set(star, found[best].flux);
  }
  const bins = edges.slice(1).map((high, i) => {
    const due = stars.filter(({ snr }) => snr >= edges[i] && snr < high);
    const got = due.filter((star) => flux.has(star));
    const ratios = got.map((star) => (flux.get(star) ?? NaN) / star.flux);
    const medianRatio = median(ratios);
    return { complete: got.length / due.length, scatter: madSigma(ratios) / medianRatio, medianRatio };
  });
  return { bins, pure: taken.size / found.length };
}
