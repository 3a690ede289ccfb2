/** One tile of a stack: every frame's part of it read, calibrated, resampled, normalised; then judged, then summed. */
import { FrameError } from "../core/errors.ts";
import type { BayerPattern, Region } from "../core/geometry.ts";
import { maskBit } from "../core/mask.ts";
import { evaluateNormalisation, type NormalisationSurface } from "../core/normalisation.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { readRegion, readShortsFrom, type RegionSource } from "../io/open_fits.ts";
import { correctSamples, shortAt } from "../kernels/correct.ts";
import { demosaicTile, limitRings, redPosition, repairReach, repairTile } from "../kernels/mosaic.ts";
import type { PoolTask } from "../parallel/pool.ts";
import {
  closeTrails,
  type NoiseModel,
  noiseVerdicts,
  type Strip,
  sumKept,
  type Sums,
  verdict,
} from "../kernels/rejection.ts";
import { type Centres, groupedPixels, moderatedCentres, moderatedVerdicts } from "../kernels/moderate.ts";
import { priorFreedom } from "../stats/moderated_limit.ts";
import {
  type PlaneScatter,
  type ScatterJob,
  scatterOver,
  type ScatterTask,
  stripScatter,
  type WindowScatter,
} from "./frame_scatter.ts";
import { sourceRegion, tilePlaces, warpAt, type WarpKernel, warpReach } from "../kernels/warp_tile.ts";

/** One frame as a worker needs it: plain values and shared arrays. */
export interface FrameTask {
  /** Name for messages. */
  readonly name: string;
  /** Where the samples are: on disk, or planes in memory. */
  readonly pixels: RegionSource | readonly Float32Array[];
  readonly width: number;
  readonly height: number;
  /** Planes as stored. */
  readonly planes: number;
  /** Pattern of the mosaic to interpolate; null for mono frames and for planes that are colours already. */
  readonly bayer: BayerPattern | null;
  readonly correction: SensorCorrection | null;
  /** Saturated pixels of a frame in memory. */
  readonly mask: Uint8Array | null;
  /** Reference → frame. */
  readonly inverse: Transform;
  /** Frame → reference. */
  readonly transform: Transform;
  readonly weight: number;
  readonly normalisation: NormalisationSurface | null;
  /** Noise of the sky before normalisation, one a plane of the stack. */
  readonly noise: readonly number[];
  /** Variance a unit of light after normalisation, one a plane of the stack. */
  readonly perUnit: readonly number[];
  /** Factor of the normalisation at the middle of the frame, one a plane. */
  readonly factor: readonly number[];
}

/** What all tiles of a stack share. */
export interface TilePlan {
  readonly frames: readonly FrameTask[];
  /** Planes of the stack. */
  readonly planes: number;
  readonly canvasWidth: number;
  readonly canvasHeight: number;
  readonly originX: number;
  readonly originY: number;
  readonly scale: number;
  readonly kernel: WarpKernel;
  readonly ringLimit: number;
  /** Pixels of the largest tile with its margin: memory of one size is used again from tile to tile. */
  readonly largest: number;
  readonly rejection: "automatic" | "none";
  /** Limits of the outlier test by number of samples; Infinity for fewer than three, which the noise test judges. */
  readonly limits: Float32Array;
  /** How samples scatter, one a plane; null before it was measured and where nothing could be. */
  readonly scatter: readonly (PlaneScatter | null)[];
  /** How far a sample may differ besides noise, in ranges of the centres around it. */
  readonly structure: number;
  /** Limit of the noise test, in sigma. */
  readonly noiseLimit: number;
  readonly pairLimit: number;
  readonly seeing: number;
  /** Level of the sky in the reference, one a plane. */
  readonly sky: readonly number[];
  /** Neighbours that close a trail; 9 for never. */
  readonly trailNeighbours: number;
  /** Shared with all workers: 1 for a frame that could not be read. */
  readonly failed: Uint8Array;
}

