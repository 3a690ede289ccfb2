/**
 * Stars behind stars: a crowded frame searched again with the stars that are known taken off, and all fitted together.
 */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { measureMoments, momentAt, momentFields } from "../kernels/moments.ts";
import { blockMeans, subtractSurface, type TileLevels, tileMedians, tileStatistics } from "../kernels/detection.ts";
import { meshAt, smoothMesh } from "./background_mesh.ts";
import type { FrameProfile } from "./frame_profile.ts";
import { type Ellipse, ellipseArea, leastVariance, longVariance, shortVariance } from "./moments.ts";
import { shapePriorWeight } from "./shape_prior.ts";
import type { Sampling } from "../core/sampling.ts";
import { addStar, lightAt, type Placed, reachOf, type StarModel, starModel, stepStar } from "./star_model.ts";
import { type Candidate, openLevel, type StarSearch, vertex } from "./search_stars.ts";

/**
 * Frames are searched again where a star has by chance this many others within two widths: below, blends are the
 * exception.
 */
const CROWDED = 0.1;
/**
 * And has at least so many: knots of a nebula misread as wide stars are few, and in a crowd of them nothing may be
 * searched.
 */
const CROWD = 400;
/** Rounds of search: each finds what the one before uncovered. */
const ROUNDS = 4;
/** Passes of the fit over all crowded stars after each search. */
const PASSES = 2;
/** Stars are drawn to where their light has fallen to this share of the noise of a pixel. */
const DRAWN = 0.15;
/** Two stars nearer than this share of their width cannot be told from one of another shape. */
const TWINS = 0.5;
/** Light of a neighbour at a star's place, as a share of its own height, from which on both are fitted together. */
const STRAY = 0.01;
/** Share of the light subtracted that the model may be wrong by. */
const MISFIT = 0.04;

/** A star while its surroundings are sorted out. */
interface Member {
  readonly from: Candidate;
  /** Place, light and the ellipse it is drawn with. */
  readonly drawn: Placed;
  /** As far as it was drawn, u². */
  reach: number;
  snr: number;
  peak: number;
  /** Whether another is near enough to spoil what the survey measured. */
  crowded: boolean;
}

