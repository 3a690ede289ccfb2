/**
 * One tile of a drizzled stack: every sample of every frame falls on the grid as a shrunken pixel, without
 * interpolation.
 */
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import { maskBit } from "../core/mask.ts";
import { linearPart } from "../core/transform.ts";
import { createDrop, type DropShares, dropShares } from "../kernels/drizzle.ts";
import { redPosition } from "../kernels/mosaic.ts";
import { verdict } from "../kernels/rejection.ts";
import { sourceRegion, sourceRow } from "../kernels/tile_places.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { placeOf } from "./fill_strips.ts";
import { normalisationOnFrame } from "./frame_normalisation.ts";
import { type DrizzlePlan, SampleJudge } from "./judge_sample.ts";
import type { FrameFailure, FrameTask, TileOutput, TilePlan, TileResult } from "./tile_plan.ts";
import { defectsOf, rawPlane, RegionPlanes } from "./tile_samples.ts";
import { isInBand } from "./trail_bands.ts";

/** A piece of work. */
export interface DrizzleJob {
  /** The stack. */
  readonly plan: TilePlan;
  /** How drops fall. */
  readonly drizzle: DrizzlePlan;
  /** Region of the canvas. */
  readonly tile: Region;
  /** Planes of the canvas. */
  readonly output: TileOutput;
}

/** Sums of one plane of a tile. */
interface PlaneSums {
  readonly value: readonly [Float64Array, Float64Array];
  readonly weight: readonly [Float64Array, Float64Array];
  /** Σ (share · weight)² · variance of the sample. */
  readonly spread: Float64Array;
  readonly coverage: Uint16Array;
  readonly dimmer: Uint16Array;
  readonly brighter: Uint16Array;
  readonly saturated: Uint16Array;
  /** Frame that was last counted at a pixel, plus 1. */
  readonly last: Uint32Array;
}

function createPlaneSums(count: number): PlaneSums {
  const double = () => new Float64Array(count);
  const whole = () => new Uint16Array(count);
  return {
    value: [double(), double()],
    weight: [double(), double()],
    spread: double(),
    coverage: whole(),
    dimmer: whole(),
    brighter: whole(),
    saturated: whole(),
    last: new Uint32Array(count),
  };
}

/** Plane of the stack that a sample of a frame belongs to. */
function planeOfSample(frame: FrameTask, plane: number): (x: number, y: number) => number {
  if (frame.bayer === null) return () => plane;
  const red = redPosition(frame.bayer);
  return (x, y) => {
    const ox = (x - red.x) & 1;
    const oy = (y - red.y) & 1;
    return ox === oy ? 2 * ox : 1;
  };
}

/** One stored plane of a frame's region. */
interface FrameSamples {
  /** Place of the frame in the plan. */
  readonly index: number;
  /** Plane as stored. */
  readonly stored: number;
  readonly region: Region;
  readonly samples: Float32Array;
  readonly saturated: Uint8Array | null;
}

/** A sample on its way to the sums, filled in anew for each. */
interface DropSample {
  value: number;
  weight: number;
  variance: number;
  /** Which half of the stack its frame belongs to. */
  half: 0 | 1;
  /** Place of its frame in the plan, plus 1. */
  frame: number;
}

/** Add a sample to the sums of the pixels that its drop covers. */
function addDrop(into: PlaneSums, drop: DropShares, tile: Region, sample: DropSample): void {
  const { shares } = drop;
  const { value, variance, half, frame } = sample;
  const values = into.value[half];
  const weights = into.weight[half];
  for (let j = 0, k = 0; j < drop.height; j++) {
    const y = drop.y + j;
    for (let h = 0; h < drop.width; h++, k++) {
      const x = drop.x + h;
      const share = shares[k];
      if (!(share > 0) || x < 0 || y < 0 || x >= tile.width || y >= tile.height) continue;
      const q = y * tile.width + x;
      const w = share * sample.weight;
      values[q] += w * value;
      weights[q] += w;
      into.spread[q] += w * w * variance;
      if (into.last[q] !== frame) {
        into.last[q] = frame;
        into.coverage[q]++;
      }
    }
  }
}

/** Samples that fell on a tile, and those left out. */
interface DropCounts {
  samples: number;
  dimmer: number;
  brighter: number;
}

/** Count a sample that was left out; `home` is its own pixel of the tile, −1 beyond it. */
function countRejected(into: PlaneSums, side: number, home: number, counts: DropCounts): void {
  if (home < 0) return;
  if (side === verdict.dimmer) {
    counts.dimmer++;
    into.dimmer[home]++;
  } else {
    counts.brighter++;
    into.brighter[home]++;
  }
}

