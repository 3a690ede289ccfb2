/** Triangles of stars in a form that shift, rotation and scale do not change, and which of two lists agree. */
import type { SortedStars } from "./star_list.ts";

/** The triangles of one list. */
export interface Triangles {
  /** Number of triangles. */
  readonly count: number;
  /**
   * Third corner in the frame where the longest side runs from (0, 0) to (1, 0), the nearer end first: along the side.
   */
  readonly along: Float64Array;
  /** The same corner's distance from that side; its sign stands in `upright`. */
  readonly height: Float64Array;
  /** 1 where the third corner lies on the positive side. */
  readonly upright: Uint8Array;
  /** Longest side, pixels. */
  readonly longest: Float64Array;
  /** Corners, three a triangle: nearer end, farther end, third. */
  readonly corners: Int32Array;
}

/** Which triangles are formed. */
export interface TriangleRule {
  /** Brighter neighbours that make triangles with a star. */
  readonly neighbours: number;
  /** Shortest longest side, pixels. */
  readonly minimumSide: number;
  /** Error of a star's place, pixels. */
  readonly positionError: number;
  /** Whether a triangle with two equal sides is entered in every order that its error allows. */
  readonly bothOrders: boolean;
}

/** Flattest triangle: a flatter one does not tell a mirror image. */
const minimumHeight = 0.03;

/** Shortest side over the longest, squared: a closer pair does not tell its own direction. */
const minimumSideSquared = 0.01;

/** Collects triangles in lists that grow. */
class TriangleCollector {
  readonly #along: number[] = [];
  readonly #height: number[] = [];
  readonly #upright: number[] = [];
  readonly #longest: number[] = [];
  readonly #corners: number[] = [];
  readonly #list: SortedStars;

  constructor(list: SortedStars) {
    this.#list = list;
  }

  /** Enter a triangle when a–b is its longest side and a the end nearer to c, both within `slack`. */
  add(a: number, b: number, c: number, slack: number): void {
    const { x, y } = this.#list;
    const bx = x[b] - x[a];
    const by = y[b] - y[a];
    const cx = x[c] - x[a];
    const cy = y[c] - y[a];
    const norm = bx * bx + by * by;
    const u = (cx * bx + cy * by) / norm;
    const v = (cy * bx - cx * by) / norm;
    if (u > 0.5 + slack || (1 - u) ** 2 + v * v > 1 + 2 * slack || u * u + v * v > 1 + 2 * slack) return;
    if (Math.abs(v) < minimumHeight || u * u + v * v < minimumSideSquared) return;
    this.#along.push(u);
    this.#height.push(Math.abs(v));
    this.#upright.push(v > 0 ? 1 : 0);
    this.#longest.push(Math.sqrt(norm));
    this.#corners.push(a, b, c);
  }

