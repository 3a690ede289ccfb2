/** Values of the sky at places spread over a field, each with its reason to be trusted or not. */
import { type Image, requireLinear, type Unit } from "../core/image.ts";
import type { Geometry, Point, Region } from "../core/geometry.ts";
import { extendHistory, type Recorded } from "../core/history.ts";
import { settle } from "../core/options.ts";
import { type Raster, rastersOf } from "../core/raster.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { medianErrorFactor } from "../stats/median_error.ts";
import { medianInPlace } from "../stats/samples.ts";

/** Options of {@linkcode sampleBackground}. Lengths are in pixels of the image. */
export interface SampleBackgroundOptions {
  /** Boxes along the longer side of the field; those of the other side follow. */
  readonly boxesAlong: number;
  /** Side of a box as a share of the distance between boxes, 0 … 1. */
  readonly boxShare: number;
  /** Polygons (corners in order) within which no box may lie: a nebula the person knows. */
  readonly exclude: readonly (readonly Point[])[];
  /** Places chosen by hand; they are added and never rejected. */
  readonly points: readonly Point[];
  /** Whether boxes are laid out at all: `false` leaves the points chosen by hand. */
  readonly automatic: boolean;
}

/**
 * What {@linkcode sampleBackground} uses for an option left out: some four hundred boxes, which is as many as the
 * spline solves in a blink; boxes cover half of the field, so that their values hardly depend on one another.
 */
export const sampleBackgroundDefaults: Readonly<SampleBackgroundOptions> = Object.freeze({
  boxesAlong: 24,
  boxShare: 0.7,
  exclude: Object.freeze([]),
  points: Object.freeze([]),
  automatic: true,
});

/** Why a sample is not used; `""` when it is. */
export type SampleDoubt = "" | "excluded" | "no data" | "uneven" | "object";

/** One box. */
export interface BackgroundSample {
  /** Centre, column. */
  readonly x: number;
  /** Centre, row. */
  readonly y: number;
  /** Typical level of each channel, stars clipped; NaN without data. */
  readonly levels: readonly number[];
  /** Standard error of each level. */
  readonly errors: readonly number[];
  /** Spread of the pixels of each channel. */
  readonly spreads: readonly number[];
  /** Whether a person placed it. */
  readonly byHand: boolean;
  /** Why it is not used; `""` when it is. */
  readonly doubt: SampleDoubt;
}

/** Samples of a field. */
export interface BackgroundSamples extends Recorded {
  /** Columns of the image. */
  readonly width: number;
  /** Rows of the image. */
  readonly height: number;
  /** Unit of the levels. */
  readonly unit: Unit;
  /** Where the image lies. */
  readonly geometry: Geometry;
  /** Channels, in the order of the levels. */
  readonly channels: readonly string[];
  /** Side of a box, pixels. */
  readonly boxPixels: number;
  /** The boxes, row by row, those placed by hand last. */
  readonly samples: readonly BackgroundSample[];
}

/** Samples and the size of the field they lie in. */
export type SampledField = Pick<BackgroundSamples, "width" | "height" | "samples">;

/** Level of a sample in one channel, or in their mean. */
export type SampleValue = (sample: BackgroundSample) => number;

/** Pixels of one box that are read, at most; beyond them the level is known far better than it is smooth. */
const maximumBoxSamples = 4096;
/** Spread of a box over the typical spread from which it counts as filled with something. */
const maximumSpreadRatio = 2;

function insidePolygon(polygon: readonly Point[], { x, y }: Point): boolean {
  let inside = false;
  for (let i = 0, j = polygon.length - 1; i < polygon.length; j = i++) {
    const a = polygon[i];
    const b = polygon[j];
    if (a.y > y !== b.y > y && x < (b.x - a.x) * (y - a.y) / (b.y - a.y) + a.x) inside = !inside;
  }
  return inside;
}

/** Distance of the pixels read in a box. */
const strideOf = (area: number): number => Math.max(1, Math.ceil(Math.sqrt(area / maximumBoxSamples)));
/** Centre of the pixels read between two columns or rows. */
const centreOf = (from: number, to: number, stride: number): number =>
  from + stride * Math.floor((to - 1 - from) / stride) / 2;

const work = new Float32Array(maximumBoxSamples);
const spreadWork = new Float32Array(maximumBoxSamples);

/** What one box of one channel tells. */
interface BoxLevel {
  /** Typical level, stars clipped; NaN with fewer than sixteen pixels. */
  readonly level: number;
  /** Standard error of the level. */
  readonly error: number;
  /** Spread of the pixels. */
  readonly spread: number;
  /** Share of the pixels that have data, 0 … 1. */
  readonly share: number;
}

/** Clipped median of a box: iterations of ± 2.5 standard deviations, from the median absolute deviation. */
function boxLevel({ data, width }: Raster, { x: x0, y: y0, ...size }: Region): BoxLevel {
  const x1 = x0 + size.width;
  const y1 = y0 + size.height;
  const stride = strideOf((x1 - x0) * (y1 - y0));
  let n = 0;
  let seen = 0;
  for (let y = y0; y < y1; y += stride) {
    for (let x = x0, i = y * width + x0; x < x1; x += stride, i += stride) {
      seen++;
      const v = data[i];
      if (Number.isFinite(v) && n < maximumBoxSamples) work[n++] = v;
    }
  }
  const share = seen === 0 ? 0 : n / seen;
  if (n < 16) return { level: NaN, error: NaN, spread: NaN, share };
  let level = NaN;
  let spread = NaN;
  for (let iteration = 0; iteration < 6; iteration++) {
    level = medianInPlace(work, n);
    for (let i = 0; i < n; i++) spreadWork[i] = Math.abs(work[i] - level);
    spread = madSigmaFactor * medianInPlace(spreadWork, n);
    if (!(spread > 0)) break;
    let kept = 0;
    for (let i = 0; i < n; i++) if (Math.abs(work[i] - level) <= 2.5 * spread) work[kept++] = work[i];
    if (kept === n || kept < 16) break;
    n = kept;
  }
  return { level, error: medianErrorFactor * spread / Math.sqrt(n), spread, share };
}

