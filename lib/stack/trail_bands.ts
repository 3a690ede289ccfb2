/**
 * Bands of a frame that a trail covers. A satellite that crosses a nebula is hidden there by what the samples may
 * differ by beside noise, so that an outlier test alone leaves a part of it; but its line is known from border to
 * border.
 */
import type { Point, Region } from "../core/geometry.ts";
import { leastKept, type Strip, verdict } from "../kernels/rejection.ts";
import { sourceRegion, sourceRow } from "../kernels/tile_places.ts";
import { placeOf } from "./fill_strips.ts";
import type { FrameTask, TilePlan } from "./tile_plan.ts";

/** A straight band of a frame whose samples belong to a trail. */
export interface TrailBand {
  /** One end of its middle line, pixels of the frame. */
  readonly from: Point;
  /** The other end. */
  readonly to: Point;
  /** How far it reaches on either side of that line, pixels. */
  readonly halfWidthPixels: number;
}

/** Distance of a place from the straight line through the middle of a band, pixels. */
function distanceFrom({ from, to }: TrailBand, x: number, y: number): number {
  const dx = to.x - from.x;
  const dy = to.y - from.y;
  return Math.abs((x - from.x) * dy - (y - from.y) * dx) / Math.hypot(dx, dy);
}

/** Whether a place of a frame lies in one of the bands. */
export const isInBand = (bands: readonly TrailBand[], x: number, y: number): boolean =>
  bands.some((band) => distanceFrom(band, x, y) <= band.halfWidthPixels);

/** The bands of a frame that reach into a region of it. */
function bandsThrough({ trails }: FrameTask, { x, y, width, height }: Region): TrailBand[] {
  const reach = Math.hypot(width, height) / 2;
  return trails.filter((band) =>
    distanceFrom(band, x + (width - 1) / 2, y + (height - 1) / 2) <= reach + band.halfWidthPixels
  );
}

/** How many samples of each pixel there are, and how many of them are still kept. */
function countKept(
  { frames, stride, count }: Strip,
  verdicts: Uint8Array,
): { present: Uint16Array; kept: Uint16Array } {
  const present = new Uint16Array(count);
  const kept = new Uint16Array(count);
  for (let f = 0; f < frames; f++) {
    for (let p = 0, at = f * stride; p < count; p++, at++) {
      if (verdicts[at] !== verdict.missing) present[p]++;
      if (verdicts[at] === verdict.keep) kept[p]++;
    }
  }
  return { present, kept };
}

/**
 * Leave the samples in the bands of trails out, as brighter ones; a pixel that would keep too few samples is left as it
 * was.
 *
 * @param area the part of the canvas that the strip holds
 */
export function leaveOutBands(plan: TilePlan, area: Region, strip: Strip, verdicts: Uint8Array): void {
  const crossed = plan.frames.flatMap((frame, index) => {
    const region = frame.trails.length === 0 ? null : sourceRegion(placeOf(plan, frame, area), 0);
    const bands = region === null ? [] : bandsThrough(frame, region);
    return bands.length === 0 ? [] : [{ frame, index, bands }];
  });
  if (crossed.length === 0) return;
  const { present, kept } = countKept(strip, verdicts);
  const xs = new Float64Array(area.width);
  const ys = new Float64Array(area.width);
  for (const { frame, index, bands } of crossed) {
    for (let row = 0, p = 0; row < area.height; row++) {
      const y = plan.originY + (area.y + row) * plan.scale;
      sourceRow(frame.inverse, area.x, plan.originX, y, plan.scale, xs, ys, area.width);
      for (let i = 0; i < area.width; i++, p++) {
        const at = index * strip.stride + p;
        if (verdicts[at] !== verdict.keep || kept[p] <= leastKept(present[p])) continue;
        if (!isInBand(bands, xs[i], ys[i])) continue;
        verdicts[at] = verdict.brighter;
        kept[p]--;
      }
    }
  }
}
