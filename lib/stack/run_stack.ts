/** How a stack is carried out: planned, its noise measured, its tiles made. */
import type { Canvas } from "../core/canvas.ts";
import type { Region } from "../core/geometry.ts";
import { allocatePlane } from "../core/image.ts";
import { createMask } from "../core/mask.ts";
import { allocateShared, returnPlane } from "../core/memory.ts";
import { linearPart, type Matrix3, multiplyMatrix } from "../core/transform.ts";
import { repairReach } from "../kernels/mosaic.ts";
import { warpReach } from "../kernels/warp_tile.ts";
import { parallelMap } from "../parallel/pool.ts";
import { median } from "../stats/median.ts";
import { moderatedLimits } from "../stats/moderated_limit.ts";
import { normalQuantile } from "../stats/special_functions.ts";
import { drizzleTask } from "./drizzle_tile.ts";
import type { CleanStack } from "./judge_sample.ts";
import { planeScatter, scatterWindows, windowSide } from "./frame_scatter.ts";
import type { OpenFrame } from "./frame_to_stack.ts";
import { planTiles } from "./plan_tiles.ts";
import type { StackParameters } from "./stack_options.ts";
import { scatterTask, tileMargin, tileTask } from "./stack_tile.ts";
import type { TileOutput, TilePlan, TileResult } from "./tile_plan.ts";

/** What came of one run over the canvas. */
export interface StackRun {
  /** Planes of the canvas; null where a frame failed before anything was made. */
  readonly output: TileOutput | null;
  /** One entry a tile. */
  readonly results: readonly TileResult[];
  /** Frames that broke off, by their place, with the reason. */
  readonly failures: ReadonlyMap<number, string>;
}

/** Refuse frames of different channels. */
function requireSameChannels(opened: readonly OpenFrame[]): void {
  const { channels } = opened[0];
  for (const { channels: others, task } of opened) {
    if (others.length !== channels.length) {
      throw new RangeError(
        `stackFrames: all frames must have the channels ${channels.join(", ")}, but ${task.name} has ${
          others.join(", ")
        }; ` +
          "stack them apart",
      );
    }
  }
}

/** Frames whose maps the shape of the tiles is chosen by, about. */
const plannedMaps = 16;

/** Linear parts of the maps canvas → frame, of some frames spread over the night. */
function canvasMaps(opened: readonly OpenFrame[], canvas: Canvas): Matrix3[] {
  const { width, height, origin, scale } = canvas;
  const every = Math.max(1, Math.floor(opened.length / plannedMaps));
  const centre = { x: origin.x + scale * (width - 1) / 2, y: origin.y + scale * (height - 1) / 2 };
  return opened.filter((_, index) => index % every === 0).map(({ task }) =>
    multiplyMatrix(linearPart(task.inverse, centre), [scale, 0, 0, 0, scale, 0, 0, 0, 1])
  );
}

/** Pixels of a tile at most: larger ones gain nothing, the margins of one this size cost less than 1 %. */
const maximumTilePixels = 2 ** 19;

/** Tiles whose samples of all frames fit into a worker's memory. */
function tilesOf(
  opened: readonly OpenFrame[],
  canvas: Canvas,
  used: StackParameters,
  maps: readonly Matrix3[],
): Region[] {
  const mosaic = opened.some(({ task }) => task.bayer !== null);
  const repairs = opened.some(({ task }) => task.correction !== null);
  const bytesAPixel = opened.length * (4 * opened[0].channels.length + 1) + 40;
  return planTiles({
    width: canvas.width,
    height: canvas.height,
    pixels: Math.min(maximumTilePixels, Math.floor(used.workerBytes / bytesAPixel)),
    maps,
    margin: warpReach(used.interpolation.kernel) + 1 + (mosaic ? 2 : 0) +
      (repairs ? repairReach * (mosaic ? 2 : 1) : 0),
    wholeRows: Math.max(...opened.map((each) => each.wholeRows)),
  });
}

/** What all tiles share, before the scatter was measured. */
function planOf(
  opened: readonly OpenFrame[],
  canvas: Canvas,
  used: StackParameters,
  tiles: readonly Region[],
): TilePlan {
  const { channels } = opened[0];
  const { falseRejectionShare, structure, pairLimit, seeing, trailNeighbours } = used.rejection;
  const n = opened.length;
  const withMargin = (tile: Region) => (tile.width + 2 * tileMargin) * (tile.height + 2 * tileMargin);
  return {
    frames: opened.map((each) => each.task),
    planes: channels.length,
    canvasWidth: canvas.width,
    canvasHeight: canvas.height,
    originX: canvas.origin.x,
    originY: canvas.origin.y,
    scale: canvas.scale,
    kernel: used.interpolation.kernel,
    ringLimit: used.interpolation.ringLimit,
    largest: Math.max(...tiles.map(withMargin), windowSide ** 2),
    rejection: used.rejects ? "automatic" : "none",
    limits: moderatedLimits(n, falseRejectionShare),
    scatter: channels.map(() => null),
    structure,
    noiseLimit: normalQuantile(1 - falseRejectionShare),
    pairLimit,
    seeing,
    sky: channels.map((_, plane) => median(opened.map((each) => each.sky[plane]))),
    trailNeighbours,
    failed: new Uint8Array(allocateShared(n), 0, n),
  };
}