/** Planes of the canvas that tiles write into, one array a plane of the stack unless said otherwise. */
export interface TileOutput {
  readonly mean: readonly Float32Array[];
  readonly variance: readonly Float32Array[];
  readonly weight: readonly Float32Array[];
  readonly halfA: readonly Float32Array[];
  readonly halfB: readonly Float32Array[];
  /** Numbers of samples, one plane each. */
  readonly coverage: Uint16Array;
  /** See coverage. */
  readonly dimmer: Uint16Array;
  /** See coverage. */
  readonly brighter: Uint16Array;
  /** One byte a pixel. */
  readonly mask: Uint8Array;
}

/** A piece of work. */
export interface TileJob {
  readonly plan: TilePlan;
  readonly tile: Region;
  readonly output: TileOutput;
}

/** What came of it. */
export interface TileResult {
  /** Samples seen, over all planes. */
  readonly samples: number;
  readonly dimmer: number;
  readonly brighter: number;
  /** Samples left out because they lie beside a trail. */
  readonly closed: number;
  /** Frames that could not be read. */
  readonly failures: readonly { readonly frame: number; readonly reason: string }[];
}

const nothing = (failures: TileResult["failures"]): TileResult => ({
  samples: 0,
  dimmer: 0,
  brighter: 0,
  closed: 0,
  failures,
});

/** Pixels around a tile's places that a frame must give: the warp's taps, the demosaic's, and those of a repair. */
function marginOf(frame: FrameTask, kernel: WarpKernel): number {
  const mosaic = frame.bayer !== null;
  const repairs = frame.correction !== null;
  return warpReach(kernel) + 1 + (mosaic ? 2 : 0) + (repairs ? repairReach * (mosaic ? 2 : 1) : 0);
}

/** Planes for the samples of a region, used again from frame to frame of a tile: regions differ by a few rows. */
export class RegionPlanes {
  readonly #planes: Float32Array[] = [];

  /** Plane `index` with room for at least `size` samples; its content is arbitrary. */
  take(index: number, size: number): Float32Array {
    const old = this.#planes[index];
    if (old === undefined || old.length < size) {
      if (old !== undefined) returnPlane(old);
      // Rounded up, so that sizes which differ little are one size to the memory's keeper.
      this.#planes[index] = borrowPlane(Math.ceil(1.02 * size / 65_536) * 65_536);
    }
    return this.#planes[index].subarray(0, size);
  }