/** Where a box lies, and who placed it. */
interface BoxPlace extends Point {
  readonly byHand: boolean;
}

/** Centres of boxes laid evenly over a field, row by row. */
function gridOf(width: number, height: number, pitch: number): BoxPlace[] {
  const across = Math.max(2, Math.round(width / pitch));
  const down = Math.max(2, Math.round(height / pitch));
  return Array.from({ length: across * down }, (_, k) => ({
    x: (k % across + 0.5) * width / across - 0.5,
    y: (Math.floor(k / across) + 0.5) * height / down - 0.5,
    byHand: false,
  }));
}

/** Places chosen by hand; refused outside the image. */
function byHandIn({ width, height }: Image, points: readonly Point[]): BoxPlace[] {
  return points.map(({ x, y }) => {
    if (!(x >= 0 && y >= 0 && x <= width - 1 && y <= height - 1)) {
      throw new RangeError(`sampleBackground: points must lie in the image, but got (${x}, ${y})`);
    }
    return { x, y, byHand: true };
  });
}

/** The pixels of a box about a place, moved into the image at its borders. */
function boxAround({ x, y }: Point, width: number, height: number, boxPixels: number): Region {
  const x0 = Math.max(0, Math.min(width - boxPixels, Math.round(x - (boxPixels - 1) / 2)));
  const y0 = Math.max(0, Math.min(height - boxPixels, Math.round(y - (boxPixels - 1) / 2)));
  return { x: x0, y: y0, width: Math.min(width, x0 + boxPixels) - x0, height: Math.min(height, y0 + boxPixels) - y0 };
}

/**
 * Measure the sky in boxes spread over the field: clipped median, its error, and the first doubts (no data, uneven
 * because something fills the box, excluded by a polygon). What belongs to a nebula is found later, against a model.
 *
 * In:  linear, any planes. NaN is left out; a box with less than half of its pixels has no data.
 * Cost: at most 4096 pixels of each box.
 *
 * @returns the samples, in the unit of the image
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, sampleBackground } from "faintlight";
 *
 * const found = sampleBackground(constantImage(200, 100, 42), { boxesAlong: 4 });
 * assert.equal(found.samples.length, 8);
 * assert.equal(found.samples[0].levels[0], 42);
 * ```
 */
export function sampleBackground(image: Image, options: Partial<SampleBackgroundOptions> = {}): BackgroundSamples {
  const used = settle("sampleBackground", sampleBackgroundDefaults, options);
  requireLinear("sampleBackground", image);
  const { boxesAlong, boxShare, exclude, points, automatic } = used;
  if (!(Number.isInteger(boxesAlong) && boxesAlong >= 3 && boxesAlong <= 64)) {
    throw new RangeError(`sampleBackground: boxesAlong must be a whole number of 3 … 64, but got ${boxesAlong}`);
  }
  if (!(boxShare > 0 && boxShare <= 1)) {
    throw new RangeError(`sampleBackground: boxShare must lie within 0 … 1, but got ${boxShare}`);
  }
  const { width, height, planes } = image;
  const pitch = Math.max(4, Math.max(width, height) / boxesAlong);
  const boxPixels = Math.max(4, Math.round(pitch * boxShare));
  const rasters = rastersOf(image);
  const measured = [...automatic ? gridOf(width, height, pitch) : [], ...byHandIn(image, points)].map((place) => {
    const box = boxAround(place, width, height, boxPixels);
    const boxes = rasters.map((raster) => boxLevel(raster, box));
    let doubt: SampleDoubt = "";
    if (boxes.some(({ share, level }) => !(share >= 0.5) || level !== level)) doubt = "no data";
    else if (!place.byHand && exclude.some((polygon) => insidePolygon(polygon, place))) doubt = "excluded";
    const stride = strideOf(box.width * box.height);
    return {
      x: centreOf(box.x, box.x + box.width, stride),
      y: centreOf(box.y, box.y + box.height, stride),
      boxes,
      byHand: place.byHand,
      doubt,
    };
  });
  const typical = planes.map((_, c) => median(measured.filter((m) => m.doubt === "").map((m) => m.boxes[c].spread)));
  const samples = measured.map(({ x, y, boxes, byHand, doubt }): BackgroundSample => ({
    x,
    y,
    levels: boxes.map((box) => box.level),
    errors: boxes.map((box) => box.error),
    spreads: boxes.map((box) => box.spread),
    byHand,
    doubt: doubt === "" && !byHand && boxes.some((box, c) => box.spread > maximumSpreadRatio * typical[c])
      ? "uneven"
      : doubt,
  }));
  return {
    width,
    height,
    unit: image.unit,
    geometry: image.geometry,
    channels: planes.map((plane) => plane.channel),
    boxPixels,
    samples,
    history: extendHistory([image], { step: "sampleBackground", options: used }),
  };
}