/** Let one plane of a frame fall on a tile. */
function dropFrame(job: DrizzleJob, given: FrameSamples, sums: readonly PlaneSums[], counts: DropCounts): void {
  const { plan, drizzle, tile } = job;
  const { originX, originY, scale } = plan;
  const { index, region, samples, saturated } = given;
  const frame = plan.frames[index];
  const bad = defectsOf(frame, region);
  const planeAt = planeOfSample(frame, given.stored);
  const { normalisation } = frame;
  const surfaces = normalisation === null ? null : normalisationOnFrame(frame, normalisation, region, sums.length);
  const judge = new SampleJudge(plan, drizzle, frame);
  const hasTrails = drizzle.clean !== null && frame.trails.length > 0;
  // The shape of a drop is that of the frame's centre: distortion changes it by far less than the drop itself is wrong.
  const centre = { x: frame.width / 2, y: frame.height / 2 };
  const [a, b, , d, e] = linearPart(frame.transform, centre).map((each) => each * drizzle.dropSize / (2 * scale));
  // What falls farther out touches no pixel of the tile.
  const left = -1.5 - Math.abs(a) - Math.abs(b);
  const above = -1.5 - Math.abs(d) - Math.abs(e);
  const right = tile.width + 0.5 + Math.abs(a) + Math.abs(b);
  const below = tile.height + 0.5 + Math.abs(d) + Math.abs(e);
  const xs = new Float64Array(region.width);
  const ys = new Float64Array(region.width);
  const drop = createDrop();
  const sample: DropSample = {
    value: 0,
    weight: frame.weight,
    variance: 0,
    half: index % 2 as 0 | 1,
    frame: index + 1,
  };
  for (let row = 0, p = 0; row < region.height; row++) {
    sourceRow(frame.transform, region.x, 0, region.y + row, 1, xs, ys, region.width);
    for (let i = 0; i < region.width; i++, p++) {
      let value = samples[p];
      if (value !== value || (bad !== null && bad[p] !== 0)) continue;
      const cx = (xs[i] - originX) / scale - tile.x;
      const cy = (ys[i] - originY) / scale - tile.y;
      if (!(cx > left && cy > above && cx < right && cy < below)) continue;
      const plane = planeAt(region.x + i, region.y + row);
      const into = sums[plane];
      if (surfaces !== null) value = value * surfaces[plane].scale[p] + surfaces[plane].offset[p];
      const nx = Math.round(cx);
      const ny = Math.round(cy);
      const home = nx >= 0 && ny >= 0 && nx < tile.width && ny < tile.height ? ny * tile.width + nx : -1;
      if (home >= 0) counts.samples++;
      judge.judge(plane, value, cx + tile.x, cy + tile.y);
      const inBand = hasTrails && isInBand(frame.trails, region.x + i, region.y + row);
      if (inBand && judge.isCovered(cx + tile.x, cy + tile.y)) judge.verdict = verdict.brighter;
      if (judge.verdict !== verdict.keep) {
        countRejected(into, judge.verdict, home, counts);
        continue;
      }
      if (home >= 0 && saturated !== null && saturated[p] !== 0) into.saturated[home]++;
      const sky = frame.noise[plane] * frame.factor[plane];
      sample.value = value;
      sample.variance = sky * sky + frame.perUnit[plane] * judge.signal;
      dropShares(cx, cy, a, d, b, e, drop);
      addDrop(into, drop, tile, sample);
    }
  }
}

/** Write means, halves, weights and variances of one plane. */
function writeMeans(job: DrizzleJob, plane: number, sums: PlaneSums): void {
  const { plan, tile, output } = job;
  const [a, b] = sums.value;
  const [wa, wb] = sums.weight;
  for (let y = 0, p = 0; y < tile.height; y++) {
    for (let x = 0, q = (tile.y + y) * plan.canvasWidth + tile.x; x < tile.width; x++, p++, q++) {
      const weight = wa[p] + wb[p];
      output.mean[plane][q] = (a[p] + b[p]) / weight;
      output.weight[plane][q] = weight;
      output.halfA[plane][q] = a[p] / wa[p];
      output.halfB[plane][q] = b[p] / wb[p];
      output.variance[plane][q] = weight > 0 ? sums.spread[p] / (weight * weight) : NaN;
    }
  }
}

/** Write counts and mask: the largest over the planes. */
function writeCounts(job: DrizzleJob, sums: readonly PlaneSums[]): void {
  const { plan, tile, output } = job;
  for (let y = 0, p = 0; y < tile.height; y++) {
    for (let x = 0, q = (tile.y + y) * plan.canvasWidth + tile.x; x < tile.width; x++, p++, q++) {
      let seen = 0;
      let low = 0;
      let high = 0;
      let full = 0;
      for (const each of sums) {
        seen = Math.max(seen, each.coverage[p]);
        low = Math.max(low, each.dimmer[p]);
        high = Math.max(high, each.brighter[p]);
        full = Math.max(full, each.saturated[p]);
      }
      output.coverage[q] = seen;
      output.dimmer[q] = low;
      output.brighter[q] = high;
      output.mask[q] = (seen === 0 ? maskBit.noData : 0) | (full > 0 && full * 2 >= seen ? maskBit.saturated : 0);
    }
  }
}

/** Make one drizzled tile; runs in a worker. */
export function drizzleTile(job: DrizzleJob): TileResult {
  const { plan, drizzle, tile } = job;
  const sums = Array.from({ length: plan.planes }, () => createPlaneSums(tile.width * tile.height));
  const failures: FrameFailure[] = [];
  const room = new RegionPlanes();
  const counts: DropCounts = { samples: 0, dimmer: 0, brighter: 0 };
  plan.frames.forEach((frame, index) => {
    if (plan.failed[index] !== 0) return;
    // Drops reach into the tile from half a drop and a canvas pixel away.
    const region = sourceRegion(placeOf(plan, frame, tile), Math.ceil(drizzle.dropSize + plan.scale) + 1);
    if (region === null) return;
    try {
      for (let stored = 0; stored < frame.planes; stored++) {
        dropFrame(job, { index, stored, region, ...rawPlane(frame, region, stored, room) }, sums, counts);
      }
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      plan.failed[index] = 1;
      failures.push({ frame: index, reason: error.message });
    }
  });
  room.release();
  sums.forEach((each, plane) => writeMeans(job, plane, each));
  writeCounts(job, sums);
  return { ...counts, closed: 0, failures };
}

/** The task of the pool. */
export const drizzleTask: PoolTask<DrizzleJob, TileResult> = {
  module: import.meta.url,
  name: "drizzleTile",
  run: drizzleTile,
};