  /** Give everything back. */
  release(): void {
    for (const each of this.#planes) if (each !== undefined) returnPlane(each);
    this.#planes.length = 0;
  }
}

function readPlane(frame: FrameTask, region: Region, plane: number, room: RegionPlanes): Float32Array {
  const size = region.width * region.height;
  const out = room.take(plane, size);
  if (!Array.isArray(frame.pixels)) return readRegion(frame.pixels as RegionSource, region, plane, out);
  const data: Float32Array = frame.pixels[plane];
  for (let y = 0; y < region.height; y++) {
    const from = (region.y + y) * frame.width + region.x;
    out.set(data.subarray(from, from + region.width), y * region.width);
  }
  return out;
}

/** First of `count` raw samples from `p` on that reaches the level; `count` when none does. */
function nextSaturated(raw: Float32Array | Uint8Array, level: number, p: number, count: number): number {
  if (raw instanceof Uint8Array) {
    // the upper byte tells for nearly all of them
    const upper = level > 65_535 ? 256 : Math.max(0, Math.ceil(level)) >> 8;
    for (; p < count; p++) if ((raw[2 * p] ^ 0x80) >= upper && shortAt(raw, p) >= level) return p;
    return count;
  }
  while (p < count && !(raw[p] >= level)) p++;
  return p;
}

/** Bits of the region: saturated raw samples. null when there is none. */
function saturatedBits(frame: FrameTask, region: Region, raw: Float32Array | Uint8Array): Uint8Array | null {
  const level = frame.correction?.saturationLevel ?? null;
  const size = region.width * region.height;
  let bits: Uint8Array | null = null;
  const mark = (p: number) => {
    bits ??= new Uint8Array(size);
    bits[p] = maskBit.saturated;
  };
  if (level !== null) {
    for (let p = nextSaturated(raw, level, 0, size); p < size; p = nextSaturated(raw, level, p + 1, size)) mark(p);
  }
  if (frame.mask !== null) {
    for (let y = 0, p = 0; y < region.height; y++) {
      const row = (region.y + y) * frame.width + region.x;
      for (let x = 0; x < region.width; x++, p++) if ((frame.mask[row + x] & maskBit.saturated) !== 0) mark(p);
    }
  }
  return bits;
}

/** Defects of a region. */
export function defectsOf(frame: FrameTask, region: Region): Uint8Array | null {
  const defects = frame.correction?.defects ?? null;
  if (defects === null) return null;
  const out = new Uint8Array(region.width * region.height);
  for (let y = 0; y < region.height; y++) {
    const from = (region.y + y) * frame.width + region.x;
    out.set(defects.subarray(from, from + region.width), y * region.width);
  }
  return out;
}

/** Calibrated samples of one stored plane of a region, defects and all, and its saturated ones. */
export function rawPlane(
  frame: FrameTask,
  region: Region,
  plane: number,
  room: RegionPlanes,
): { readonly samples: Float32Array; readonly saturated: Uint8Array | null } {
  const { correction } = frame;
  if (correction !== null && !Array.isArray(frame.pixels)) {
    // Decoded and calibrated in one where the file holds what cameras write.
    const size = region.width * region.height;
    const half = room.take(4, Math.ceil(size / 2));
    const bytes = new Uint8Array(half.buffer, half.byteOffset, 2 * size);
    if (readShortsFrom(frame.pixels as RegionSource, region, plane, bytes)) {
      const samples = room.take(plane, size);
      const saturated = saturatedBits(frame, region, bytes);
      correctSamples(bytes, correction, region, samples);
      return { samples, saturated };
    }
  }
  const samples = readPlane(frame, region, plane, room);
  const saturated = saturatedBits(frame, region, samples);
  if (correction !== null) correctSamples(samples, correction, region, samples);
  return { samples, saturated };
}

/** Calibrated planes of a region of one frame, in the colours of the stack. */
function preparedPlanes(
  frame: FrameTask,
  region: Region,
  room: RegionPlanes,
  bits: (found: Uint8Array) => void,
): Float32Array[] {
  const { correction, bayer } = frame;
  const { width, height } = region;
  if (bayer === null) {
    return Array.from({ length: frame.planes }, (_, plane) => {
      const { samples, saturated } = rawPlane(frame, region, plane, room);
      if (saturated !== null) bits(saturated);
      if (correction !== null) repairTile(samples, width, height, defectsOf(frame, region), 255, 1);
      return samples;
    });
  }
  const { samples: raw, saturated } = rawPlane(frame, region, 0, room);
  if (saturated !== null) bits(saturated);
  if (correction !== null) repairTile(raw, width, height, defectsOf(frame, region), 255, 2);
  const red = redPosition(bayer);
  const size = width * height;
  const rx = (red.x + region.x) & 1;
  const ry = (red.y + region.y) & 1;
  const planes: [Float32Array, Float32Array, Float32Array] = [
    room.take(1, size),
    room.take(2, size),
    room.take(3, size),
  ];
  demosaicTile(raw, width, height, rx, ry, "gradient", ...planes);
  if (saturated !== null) limitRings(raw, width, height, rx, ry, saturated, maskBit.saturated, planes);
  return planes;
}

/** Count, for each pixel of the tile, frames that were saturated there. */
function markSaturated(
  frame: FrameTask,
  plan: TilePlan,
  region: Region,
  area: Region,
  bits: Uint8Array,
  counts: Uint16Array,
): void {
  const seen = new Set<number>();
  for (let p = 0; p < bits.length; p++) {
    if (bits[p] === 0) continue;
    const sx = region.x + p % region.width;
    const sy = region.y + Math.floor(p / region.width);
    const at = applyTransform(frame.transform, sx, sy);
    const x = (at.x - plan.originX) / plan.scale - area.x;
    const y = (at.y - plan.originY) / plan.scale - area.y;
    // Every canvas pixel that a saturated sample touches.
    for (let j = Math.ceil(y - 0.75); j <= Math.floor(y + 0.75); j++) {
      for (let i = Math.ceil(x - 0.75); i <= Math.floor(x + 0.75); i++) {
        if (i >= 0 && j >= 0 && i < area.width && j < area.height) seen.add(j * area.width + i);
      }
    }
  }
  for (const p of seen) counts[p]++;
}

/** Read, calibrate, resample and normalise every frame's samples of a tile. */
function fillStrips(
  plan: TilePlan,
  area: Region,
  stride: number,
  strips: readonly Float32Array[],
  saturated: Uint16Array,
): { frame: number; reason: string }[] {
  const { frames, kernel, originX, originY, scale } = plan;
  const count = area.width * area.height;
  const room = new RegionPlanes();
  let surface: readonly [Float32Array, Float32Array] | null = null;
  const columns = borrowPlane(plan.largest);
  const lines = borrowPlane(plan.largest);
  const failures: { frame: number; reason: string }[] = [];
  frames.forEach((frame, f) => {
    const views = strips.map((strip) => strip.subarray(f * stride, f * stride + count));
    const place = {
      to: area,
      frameWidth: frame.width,
      frameHeight: frame.height,
      inverse: frame.inverse,
      originX,
      originY,
      scale,
    };
    const region = sourceRegion(place, marginOf(frame, kernel));
    if (region === null || plan.failed[f] !== 0) {
      for (const view of views) view.fill(NaN);
      return;
    }
    let prepared: Float32Array[];
    let bits: Uint8Array | null = null;
    try {
      prepared = preparedPlanes(frame, region, room, (found) => bits = found);
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      plan.failed[f] = 1;
      failures.push({ frame: f, reason: error.message });
      for (const view of views) view.fill(NaN);
      return;
    }
    if (bits !== null) markSaturated(frame, plan, region, area, bits, saturated);
    const places = tilePlaces({ ...place, from: region }, columns, lines);
    prepared.forEach((samples, plane) => {
      const slack = plan.ringLimit * frame.noise[plane];
      const view = views[plane];
      warpAt(samples, region.width, region.height, places, area.width, kernel, slack, view);
      if (frame.normalisation === null) return;
      const raster = {
        x: originX + area.x * scale,
        y: originY + area.y * scale,
        step: scale,
        width: area.width,
        height: area.height,
      };
      surface ??= [new Float32Array(count), new Float32Array(count)];
      const [factor, offset] = surface;
      evaluateNormalisation(frame.normalisation, plane, raster, factor, offset);
      for (let p = 0; p < count; p++) view[p] = view[p] * factor[p] + offset[p];
    });
  });
  room.release();
  returnPlane(columns);
  returnPlane(lines);
  return failures;
}

/** Pixels around a tile that are judged with it. */
export const tileMargin = 2;

/** An odd number of cache lines between frames keeps them out of each other's cache sets. */
const strideOf = (pixels: number): number => Math.ceil(pixels / 32) * 32 + 16;

/** How samples scatter in one window; runs in a worker. */
export function measureWindow({ plan, window }: ScatterJob): {
  readonly planes: readonly WindowScatter[];
  readonly failures: readonly { frame: number; reason: string }[];
} {
  const { frames, planes } = plan;
  const stride = strideOf(plan.largest);
  const count = window.width * window.height;
  const strips = Array.from({ length: planes }, () => borrowPlane(frames.length * stride));
  try {
    const failures = fillStrips(plan, window, stride, strips, new Uint16Array(count));
    const list = strips.map((samples) => stripScatter({ samples, frames: frames.length, stride, count }));
    return { planes: failures.length > 0 ? [] : list, failures };
  } finally {
    for (const each of strips) returnPlane(each);
  }
}

/** The task of the pool. */
export const scatterTask: ScatterTask = { module: import.meta.url, name: "measureWindow", run: measureWindow };

/** Make one tile of a stack; runs in a worker. */
export function stackTile(job: TileJob): TileResult {
  const { plan, tile } = job;
  const { frames, planes } = plan;
  // A trail is followed over the tile's edge by one pixel, and each of those needs its neighbours: tiles leave no
  // trace.
  const x0 = Math.max(0, tile.x - tileMargin);
  const y0 = Math.max(0, tile.y - tileMargin);
  const x1 = Math.min(plan.canvasWidth, tile.x + tile.width + tileMargin);
  const y1 = Math.min(plan.canvasHeight, tile.y + tile.height + tileMargin);
  const area = { x: x0, y: y0, width: x1 - x0, height: y1 - y0 };
  const stride = strideOf(plan.largest);
  const strips = Array.from({ length: planes }, () => borrowPlane(frames.length * stride));
  const marks = borrowPlane(frames.length * stride / 4);
  try {
    return combineStrips(job, area, stride, strips, new Uint8Array(marks.buffer, 0, frames.length * stride));
  } finally {
    for (const each of [...strips, marks]) returnPlane(each);
  }
}

/** Fill the strips of a tile, judge them, and write the sums. */
function combineStrips(
  job: TileJob,
  area: Region,
  stride: number,
  strips: readonly Float32Array[],
  verdicts: Uint8Array,
): TileResult {
  const { plan, tile, output } = job;
  const { frames, planes } = plan;
  const count = area.width * area.height;
  const x0 = area.x;
  const y0 = area.y;
  const saturated = new Uint16Array(count);
  const failures = fillStrips(plan, area, stride, strips, saturated);
  if (plan.failed.includes(1)) return nothing(failures);
  const weights = Float64Array.from(frames, (frame) => frame.weight);
  const padded = (plan.largest + 3) & ~3;
  const memory = { values: borrowPlane(5 * padded), counts: borrowPlane(3 * padded) };
  let samples = 0;
  let dimmer = 0;
  let brighter = 0;
  let closed = 0;
  const most = { coverage: new Uint16Array(count), dimmer: new Uint16Array(count), brighter: new Uint16Array(count) };
  for (let plane = 0; plane < planes; plane++) {
    const strip: Strip = { samples: strips[plane], frames: frames.length, stride, count };
    judge(plan, plane, area, strip, verdicts);
    if (plan.rejection !== "none" && plan.trailNeighbours <= 8) {
      closed += closeTrails(strip, area.width, plan.trailNeighbours, verdicts);
    }
    const sums = sumKept(strip, verdicts, weights, memory);
    for (let y = 0; y < tile.height; y++) {
      const p = (tile.y - y0 + y) * area.width + tile.x - x0;
      const q = (tile.y + y) * plan.canvasWidth + tile.x;
      for (const part of ["mean", "weight", "halfA", "halfB", "variance"] as const) {
        output[part][plane].set(sums[part].subarray(p, p + tile.width), q);
      }
    }
    countSamples(sums, most);
  }
  returnPlane(memory.values);
  returnPlane(memory.counts);
  for (let y = 0; y < tile.height; y++) {
    let p = (tile.y - y0 + y) * area.width + tile.x - x0;
    let q = (tile.y + y) * plan.canvasWidth + tile.x;
    for (let x = 0; x < tile.width; x++, p++, q++) {
      const n = most.coverage[p];
      output.coverage[q] = n;
      output.dimmer[q] = most.dimmer[p];
      output.brighter[q] = most.brighter[p];
      samples += n;
      dimmer += most.dimmer[p];
      brighter += most.brighter[p];
      output.mask[q] = (n === 0 ? maskBit.noData : 0) | (n > 0 && saturated[p] * 2 >= n ? maskBit.saturated : 0);
    }
  }
  return { samples, dimmer, brighter, closed, failures };
}

/** Verdicts of one plane: the outlier test, and for one or two samples the noise test. */
function judge(plan: TilePlan, plane: number, area: Region, strip: Strip, verdicts: Uint8Array): void {
  const { frames } = plan;
  const scatter = plan.scatter[plane];
  const { count } = strip;
  if (plan.rejection === "none") {
    for (let at = 0; at < verdicts.length; at++) {
      verdicts[at] = strip.samples[at] === strip.samples[at] ? verdict.keep : verdict.missing;
    }
    return;
  }
  const model: NoiseModel = {
    skyVariance: Float64Array.from(frames, (frame) => (frame.noise[plane] * frame.factor[plane]) ** 2),
    perUnit: Float64Array.from(frames, (frame) => frame.perUnit[plane]),
    sky: plan.sky[plane],
    seeing: plan.seeing,
  };
  if (frames.length > 2) {
    const padded = groupedPixels(plan.largest);
    const room = Array.from({ length: 3 }, () => borrowPlane(padded));
    const [base, level, tolerance] = room;
    if (scatter !== null) scatterOver(scatter, plan.canvasWidth, plan.canvasHeight, area, base, level);
    const noise = scatter === null
      ? { base: null, level: null, perUnit: 0, prior: 0, ratios: new Float32Array(frames.length).fill(1) }
      : { base, level, perUnit: scatter.perUnit, prior: priorFreedom, ratios: scatter.ratios };
    const data = borrowPlane(3 * padded);
    const centres = moderatedCentres(strip, noise, plan.limits, data);
    structureAround(centres, area.width, count, plan.structure, tolerance);
    moderatedVerdicts(strip, centres, tolerance, noise.ratios, verdicts);
    for (const each of [...room, data]) returnPlane(each);
  }
  noiseVerdicts(strip, model, plan.noiseLimit, plan.pairLimit, 2, verdicts);
}

/**
 * Errors of the centre that the range of nine of them stays below in 99.9 % of sky (mean 2.97, Tippett 1925; own
 * draws).
 */
const quietRange = 5.5;

/**
 * What seeing, guiding and registration may do to a sample: light goes back and forth between neighbours, so the more
 * the centres differ around a pixel, the more may its samples. Noise of the centres themselves does not count.
 */
function structureAround(centres: Centres, width: number, count: number, share: number, out: Float32Array): void {
  const { data, plane } = centres;
  const height = count / width;
  const low = new Float32Array(width);
  const high = new Float32Array(width);
  for (let y = 0; y < height; y++) {
    const here = y * width;
    const up = y > 0 ? here - width : here;
    const down = y + 1 < height ? here + width : here;
    // Extremes of each column of three, then of three columns.
    for (let x = 0; x < width; x++) {
      const a = data[up + x];
      const b = data[here + x];
      const c = data[down + x];
      const less = a < b ? a : b;
      const more = a < b ? b : a;
      low[x] = c < less ? c : less;
      high[x] = c > more ? c : more;
    }
    for (let x = 0; x < width; x++) {
      const l = x > 0 ? x - 1 : x;
      const r = x + 1 < width ? x + 1 : x;
      const a = low[l];
      const b = low[x];
      const c = low[r];
      const less = a < b ? a : b;
      const d = high[l];
      const e = high[x];
      const f = high[r];
      const more = d > e ? d : e;
      const range = (f > more ? f : more) - (c < less ? c : less) - quietRange * data[2 * plane + here + x];
      out[here + x] = range > 0 ? share * range : 0;
    }
  }
}

/** Largest counts over the planes so far. */
function countSamples(
  sums: Sums,
  most: { readonly coverage: Uint16Array; readonly dimmer: Uint16Array; readonly brighter: Uint16Array },
): void {
  for (let p = 0; p < most.coverage.length; p++) {
    const low = sums.dimmer[p];
    const high = sums.brighter[p];
    most.coverage[p] = Math.max(most.coverage[p], sums.kept[p] + low + high);
    most.dimmer[p] = Math.max(most.dimmer[p], low);
    most.brighter[p] = Math.max(most.brighter[p], high);
  }
}

/** The task of the pool. */
export const tileTask: PoolTask<TileJob, TileResult> = {
  module: import.meta.url,
  name: "stackTile",
  run: stackTile,
};
