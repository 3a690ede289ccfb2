/** Similarities of the plane as complex numbers: what a match is searched with. */
import type { Point } from "../core/geometry.ts";
import type { Transform } from "../core/transform.ts";
import type { SortedStars } from "./star_list.ts";

/** Upright or mirrored similarity as complex numbers: q = a p + t or q = a p* + t. */
export interface Similarity {
  /** Real part of a. */
  readonly re: number;
  /** Imaginary part of a. */
  readonly im: number;
  /** Real part of t, reference pixels. */
  readonly tx: number;
  /** Imaginary part of t, reference pixels. */
  readonly ty: number;
  /** Whether the frame is turned over. */
  readonly mirrored: boolean;
}

/** Stars of two sorted lists taken for the same ones; only the first `count` places are in use. */
export interface IndexPairs {
  /** Places in the source list. */
  readonly source: Int32Array;
  /** Places in the reference list. */
  readonly reference: Int32Array;
  /** Number of pairs. */
  readonly count: number;
}

/** Where a similarity carries a place. */
export const moveBy = (s: Similarity, x: number, y: number): Point => {
  const v = s.mirrored ? -y : y;
  return { x: s.re * x - s.im * v + s.tx, y: s.im * x + s.re * v + s.ty };
};

/** The same map as a transform. */
export const transformOf = (s: Similarity): Transform => ({
  kind: "similarity",
  matrix: s.mirrored ? [s.re, s.im, s.tx, s.im, -s.re, s.ty, 0, 0, 1] : [s.re, -s.im, s.tx, s.im, s.re, s.ty, 0, 0, 1],
});

/** Least-squares similarity of some pairs (Umeyama 1991, IEEE PAMI 13, 376); null when the source points coincide. */
export function similarityOf(
  source: SortedStars,
  reference: SortedStars,
  pairs: IndexPairs,
  mirrored: boolean,
): Similarity | null {
  const { source: i, reference: j, count } = pairs;
  let mx = 0;
  let my = 0;
  let mu = 0;
  let mv = 0;
  for (let k = 0; k < count; k++) {
    mx += source.x[i[k]];
    my += mirrored ? -source.y[i[k]] : source.y[i[k]];
    mu += reference.x[j[k]];
    mv += reference.y[j[k]];
  }
  mx /= count;
  my /= count;
  mu /= count;
  mv /= count;

  let norm = 0;
  let re = 0;
  let im = 0;
  for (let k = 0; k < count; k++) {
    const px = source.x[i[k]] - mx;
    const py = (mirrored ? -source.y[i[k]] : source.y[i[k]]) - my;
    const qx = reference.x[j[k]] - mu;
    const qy = reference.y[j[k]] - mv;
    norm += px * px + py * py;
    re += qx * px + qy * py;
    im += qy * px - qx * py;
  }
  if (!(norm > 0)) return null;
  re /= norm;
  im /= norm;
  return { re, im, tx: mu - re * mx + im * my, ty: mv - im * mx - re * my, mirrored };
}