/** Stars by square cells of the frame: the first of each cell, and for each star the next of its cell. */
class Cells {
  readonly #cell: number;
  readonly #across: number;
  readonly #first: Int32Array;
  readonly #next: number[] = [];
  readonly #stars: Member[] = [];
  constructor(cell: number, width: number, height: number) {
    this.#cell = cell;
    this.#across = Math.ceil(width / cell) + 3;
    this.#first = new Int32Array(this.#across * (Math.ceil(height / cell) + 3)).fill(-1);
  }
  /** Index of a cell; the outermost hold what lies beyond the frame. */
  #at(x: number, y: number): number {
    const down = this.#first.length / this.#across;
    const { floor, max, min } = Math;
    const column = max(1, min(this.#across - 2, floor(x / this.#cell) + 1));
    return max(1, min(down - 2, floor(y / this.#cell) + 1)) * this.#across + column;
  }
  add(star: Member): void {
    const at = this.#at(star.drawn.x, star.drawn.y);
    this.#next.push(this.#first[at]);
    this.#first[at] = this.#stars.push(star) - 1;
  }
  /** Whether one of the stars in the nine cells about a place passes. */
  some(x: number, y: number, test: (star: Member) => boolean): boolean {
    const at = this.#at(x, y);
    for (let row = at - this.#across; row <= at + this.#across; row += this.#across) {
      for (let cell = row - 1; cell <= row + 1; cell++) {
        for (let k = this.#first[cell]; k >= 0; k = this.#next[k]) if (test(this.#stars[k])) return true;
      }
    }
    return false;
  }
}

/** Whether the stars of a frame stand so close that blends are common. */
export function isCrowded(seen: StarSearch, fwhmPixels: number): boolean {
  const { width, height } = seen.sampling;
  const count = seen.stars.length;
  return count >= CROWD && count * Math.PI * (2 * fwhmPixels) ** 2 > CROWDED * width * height;
}

/** A mesh of the 2 × 2 grid in pixels of the frame. */
const inPixels = (mesh: TileLevels): TileLevels => ({
  ...mesh,
  tile: 2 * mesh.tile,
  left: 2 * mesh.left,
  top: 2 * mesh.top,
});

/**
 * The stars of a crowded frame, those of the survey and those it could not part from them. In turns: draw all that are
 * known with the frame's profile and take them off (as Stetson 1987, PASP 99, 191); measure sky and noise of what is
 * left; search it; fit height and place of every star that has a neighbour to it. Where the model is not good enough
 * nothing is found: its error counts as noise.
 *
 * @param single the stars that the survey parted
 * @param variety how the stars' sizes differ, see sizeVariety
 */
export function deblend(
  seen: StarSearch,
  single: readonly Candidate[],
  profile: FrameProfile,
  variety: number,
): Candidate[] {
  const frame = seen.width;
  if (frame === null || profile.stars === 0) return [...single];
  const { sampling, settings } = seen;
  const { width, height } = sampling;
  const sigmas = settings.detectionSigma;
  const model = starModel(profile.moffat);
  const size = Math.sqrt(ellipseArea(frame));
  const fwhm = size * profile.fwhmPerSigma;
  const data = borrowPlane(sampling.data.length);
  const rest: Sampling = { ...sampling, data };
  data.set(sampling.data);
  const sky: TileLevels[] = [...seen.sky];
  for (const mesh of sky) subtractSurface({ width, height, data }, inPixels(mesh));
  const skyAt = (x: number, y: number) =>
    sky.reduce((sum, mesh) => sum + meshAt(mesh, (x - 0.5) / 2, (y - 0.5) / 2), 0);
  const draw = (star: Member, amount: number) => addStar(data, width, height, model, star.drawn, amount, star.reach);
  const show = (star: Member) => {
    star.reach = Math.max(4, reachOf(model, star.drawn.height, DRAWN * seen.noise));
    draw(star, -1);
  };
  let stars = single.map((from): Member => ({
    from,
    drawn: { x: from.x, y: from.y, ...drawnShape(from, frame, shapePriorWeight(from, variety)) },
    reach: 0,
    snr: from.snr,
    peak: from.peak,
    crowded: false,
  }));
  stars.forEach(show);
  const core = (0.75 * profile.fwhmPerSigma) ** 2;
  const limit = 0.25 * size;
  for (let round = 0; round < ROUNDS; round++) {
    const found = searchRest(rest, seen, model, stars, fwhm, sky);
    found.forEach(show);
    stars.push(...found);
    markCrowded(stars, model, fwhm, width, height);
    for (let pass = 0; pass < PASSES; pass++) {
      // Two that were led to one place are one star; the next pass gives it the light of both.
      if (pass > 0) stars = withoutTwins(stars, TWINS * fwhm, width, height, (star) => draw(star, 1));
      for (const star of stars) {
        if (!star.crowded || star.from.saturated) continue;
        const { drawn } = star;
        const step = stepStar(rest, model, drawn, core, star.snr > 4);
        const before = drawn.height;
        const off = Math.sqrt(step.x * step.x + step.y * step.y);
        const part = off > limit ? limit / off : 1;
        draw(star, 1);
        drawn.x += part * step.x;
        drawn.y += part * step.y;
        drawn.height = Math.max(0, before + step.height);
        star.snr *= before > 0 ? drawn.height / before : 0;
        star.peak += drawn.height - before;
        show(star);
      }
    }
    stars = stars.filter((star) => {
      const stays = !star.crowded || star.snr >= 0.8 * sigmas;
      if (!stays) draw(star, 1);
      return stays;
    });
    if (found.length < 0.01 * stars.length) break;
  }
  stars = stars.filter((star) => star.snr >= sigmas);
  const parted = partedShapes(rest, model, stars.filter((star) => star.crowded && !star.from.saturated), frame, skyAt);
  returnPlane(data);
  const light = (star: Candidate) => star.height * ellipseArea(star);
  return stars.map((star) => parted.get(star) ?? star.from)
    .sort((a, b) => light(b) - light(a) || a.y - b.y || a.x - b.x);
}

/** Ellipse and height a star of the survey is drawn with: between the frame's and its own, its light kept. */
function drawnShape(star: Candidate, frame: Ellipse, own: number): Ellipse & { height: number } {
  const between = (a: number, b: number) => own * a + (1 - own) * b;
  const shape = { xx: between(star.xx, frame.xx), xy: between(star.xy, frame.xy), yy: between(star.yy, frame.yy) };
  const light = between(star.height * 2 * Math.PI * ellipseArea(star), star.frameFlux);
  return { ...shape, height: light / (2 * Math.PI * ellipseArea(shape)) };
}

/** Mark the stars that have light of others at their place: more than a share of their own that would move them. */
function markCrowded(stars: readonly Member[], model: StarModel, fwhm: number, width: number, height: number): void {
  const cells = new Cells(3 * fwhm, width, height);
  for (const star of stars) cells.add(star);
  for (const star of stars) {
    const { x, y, height: own } = star.drawn;
    star.crowded ||= cells.some(x, y, (other) => other !== star && lightAt(model, other.drawn, x, y) > STRAY * own);
  }
}

/** The stars less those that have a brighter one nearer than `apart`. */
function withoutTwins(
  stars: readonly Member[],
  apart: number,
  width: number,
  height: number,
  drop: (star: Member) => void,
): Member[] {
  const cells = new Cells(Math.max(4, apart), width, height);
  for (const star of stars) cells.add(star);
  return stars.filter((star) => {
    const { x, y, height: own } = star.drawn;
    const twin = star.crowded && !star.from.saturated &&
      cells.some(
        x,
        y,
        (other) =>
          other !== star && other.drawn.height > own &&
          (other.drawn.x - x) ** 2 + (other.drawn.y - y) ** 2 < apart * apart,
      );
    if (twin) drop(star);
    return !twin;
  });
}

/** Stars in what is left of a frame; its sky is measured anew, taken off, and added to the list of what was. */
function searchRest(
  rest: Sampling,
  seen: StarSearch,
  model: StarModel,
  stars: readonly Member[],
  fwhm: number,
  sky: TileLevels[],
): Member[] {
  const { data, width, height, parity } = rest;
  const whole = { width, height, data };
  const frame = seen.width as Ellipse;
  const { electronsPerUnit, detectionSigma: sigmas } = seen.settings;
  const grid = blockMeans(data, width, height, parity);
  const rough = tileStatistics(grid, seen.mesh.tile);
  const { columns, rows } = rough;
  const mesh = {
    ...rough,
    level: smoothMesh(rough.level, columns, rows),
    noise: smoothMesh(rough.noise, columns, rows),
  };
  subtractSurface(grid, mesh);
  subtractSurface(whole, inPixels(mesh));
  sky.push(mesh);
  if (seen.sky.length > 1) {
    const tiles = tileMedians(grid);
    const fine = { ...tiles, level: smoothMesh(tiles.level, tiles.columns, tiles.rows, tiles.smooth) };
    subtractSurface(grid, fine);
    subtractSurface(whole, inPixels(fine));
    sky.push(fine);
  }
  const { peaks, smooth } = openLevel(grid, mesh, 2, sigmas);
  const perPixel = seen.noise / seen.gridNoise;
  const noiseHere = (x: number, y: number) =>
    perPixel * mesh.noise[
      Math.min(rows - 1, Math.max(0, Math.floor(y / (2 * mesh.tile)))) * columns +
      Math.min(columns - 1, Math.max(0, Math.floor(x / (2 * mesh.tile))))
    ];
  const list = new Float64Array(momentFields * peaks.length);
  const reach = Math.max(1.5, 0.6 * fwhm);
  peaks.forEach((i, k) => {
    const gx = i % smooth.width;
    const gy = (i - gx) / smooth.width;
    const x = 2 * (gx + vertex(smooth.data, i, 1, gx === 0, gx === smooth.width - 1)) + 0.5;
    const y = 2 * (gy + vertex(smooth.data, i, smooth.width, gy === 0, gy === smooth.height - 1)) + 0.5;
    const floor = 0.5 * sigmas * noiseHere(x, y);
    list.set([1, x, y, frame.xx, frame.xy, frame.yy, 0, reach, 0.1, floor, 0, 0, 12], k * momentFields);
  });
  returnPlane(smooth.data);
  returnPlane(grid.data);
  measureMoments(data, width, height, parity, leastVariance(rest), list);
  // Most reach no further than this; those that do are asked one by one.
  const usual = 4 * fwhm;
  const cells = new Cells(usual, width, height);
  const far: Member[] = [];
  const found: Member[] = [];
  for (const star of stars) {
    cells.add(star);
    if (star.reach * longVariance(star.drawn) > usual * usual) far.push(star);
  }
  for (let e = 0; e < list.length; e += momentFields) {
    if (list[e + momentAt.good] !== 1 || list[e + momentAt.covered] < 0.5) continue;
    const x = list[e + momentAt.x];
    const y = list[e + momentAt.y];
    const sum = list[e + momentAt.sum];
    const sigma = noiseHere(x, y);
    const weight2 = list[e + momentAt.weight2];
    const peak = list[e + momentAt.peak];
    if (!(sum >= sigmas * sigma * Math.sqrt(weight2)) || peak > sum / Math.sqrt(weight2)) continue;
    let lit = 0;
    const known = cells.some(x, y, (star) => {
      if (star.reach * longVariance(star.drawn) <= usual * usual) lit += lightAt(model, star.drawn, x, y);
      return (star.drawn.x - x) ** 2 + (star.drawn.y - y) ** 2 < (TWINS * fwhm) ** 2;
    });
    if (known) continue;
    for (const star of far) lit += lightAt(model, star.drawn, x, y);
    const wxx = list[e + momentAt.weightXx];
    const wxy = list[e + momentAt.weightXy];
    const wyy = list[e + momentAt.weightYy];
    const det = wxx * wyy - wxy * wxy;
    const share = parity === -1 ? 1 : 0.5;
    // The model's error is alike over a star's width: it adds up with the weight, where noise adds up with its root.
    const error = MISFIT * lit * 2 * Math.PI * Math.sqrt(det) * share * 0.5;
    const photons = electronsPerUnit > 0
      ? (Math.max(0, list[e + momentAt.light2]) + lit * weight2) / electronsPerUnit
      : 0;
    const snr = sum / Math.sqrt(weight2 * sigma * sigma + photons + error * error);
    if (!(snr >= sigmas)) continue;
    const both = (wxx + frame.xx) * (wyy + frame.yy) - (wxy + frame.xy) ** 2;
    const light = sum / share * Math.sqrt(both / det) / list[e + momentAt.covered];
    const drawn: Placed = { x, y, ...frameEllipse(frame), height: light / (2 * Math.PI * ellipseArea(frame)) };
    const from: Candidate = {
      ...drawn,
      frameFlux: light,
      peak,
      snr,
      background: NaN,
      saturated: false,
      shaped: false,
      shapeVariance: 4 / (snr * snr),
    };
    const star: Member = { from, drawn, reach: 0, snr, peak, crowded: true };
    found.push(star);
    cells.add(star);
  }
  return found;
}

const frameEllipse = ({ xx, xy, yy }: Ellipse): Ellipse => ({ xx, xy, yy });

/** Stars weighed at a time: their boxes stay in the cache. */
const BATCH = 256;
/** Stars below this signal-to-noise ratio carry the frame's shape, as in the survey. */
const SHAPED_FROM = 8;

/**
 * Crowded stars as they are with all others taken off: light as fitted, place and shape as adaptive moments find them
 * there.
 */
function partedShapes(
  rest: Sampling,
  model: StarModel,
  stars: readonly Member[],
  frame: Ellipse,
  skyAt: (x: number, y: number) => number,
): Map<Member, Candidate> {
  const { data, width, height, parity } = rest;
  const parted = new Map<Member, Candidate>();
  // Three sigma of a star half as long again as the frame's.
  const half = 2 * Math.ceil(2.25 * Math.sqrt(longVariance(frame)) + 1);
  const side = 2 * half + 2;
  const across = BATCH * side;
  const strip = new Float32Array(across * side);
  const coarse = leastVariance(rest);
  const shaped = stars.filter((star) => star.snr >= SHAPED_FROM);
  const accept = (star: Member, x: number, y: number, own: Ellipse | null) => {
    const { drawn, snr, peak } = star;
    const light = drawn.height * 2 * Math.PI * ellipseArea(drawn);
    const shape = own ?? frame;
    parted.set(star, {
      ...frameEllipse(shape),
      x,
      y,
      height: light / (2 * Math.PI * ellipseArea(shape)),
      frameFlux: light,
      peak,
      snr,
      background: skyAt(x, y),
      saturated: false,
      shaped: own !== null,
      shapeVariance: 4 / (snr * snr),
    });
  };
  for (let first = 0; first < shaped.length; first += BATCH) {
    const batch = shaped.slice(first, first + BATCH);
    const list = new Float64Array(momentFields * batch.length);
    strip.fill(NaN);
    batch.forEach((star, k) => {
      // Boxes begin at even pixels: the green ones of a mosaic stay where they are.
      const left = 2 * Math.round(star.drawn.x / 2) - half;
      const top = 2 * Math.round(star.drawn.y / 2) - half;
      for (let y = Math.max(0, top); y < Math.min(height, top + side); y++) {
        const from = Math.max(0, left);
        const to = Math.min(width, left + side);
        strip.set(data.subarray(y * width + from, y * width + to), (y - top) * across + k * side + from - left);
      }
      const x = star.drawn.x - left + k * side;
      const y = star.drawn.y - top;
      const { xx, xy, yy } = star.drawn;
      addStar(
        strip,
        across,
        side,
        model,
        { ...star.drawn, x, y },
        1,
        Math.min(star.reach, half * half / longVariance(frame)),
      );
      const reach = Math.max(1.5, Math.sqrt(ellipseArea(frame)));
      list.set(
        [2, x, y, xx, xy, yy, 0, reach, 0, 0, 0.1 * shortVariance(frame), 4 * longVariance(frame), 12],
        k * momentFields,
      );
    });
    measureMoments(strip, across, side, parity, coarse, list);
    batch.forEach((star, k) => {
      const e = k * momentFields;
      const { drawn } = star;
      if (list[e + momentAt.good] !== 1) return accept(star, drawn.x, drawn.y, null);
      const x = list[e + momentAt.x] + 2 * Math.round(drawn.x / 2) - half - k * side;
      const y = list[e + momentAt.y] + 2 * Math.round(drawn.y / 2) - half;
      accept(star, x, y, { xx: list[e + momentAt.xx], xy: list[e + momentAt.xy], yy: list[e + momentAt.yy] });
    });
  }
  for (const star of stars) if (!parted.has(star)) accept(star, star.drawn.x, star.drawn.y, null);
  return parted;
}
