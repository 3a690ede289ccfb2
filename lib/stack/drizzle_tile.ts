/**
 * One tile of a drizzled stack: every sample of every frame falls on the grid as a shrunken pixel, without
 * interpolation.
 */
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import { maskBit } from "../core/mask.ts";
import { evaluateNormalisation } from "../core/normalisation.ts";
import { applyTransform, linearPart } from "../core/transform.ts";
import { createDrop, dropShares } from "../kernels/drizzle.ts";
import { redPosition } from "../kernels/mosaic.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { sourceRegion, sourceRow } from "../kernels/warp_tile.ts";
import {
  defectsOf,
  type FrameTask,
  rawPlane,
  RegionPlanes,
  type TileOutput,
  type TilePlan,
  type TileResult,
} from "./stack_tile.ts";

/** What a drizzled tile needs besides the plan of the stack. */
export interface DrizzlePlan {
  /** Side of a drop in pixels of the frame. */
  readonly dropSize: number;
  /**
   * How far, in canvas pixels, stars may wander by registration and seeing before a sample on their slope is an
   * outlier.
   */
  readonly slopePixels: number;
  /** Clean first stack on the same canvas to judge samples by, one array a plane; null to keep every sample. */
  readonly clean: readonly Float32Array[] | null;
}

/** A piece of work. */
export interface DrizzleJob {
  readonly plan: TilePlan;
  readonly drizzle: DrizzlePlan;
  readonly tile: Region;
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

/**
 * Value of the clean stack between its pixels and how steeply it changes there, in units a canvas pixel; NaN outside.
 */
function cleanAt(
  clean: Float32Array,
  width: number,
  height: number,
  x: number,
  y: number,
  out: { value: number; slope: number },
): void {
  const i = Math.min(width - 2, Math.max(0, Math.floor(x)));
  const j = Math.min(height - 2, Math.max(0, Math.floor(y)));
  const p = j * width + i;
  const u = Math.min(1, Math.max(0, x - i));
  const v = Math.min(1, Math.max(0, y - j));
  const a = clean[p];
  const b = clean[p + 1];
  const c = clean[p + width];
  const d = clean[p + width + 1];
  out.value = (1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * c + u * d);
  // The clipLimit step of the neighbourhood, not of the cell alone: a star's centre is flat and its flanks are not.
  let low = Infinity;
  let high = -Infinity;
  for (let k = Math.max(0, j - 1); k <= Math.min(height - 1, j + 2); k++) {
    for (let h = Math.max(0, i - 1); h <= Math.min(width - 1, i + 2); h++) {
      const value = clean[k * width + h];
      if (value < low) low = value;
      if (value > high) high = value;
    }
  }
  out.slope = high >= low ? (high - low) / 3 : 0;
}

/** Let one plane of a frame fall on a tile. */
function dropFrame(
  job: DrizzleJob,
  index: number,
  stored: number,
  raw: Float32Array,
  region: Region,
  saturated: Uint8Array | null,
  sums: readonly PlaneSums[],
): { samples: number; dimmer: number; brighter: number } {
  const { plan, drizzle, tile } = job;
  const frame = plan.frames[index];
  const half = index % 2;
  const { originX, originY, scale } = plan;
  const { dropSize, slopePixels, clean } = drizzle;
  const bad = defectsOf(frame, region);
  const planeAt = planeOfSample(frame, stored);
  const surfaces = frame.normalisation === null ? null : normalisationOnFrame(frame, region, sums.length);
  // The shape of a drop is that of the frame's centre: distortion changes it by far less than the drop itself is wrong.
  const middle = { x: frame.width / 2, y: frame.height / 2 };
  const [a, b, , d, e] = linearPart(frame.transform, middle).map((each) => each * dropSize / (2 * scale));
  const xs = new Float64Array(region.width);
  const ys = new Float64Array(region.width);
  const drop = createDrop();
  const truth = { value: 0, slope: 0 };
  let samples = 0;
  let dimmer = 0;
  let brighter = 0;
  for (let row = 0, p = 0; row < region.height; row++) {
    sourceRow(frame.transform, region.x, 0, region.y + row, 1, xs, ys, region.width);
    for (let i = 0; i < region.width; i++, p++) {
      let value = raw[p];
      if (value !== value || (bad !== null && bad[p] !== 0)) continue;
      const cx = (xs[i] - originX) / scale - tile.x;
      const cy = (ys[i] - originY) / scale - tile.y;
      if (!(cx > -1.5 - Math.abs(a) - Math.abs(b) && cy > -1.5 - Math.abs(d) - Math.abs(e))) continue;
      if (!(cx < tile.width + 0.5 + Math.abs(a) + Math.abs(b) && cy < tile.height + 0.5 + Math.abs(d) + Math.abs(e))) {
        continue;
      }
      const plane = planeAt(region.x + i, region.y + row);
      const into = sums[plane];
      if (surfaces !== null) value = value * surfaces[plane].scale[p] + surfaces[plane].offset[p];
      const nx = Math.round(cx);
      const ny = Math.round(cy);
      const home = nx >= 0 && ny >= 0 && nx < tile.width && ny < tile.height ? ny * tile.width + nx : -1;
      if (home >= 0) samples++;
      let light = Math.max(0, value - plan.sky[plane]);
      let verdict = 0;
      const sky = frame.noise[plane] * frame.factor[plane];
      if (clean !== null) {
        cleanAt(clean[plane], plan.canvasWidth, plan.canvasHeight, cx + tile.x, cy + tile.y, truth);
        if (truth.value === truth.value) {
          light = Math.max(0, truth.value - plan.sky[plane]);
          const air = plan.seeing * light;
          const steep = slopePixels * truth.slope;
          const sigma = Math.sqrt(sky * sky + frame.perUnit[plane] * light + air * air);
          const off = value - truth.value;
          if (sigma > 0 && Math.abs(off) > plan.noiseLimit * sigma + steep) verdict = off < 0 ? 1 : 2;
        }
      }
      if (verdict !== 0) {
        if (verdict === 1 && home >= 0) {
          dimmer++;
          into.dimmer[home]++;
        } else if (home >= 0) {
          brighter++;
          into.brighter[home]++;
        }
        continue;
      }
      if (home >= 0 && saturated !== null && saturated[p] !== 0) into.saturated[home]++;
      const variance = sky * sky + frame.perUnit[plane] * light;
      dropShares(cx, cy, a, d, b, e, drop);
      const { shares } = drop;
      for (let j = 0, k = 0; j < drop.height; j++) {
        const y = drop.y + j;
        for (let h = 0; h < drop.width; h++, k++) {
          const x = drop.x + h;
          const share = shares[k];
          if (!(share > 0) || x < 0 || y < 0 || x >= tile.width || y >= tile.height) continue;
          const q = y * tile.width + x;
          const w = share * frame.weight;
          into.value[half][q] += w * value;
          into.weight[half][q] += w;
          into.spread[q] += w * w * variance;
          if (into.last[q] !== index + 1) {
            into.last[q] = index + 1;
            into.coverage[q]++;
          }
        }
      }
    }
  }
  return { samples, dimmer, brighter };
}

/**
 * Scale and offset at the samples of a region, from the surface on the reference: exact every 8 pixels, linear
 * between.
 */
function normalisationOnFrame(
  frame: FrameTask,
  region: Region,
  planes: number,
): { readonly scale: Float32Array; readonly offset: Float32Array }[] {
  const step = 8;
  const across = Math.ceil(region.width / step) + 1;
  const down = Math.ceil(region.height / step) + 1;
  const surface = frame.normalisation;
  return Array.from({ length: planes }, (_, plane) => {
    const scale = new Float32Array(region.width * region.height);
    const offset = new Float32Array(region.width * region.height);
    if (surface === null) return { scale: scale.fill(1), offset };
    const one = new Float32Array(1);
    const two = new Float32Array(1);
    const nodes = new Float64Array(2 * across * down);
    for (let j = 0, k = 0; j < down; j++) {
      for (let i = 0; i < across; i++, k += 2) {
        const at = applyTransform(frame.transform, region.x + i * step, region.y + j * step);
        evaluateNormalisation(surface, plane, { ...at, step: 1, width: 1, height: 1 }, one, two);
        nodes[k] = one[0];
        nodes[k + 1] = two[0];
      }
    }
    for (let y = 0, p = 0; y < region.height; y++) {
      const j = Math.floor(y / step);
      const v = (y - j * step) / step;
      for (let x = 0; x < region.width; x++, p++) {
        const i = Math.floor(x / step);
        const u = (x - i * step) / step;
        const k = 2 * (j * across + i);
        const l = k + 2 * across;
        scale[p] = (1 - v) * ((1 - u) * nodes[k] + u * nodes[k + 2]) + v * ((1 - u) * nodes[l] + u * nodes[l + 2]);
        offset[p] = (1 - v) * ((1 - u) * nodes[k + 1] + u * nodes[k + 3]) +
          v * ((1 - u) * nodes[l + 1] + u * nodes[l + 3]);
      }
    }
    return { scale, offset };
  });
}

/** Make one drizzled tile; runs in a worker. */
export function drizzleTile(job: DrizzleJob): TileResult {
  const { plan, drizzle, tile, output } = job;
  const count = tile.width * tile.height;
  const sums = Array.from({ length: plan.planes }, () => createPlaneSums(count));
  const failures: { frame: number; reason: string }[] = [];
  const room = new RegionPlanes();
  let samples = 0;
  let dimmer = 0;
  let brighter = 0;
  plan.frames.forEach((frame, f) => {
    if (plan.failed[f] !== 0) return;
    const place = {
      to: tile,
      frameWidth: frame.width,
      frameHeight: frame.height,
      inverse: frame.inverse,
      originX: plan.originX,
      originY: plan.originY,
      scale: plan.scale,
    };
    // Drops reach into the tile from half a drop and a canvas pixel away.
    const region = sourceRegion(place, Math.ceil(drizzle.dropSize + plan.scale) + 1);
    if (region === null) return;
    try {
      for (let stored = 0; stored < frame.planes; stored++) {
        const raw = rawPlane(frame, region, stored, room);
        const found = dropFrame(job, f, stored, raw.samples, region, raw.saturated, sums);
        samples += found.samples;
        dimmer += found.dimmer;
        brighter += found.brighter;
      }
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      plan.failed[f] = 1;
      failures.push({ frame: f, reason: error.message });
    }
  });
  room.release();
  sums.forEach((each, plane) => {
    for (let y = 0, p = 0; y < tile.height; y++) {
      for (let x = 0, q = (tile.y + y) * plan.canvasWidth + tile.x; x < tile.width; x++, p++, q++) {
        const [a, b] = each.value;
        const [wa, wb] = each.weight;
        const weight = wa[p] + wb[p];
        output.mean[plane][q] = (a[p] + b[p]) / weight;
        output.weight[plane][q] = weight;
        output.halfA[plane][q] = a[p] / wa[p];
        output.halfB[plane][q] = b[p] / wb[p];
        output.variance[plane][q] = weight > 0 ? each.spread[p] / (weight * weight) : NaN;
      }
    }
  });
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
  return { samples, dimmer, brighter, closed: 0, failures };
}

/** The task of the pool. */
export const drizzleTask: PoolTask<DrizzleJob, TileResult> = {
  module: import.meta.url,
  name: "drizzleTile",
  run: drizzleTile,
};