  /** The triangles entered so far. */
  triangles(): Triangles {
    return {
      count: this.#along.length,
      along: Float64Array.from(this.#along),
      height: Float64Array.from(this.#height),
      upright: Uint8Array.from(this.#upright),
      longest: Float64Array.from(this.#longest),
      corners: Int32Array.from(this.#corners),
    };
  }
}

/** Find the nearest stars that are brighter than star `i`, nearest first; returns how many there are. */
function nearestBrighter(list: SortedStars, i: number, near: Int32Array, distance2: Float64Array): number {
  const { x, y } = list;
  const most = near.length;
  let held = 0;
  for (let j = 0; j < i; j++) {
    const d = (x[j] - x[i]) ** 2 + (y[j] - y[i]) ** 2;
    if (held < most || d < distance2[held - 1]) {
      let at = held < most ? held++ : held - 1;
      while (at > 0 && distance2[at - 1] > d) {
        distance2[at] = distance2[at - 1];
        near[at] = near[at - 1];
        at--;
      }
      distance2[at] = d;
      near[at] = j;
    }
  }
  return held;
}

/**
 * Triangles from each star and pairs of its nearest brighter neighbours: of two lists of different depth the deeper one
 * holds the triangles of the other as well, because fainter stars do not come between.
 */
export function trianglesOf(list: SortedStars, rule: TriangleRule): Triangles {
  const { neighbours, minimumSide, positionError, bothOrders } = rule;
  const { x, y } = list;
  const near = new Int32Array(neighbours);
  const distance2 = new Float64Array(neighbours);
  const found = new TriangleCollector(list);
  for (let i = 2; i < list.count; i++) {
    const held = nearestBrighter(list, i, near, distance2);
    for (let p = 0; p < held; p++) {
      for (let q = p + 1; q < held; q++) {
        const a = near[p];
        const b = near[q];
        const side = Math.max(distance2[p], distance2[q], (x[a] - x[b]) ** 2 + (y[a] - y[b]) ** 2);
        const size = Math.sqrt(side);
        if (size < minimumSide) continue;
        // where two sides are equal within their error, one list is entered in both orders
        const slack = bothOrders ? 3 * positionError / size : 0;
        found.add(i, a, b, slack);
        found.add(a, i, b, slack);
        found.add(i, b, a, slack);
        found.add(b, i, a, slack);
        found.add(a, b, i, slack);
        found.add(b, a, i, slack);
      }
    }
  }
  return found.triangles();
}

/** Part of the shape error that comes from optics rather than from the stars' positions: 0.2 % of a side. */
const distortionShare = 0.002;

/** Largest shape error looked up; triangles so small that theirs is larger are not used. */
const maximumShapeError = 0.03;

/** Triangle matches kept at most; beyond this the lists are so crowded that more would not help. */
const maximumMatches = 300_000;

/** Side of a cell of the shape table, and its cells along the longest side and across it. */
const cell = 0.01;
const cellColumns = 54;
const cellRows = 92;

/** Triangles sorted by the cell of their shape. */
interface ShapeTable {
  readonly start: Int32Array;
  readonly items: Int32Array;
}

function sortByShape(triangles: Triangles): ShapeTable {
  const { count, along, height } = triangles;
  const cellOf = (u: number, v: number) =>
    Math.min(cellRows - 1, Math.floor(v / cell)) * cellColumns +
    Math.min(cellColumns - 1, Math.max(0, Math.floor(u / cell)));
  const start = new Int32Array(cellColumns * cellRows + 1);
  for (let k = 0; k < count; k++) start[cellOf(along[k], height[k]) + 1]++;
  for (let c = 0; c < cellColumns * cellRows; c++) start[c + 1] += start[c];
  const fill = start.slice();
  const items = new Int32Array(count);
  for (let k = 0; k < count; k++) items[fill[cellOf(along[k], height[k])]++] = k;
  return { start, items };
}

/** Which triangles of the source list have the shape of which triangles of the reference list, best first. */
export interface TriangleMatches {
  /** Triangle of the source list. */
  readonly source: readonly number[];
  /** Triangle of the reference list. */
  readonly reference: readonly number[];
  /** Places in the two lists above, the match whose corners are believed most first. */
  readonly order: Uint32Array;
}

/** Sizes of the lists and the maps that are allowed. */
export interface MatchRule {
  /** Stars of the source list. */
  readonly sourceStars: number;
  /** Stars of the reference list. */
  readonly referenceStars: number;
  /** Error of a star's place, pixels. */
  readonly positionError: number;
  /** Smallest reference pixels a source pixel. */
  readonly minimumScale: number;
  /** Largest reference pixels a source pixel. */
  readonly maximumScale: number;
  /** Whether a frame may be turned over. */
  readonly mirror: boolean;
}

/** 0 when both triangles have the same sense, 1 when one of them is turned over. */
const senseOf = (here: Triangles, there: Triangles, k: number, t: number): 0 | 1 =>
  there.upright[t] === here.upright[k] ? 0 : 1;

/**
 * Match triangles by shape; each match is a vote for three pairs of stars, apart for upright and mirrored maps, and the
 * matches are put in order of the votes of their corners.
 */
export function matchTriangles(here: Triangles, there: Triangles, rule: MatchRule): TriangleMatches {
  const { sourceStars, referenceStars, positionError, minimumScale, maximumScale, mirror } = rule;
  const { start, items } = sortByShape(there);
  const source: number[] = [];
  const reference: number[] = [];
  const votes = [new Uint16Array(sourceStars * referenceStars), new Uint16Array(sourceStars * referenceStars)];
  for (let k = 0; k < here.count && source.length < maximumMatches; k++) {
    const u = here.along[k];
    const v = here.height[k];
    const own = distortionShare + positionError / here.longest[k];
    const i0 = Math.max(0, Math.floor((u - maximumShapeError) / cell));
    const i1 = Math.min(cellColumns - 1, Math.floor((u + maximumShapeError) / cell));
    const j0 = Math.max(0, Math.floor((v - maximumShapeError) / cell));
    const j1 = Math.min(cellRows - 1, Math.floor((v + maximumShapeError) / cell));
    for (let j = j0; j <= j1; j++) {
      for (let m = start[j * cellColumns + i0]; m < start[j * cellColumns + i1 + 1]; m++) {
        const t = items[m];
        const du = there.along[t] - u;
        const dv = there.height[t] - v;
        const limit = Math.min(maximumShapeError, own + positionError / there.longest[t]);
        if (du * du + dv * dv > limit * limit) continue;
        const scale = there.longest[t] / here.longest[k];
        if (!(scale >= minimumScale * 0.97 && scale <= maximumScale * 1.03)) continue;
        const sense = senseOf(here, there, k, t);
        if (sense === 1 && !mirror) continue;
        source.push(k);
        reference.push(t);
        const table = votes[sense];
        for (let c = 0; c < 3; c++) table[here.corners[k * 3 + c] * referenceStars + there.corners[t * 3 + c]]++;
      }
    }
  }

  const scores = new Float64Array(source.length);
  const order = new Uint32Array(source.length);
  for (let k = 0; k < source.length; k++) {
    const table = votes[senseOf(here, there, source[k], reference[k])];
    let sum = 0;
    let least = Infinity;
    for (let c = 0; c < 3; c++) {
      const vote = table[here.corners[source[k] * 3 + c] * referenceStars + there.corners[reference[k] * 3 + c]];
      sum += vote;
      least = Math.min(least, vote);
    }
    // all three corners must be believed; the sum decides among equals
    scores[k] = least * 1000 + Math.min(999, sum);
    order[k] = k;
  }
  order.sort((a, b) => scores[b] - scores[a] || a - b);
  return { source, reference, order };
}
