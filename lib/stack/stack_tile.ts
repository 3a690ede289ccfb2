/** One tile of a stack: every frame's part of it filled in, judged and summed. */
import type { Region } from "../core/geometry.ts";
import { maskBit } from "../core/mask.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { closeTrails, type Strip } from "../kernels/rejection.ts";
import { sumKept, type Sums } from "../kernels/sum_kept.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { fillStrips, strideOf } from "./fill_strips.ts";
import { stripScatter, type WindowScatter } from "./frame_scatter.ts";
import { judgeStrip } from "./judge_strip.ts";
import { leaveOutBands } from "./trail_bands.ts";
import type { FrameFailure, TileJob, TilePlan, TileResult } from "./tile_plan.ts";

/** Work on one window. */
export interface ScatterJob {
  /** The stack. */
  readonly plan: TilePlan;
  /** A small region of the canvas. */
  readonly window: Region;
}

/** How the samples of a window scatter. */
export interface ScatterResult {
  /** One entry a plane of the stack; none when a frame broke off. */
  readonly planes: readonly WindowScatter[];
  /** Frames that could not be read. */
  readonly failures: readonly FrameFailure[];
}

/** How samples scatter in one window; runs in a worker. */
export function measureWindow({ plan, window }: ScatterJob): ScatterResult {
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

/** The task that measures windows. */
export const scatterTask: PoolTask<ScatterJob, ScatterResult> = {
  module: import.meta.url,
  name: "measureWindow",
  run: measureWindow,
};

const nothing = (failures: TileResult["failures"]): TileResult => ({
  samples: 0,
  dimmer: 0,
  brighter: 0,
  closed: 0,
  failures,
});

/** Largest counts over the planes of a tile. */
interface TileCounts {
  readonly coverage: Uint16Array;
  readonly dimmer: Uint16Array;
  readonly brighter: Uint16Array;
}

/** Largest counts over the planes so far. */
function countSamples(
  sums: Sums,
  most: TileCounts,
): void {
  for (let p = 0; p < most.coverage.length; p++) {
    const low = sums.dimmer[p];
    const high = sums.brighter[p];
    most.coverage[p] = Math.max(most.coverage[p], sums.kept[p] + low + high);
    most.dimmer[p] = Math.max(most.dimmer[p], low);
    most.brighter[p] = Math.max(most.brighter[p], high);
  }
}

/** Write the sums of one plane; `area` is the tile with its margin. */
function writeSums(job: TileJob, area: Region, plane: number, sums: Sums): void {
  const { plan, tile, output } = job;
  for (let y = 0; y < tile.height; y++) {
    const p = (tile.y - area.y + y) * area.width + tile.x - area.x;
    const q = (tile.y + y) * plan.canvasWidth + tile.x;
    for (const part of ["mean", "weight", "halfA", "halfB", "variance"] as const) {
      output[part][plane].set(sums[part].subarray(p, p + tile.width), q);
    }
  }
}

/** Write counts and mask of a tile, and add them up. */
function writeCounts(
  job: TileJob,
  area: Region,
  most: TileCounts,
  saturated: Uint16Array,
): Pick<TileResult, "samples" | "dimmer" | "brighter"> {
  const { plan, tile, output } = job;
  let samples = 0;
  let dimmer = 0;
  let brighter = 0;
  for (let y = 0; y < tile.height; y++) {
    let p = (tile.y - area.y + y) * area.width + tile.x - area.x;
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
  return { samples, dimmer, brighter };
}

/** Fill the strips of a tile, judge them, and write the sums. */
function combineStrips(
  job: TileJob,
  area: Region,
  stride: number,
  strips: readonly Float32Array[],
  verdicts: Uint8Array,
): TileResult {
  const { plan } = job;
  const { frames, planes } = plan;
  const count = area.width * area.height;
  const saturated = new Uint16Array(count);
  const failures = fillStrips(plan, area, stride, strips, saturated);
  if (plan.failed.includes(1)) return nothing(failures);

  const weights = Float64Array.from(frames, (frame) => frame.weight);
  const padded = (plan.largest + 3) & ~3;
  const memory = { values: borrowPlane(5 * padded), counts: borrowPlane(3 * padded) };
  const most = { coverage: new Uint16Array(count), dimmer: new Uint16Array(count), brighter: new Uint16Array(count) };
  let closed = 0;
  for (let plane = 0; plane < planes; plane++) {
    const strip: Strip = { samples: strips[plane], frames: frames.length, stride, count };
    judgeStrip(plan, plane, area, strip, verdicts);
    if (plan.rejection !== "none" && plan.trailNeighbours <= 8) {
      closed += closeTrails(strip, area.width, plan.trailNeighbours, verdicts);
    }
    if (plan.rejection !== "none") leaveOutBands(plan, area, strip, verdicts);
    const sums = sumKept(strip, verdicts, weights, memory);
    writeSums(job, area, plane, sums);
    countSamples(sums, most);
  }
  returnPlane(memory.values);
  returnPlane(memory.counts);
  return { ...writeCounts(job, area, most, saturated), closed, failures };
}

/** Pixels around a tile that are judged with it. */
export const tileMargin = 2;

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

/** The task that makes tiles. */
export const tileTask: PoolTask<TileJob, TileResult> = {
  module: import.meta.url,
  name: "stackTile",
  run: stackTile,
};
