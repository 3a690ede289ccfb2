/** Star lists as columns, brightest first, and the boxes they fill. */
import type { Point } from "../core/geometry.ts";
import type { Star } from "../core/star.ts";
import { median } from "../stats/median.ts";

/** What matching needs to know of a star; every {@linkcode Star} will do. */
export type MatchableStar = Pick<Star, "x" | "y" | "flux"> & Partial<Pick<Star, "snr" | "fwhmPixels">>;

/** Columns and rows of a frame. */
export interface FrameSize {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
}

/** Stars with the size of the frame that shows them; a {@linkcode StarList} will do. */
export interface StarsOfFrame extends FrameSize {
  /** The stars, pixels, any order. */
  readonly stars: readonly MatchableStar[];
}

/** Stars, with or without the size of their frame; without, the box round the stars stands for it. */
export type StarSource = readonly MatchableStar[] | StarsOfFrame;

/** A list as columns, brightest first. */
export interface SortedStars {
  /** Number of stars. */
  readonly count: number;
  /** Columns of the frame, pixels. */
  readonly x: Float64Array;
  /** Rows of the frame, pixels. */
  readonly y: Float64Array;
  /** Place of each star in the list as given. */
  readonly index: Int32Array;
  /** The list as given. */
  readonly given: readonly MatchableStar[];
}

/** A rectangle of the frame, borders included; pixels. */
export interface Box {
  /** Left border. */
  readonly x0: number;
  /** Upper border. */
  readonly y0: number;
  /** Right border. */
  readonly x1: number;
  /** Lower border. */
  readonly y1: number;
}

/** The stars of a source, and the size of their frame; null when it is not known. */
export function starsOfSource(
  source: StarSource,
): { readonly stars: readonly MatchableStar[]; readonly size: FrameSize | null } {
  return "stars" in source ? { stars: source.stars, size: source } : { stars: source, size: null };
}

/**
 * Sort a list by flux, the brightest first; stars without a place are left out, a flux that is not finite counts as 0.
 */
export function sortStars(stars: readonly MatchableStar[]): SortedStars {
  const order: number[] = [];
  for (let i = 0; i < stars.length; i++) if (Number.isFinite(stars[i].x + stars[i].y)) order.push(i);
  const fluxOf = (i: number) => Number.isFinite(stars[i].flux) ? stars[i].flux : 0;
  order.sort((i, j) => fluxOf(j) - fluxOf(i) || i - j);
  return {
    count: order.length,
    x: Float64Array.from(order, (i) => stars[i].x),
    y: Float64Array.from(order, (i) => stars[i].y),
    index: Int32Array.from(order),
    given: stars,
  };
}

/** The `count` brightest of a sorted list. */
export const brightest = (list: SortedStars, count: number): SortedStars =>
  list.count <= count ? list : {
    count,
    x: list.x.subarray(0, count),
    y: list.y.subarray(0, count),
    index: list.index.subarray(0, count),
    given: list.given,
  };

/** The stars of a sorted list that a rule keeps; `i` is the place in the sorted list. */
export function subset(list: SortedStars, keep: (i: number) => boolean): SortedStars {
  const at: number[] = [];
  for (let i = 0; i < list.count; i++) if (keep(i)) at.push(i);
  return {
    count: at.length,
    x: Float64Array.from(at, (i) => list.x[i]),
    y: Float64Array.from(at, (i) => list.y[i]),
    index: Int32Array.from(at, (i) => list.index[i]),
    given: list.given,
  };
}

/** The frame's borders, or the box round the stars when its size is not known. */
export function boxOf(list: SortedStars, size: FrameSize | null): Box {
  if (size !== null) return { x0: -0.5, y0: -0.5, x1: size.width - 0.5, y1: size.height - 0.5 };
  let x0 = Infinity;
  let y0 = Infinity;
  let x1 = -Infinity;
  let y1 = -Infinity;
  for (let i = 0; i < list.count; i++) {
    x0 = Math.min(x0, list.x[i]);
    x1 = Math.max(x1, list.x[i]);
    y0 = Math.min(y0, list.y[i]);
    y1 = Math.max(y1, list.y[i]);
  }
  return { x0, y0, x1, y1 };
}

/** Whether a place lies in the box or at most `margin` pixels outside. */
export const contains = (box: Box, p: Point, margin: number): boolean =>
  p.x >= box.x0 - margin && p.x <= box.x1 + margin && p.y >= box.y0 - margin && p.y <= box.y1 + margin;

/** The centre of a box. */
export const centreOf = (box: Box): Point => ({ x: (box.x0 + box.x1) / 2, y: (box.y0 + box.y1) / 2 });

/** Median FWHM of the stars that have one, pixels; NaN when none has. */
export const medianFwhm = (stars: readonly MatchableStar[]): number =>
  median(stars.map((each) => each.fwhmPixels ?? NaN).filter((each) => each > 0));
