/** Values of the sky at places spread over a field, each with its reason to be trusted or not. */
import { type Image, requireLinear, type Unit } from "../core/image.ts";
import type { Geometry, Point } from "../core/geometry.ts";
import { extendHistory, type Recorded } from "../core/history.ts";
import { settle } from "../core/options.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
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

/** Pixels of one box that are looked at, at most; beyond them the level is known far better than it is smooth. */
const LOOKED_AT = 4096;
/** Spread of a box over the typical spread from which it counts as filled with something. */
const UNEVEN = 2;

function insidePolygon(polygon: readonly Point[], x: number, y: number): boolean {
  let inside = false;
  for (let i = 0, j = polygon.length - 1; i < polygon.length; j = i++) {
    const a = polygon[i];
    const b = polygon[j];
    if (a.y > y !== b.y > y && x < (b.x - a.x) * (y - a.y) / (b.y - a.y) + a.x) inside = !inside;
  }
  return inside;
}

/** Distance of the pixels looked at in a box. */
const strideOf = (area: number): number => Math.max(1, Math.ceil(Math.sqrt(area / LOOKED_AT)));
/** Centre of the pixels looked at between two columns or rows. */
const centreOf = (from: number, to: number, stride: number): number =>
  from + stride * Math.floor((to - 1 - from) / stride) / 2;

const work = new Float32Array(LOOKED_AT);
const spreadWork = new Float32Array(LOOKED_AT);

/** Clipped median of a box: rounds of ± 2.5 MADN, the limit above at most as far as below so that stars count less. */
function boxLevel(
  data: Float32Array,
  width: number,
  x0: number,
  y0: number,
  x1: number,
  y1: number,
): { level: number; error: number; spread: number; share: number } {
  const stride = strideOf((x1 - x0) * (y1 - y0));
  let n = 0;
  let seen = 0;
  for (let y = y0; y < y1; y += stride) {
    for (let x = x0, i = y * width + x0; x < x1; x += stride, i += stride) {
      seen++;
      const v = data[i];
      if (Number.isFinite(v) && n < LOOKED_AT) work[n++] = v;
    }
  }
  const share = seen === 0 ? 0 : n / seen;
  if (n < 16) return { level: NaN, error: NaN, spread: NaN, share };
  let level = NaN;
  let spread = NaN;
  for (let round = 0; round < 6; round++) {
    level = medianInPlace(work, n);
    for (let i = 0; i < n; i++) spreadWork[i] = Math.abs(work[i] - level);
    spread = madSigmaFactor * medianInPlace(spreadWork, n);
    if (!(spread > 0)) break;
    let kept = 0;
    for (let i = 0; i < n; i++) if (Math.abs(work[i] - level) <= 2.5 * spread) work[kept++] = work[i];
    if (kept === n || kept < 16) break;
    n = kept;
  }
  // Standard error of the median of normal data, √(π/2) σ/√n.
  return { level, error: 1.2533 * spread / Math.sqrt(n), spread, share };
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
  const across = Math.max(2, Math.round(width / pitch));
  const down = Math.max(2, Math.round(height / pitch));
  const boxPixels = Math.max(4, Math.round(pitch * boxShare));
  const places: { x: number; y: number; byHand: boolean }[] = [];
  if (automatic) {
    for (let row = 0; row < down; row++) {
      for (let column = 0; column < across; column++) {
        places.push({
          x: (column + 0.5) * width / across - 0.5,
          y: (row + 0.5) * height / down - 0.5,
          byHand: false,
        });
      }
    }
  }
  for (const { x, y } of points) {
    if (!(x >= 0 && y >= 0 && x <= width - 1 && y <= height - 1)) {
      throw new RangeError(`sampleBackground: points must lie in the image, but got (${x}, ${y})`);
    }
    places.push({ x, y, byHand: true });
  }
  const measured = places.map(({ x, y, byHand }) => {
    const x0 = Math.max(0, Math.min(width - boxPixels, Math.round(x - (boxPixels - 1) / 2)));
    const y0 = Math.max(0, Math.min(height - boxPixels, Math.round(y - (boxPixels - 1) / 2)));
    const x1 = Math.min(width, x0 + boxPixels);
    const y1 = Math.min(height, y0 + boxPixels);
    const boxes = planes.map((plane) => boxLevel(plane.data, width, x0, y0, x1, y1));
    let doubt: SampleDoubt = "";
    if (boxes.some((box) => !(box.share >= 0.5) || box.level !== box.level)) doubt = "no data";
    else if (!byHand && exclude.some((polygon) => insidePolygon(polygon, x, y))) doubt = "excluded";
    const stride = strideOf((x1 - x0) * (y1 - y0));
    return { x: centreOf(x0, x1, stride), y: centreOf(y0, y1, stride), boxes, byHand, doubt };
  });
  const typical = planes.map((_, c) => median(measured.filter((m) => m.doubt === "").map((m) => m.boxes[c].spread)));
  const samples = measured.map(({ x, y, boxes, byHand, doubt }): BackgroundSample => ({
    x,
    y,
    levels: boxes.map((box) => box.level),
    errors: boxes.map((box) => box.error),
    spreads: boxes.map((box) => box.spread),
    byHand,
    doubt: doubt === "" && !byHand && boxes.some((box, c) => box.spread > UNEVEN * typical[c]) ? "uneven" : doubt,
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