/** A plan, and the frames that broke off while it was made. */
interface MeasuredPlan {
  readonly plan: TilePlan;
  readonly failures: ReadonlyMap<number, string>;
}

/** The plan with the scatter of the samples measured; as it was when a frame broke off meanwhile. */
function measureScatter(plan: TilePlan, used: StackParameters): MeasuredPlan {
  const { columns, rows, windows } = scatterWindows(plan.canvasWidth, plan.canvasHeight);
  const jobs = windows.map((window) => ({ plan, window }));
  const found = parallelMap(scatterTask, jobs, { label: "measuring noise", progress: used.progress });
  const failures = failuresOf(found);
  if (failures.size > 0) return { plan, failures };
  const scatter = Array.from({ length: plan.planes }, (_, plane) =>
    planeScatter(
      found.map((each) => each.planes[plane]),
      columns,
      rows,
      median(plan.frames.map((each) => each.perUnit[plane])),
    ));
  return { plan: { ...plan, scatter }, failures };
}

/**
 * How far in canvas pixels the slope of a star may excuse a sample that differs while drizzling: the sample's own
 * half-width, within which the flux of a star changes along its slope.
 */
const slopePixels = 0.5;

/** Bytes that the sums of a drizzled tile take a pixel and plane. */
const drizzleBytes = 58;

/** Drizzle on the canvas; `clean` judges the samples, null keeps them all. */
function drizzle(
  plan: TilePlan,
  used: StackParameters,
  dropSize: number,
  maps: readonly Matrix3[],
  clean: CleanStack | null,
): StackRun {
  const { workerBytes, progress } = used;
  const { canvasWidth: width, canvasHeight: height, planes } = plan;
  const output = createOutput(planes, width, height);
  const pixels = Math.max(4096, Math.min(2 ** 20, Math.floor(workerBytes / (drizzleBytes * planes))));
  const tiles = planTiles({ width, height, pixels, maps, margin: 3, wholeRows: 0 });
  const jobs = tiles.map((tile) => ({ plan, drizzle: { dropSize, slopePixels, clean }, tile, output }));
  const results = parallelMap(drizzleTask, jobs, { label: "drizzling frames", progress });
  return { output, results, failures: failuresOf(results) };
}

/** Make all tiles of a stack once. A frame that breaks off stands in `failures`, and the planes are worth nothing. */
export function runStack(opened: readonly OpenFrame[], canvas: Canvas, used: StackParameters): StackRun {
  requireSameChannels(opened);
  const { width, height } = canvas;
  const { dropSize, progress } = used;
  const maps = canvasMaps(opened, canvas);
  const tiles = tilesOf(opened, canvas, used, maps);
  let plan = planOf(opened, canvas, used, tiles);
  if (used.rejects && opened.length > 2) {
    const measured = measureScatter(plan, used);
    if (measured.failures.size > 0) return { output: null, results: [], failures: measured.failures };
    plan = measured.plan;
  }

  const output = createOutput(plan.planes, width, height);
  const judged = dropSize === null || used.rejects;
  let results: readonly TileResult[] = [];
  if (judged) {
    const label = dropSize === null ? "combining frames" : "finding outliers";
    results = parallelMap(tileTask, tiles.map((tile) => ({ plan, tile, output })), { label, progress });
  }
  const failures = failuresOf(results);
  if (dropSize === null || failures.size > 0) return { output, results, failures };
  giveBack([...output.variance, ...output.weight, ...output.halfA, ...output.halfB]);
  // nothing else of the first stack is left, and workers are sent no more than they read
  const clean = { mean: output.mean, coverage: output.coverage };
  const drizzled = drizzle(plan, used, dropSize, maps, judged ? clean : null);
  giveBack(output.mean);
  return drizzled;
}

/** Give the planes of a run back that nobody will see. */
export function discardOutput({ mean, variance, weight, halfA, halfB }: TileOutput): void {
  giveBack([...mean, ...variance, ...weight, ...halfA, ...halfB]);
}

function giveBack(planes: readonly Float32Array[]): void {
  for (const each of planes) returnPlane(each);
}

function createOutput(count: number, width: number, height: number): TileOutput {
  const planes = () => Array.from({ length: count }, () => allocatePlane(width, height));
  const size = width * height;
  const counts = () => new Uint16Array(allocateShared(2 * size), 0, size);
  return {
    mean: planes(),
    variance: planes(),
    weight: planes(),
    halfA: planes(),
    halfB: planes(),
    coverage: counts(),
    dimmer: counts(),
    brighter: counts(),
    mask: createMask(width, height),
  };
}

/** The first reason for each frame that could not be read. */
function failuresOf(results: readonly Pick<TileResult, "failures">[]): Map<number, string> {
  const failures = new Map<number, string>();
  for (const result of results) {
    for (const { frame, reason } of result.failures) if (!failures.has(frame)) failures.set(frame, reason);
  }
  return failures;
}
