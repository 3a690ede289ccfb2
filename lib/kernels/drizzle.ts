/** Exact overlap of a shrunken, turned pixel (a drop) with the pixels of a grid. */

/** ∫ clamp(y, 0, 1) dx along a straight line from (0, ya) to (dx, yb). */
function areaBelow(ya: number, yb: number, dx: number): number {
  const low = Math.min(ya, yb);
  const high = Math.max(ya, yb);
  if (low >= 1) return dx;
  if (high <= 0) return 0;
  if (low >= 0 && high <= 1) return 0.5 * (low + high) * dx;
  // Shares of the way on which the line runs above 1 and inside; what lies below 0 counts nothing.
  const slope = high - low;
  const above = Math.max(0, high - 1) / slope;
  const top = Math.min(1, high);
  const bottom = Math.max(0, low);
  return dx * (above + (top - bottom) / slope * 0.5 * (top + bottom));
}

/** Where the drop of one sample falls: the pixels of a small box and the share of the drop in each. */
export interface DropShares {
  /** First column of the box. */
  x: number;
  /** First row of the box. */
  y: number;
  /** Columns of the box. */
  width: number;
  /** Rows of the box. */
  height: number;
  /** Shares, row by row; they sum to 1. */
  shares: Float64Array;
}

/** Room for the shares of one drop; made once and used again. */
export const createDrop = (): DropShares => ({ x: 0, y: 0, width: 0, height: 0, shares: new Float64Array(64) });

/**
 * Shares of a parallelogram in the pixels it covers (pixel (i, j) reaches from i − ½ to i + ½).
 *
 * @param cx column of the drop's centre
 * @param cy row of the drop's centre
 * @param ux half of one side as a vector, columns
 * @param uy half of one side as a vector, rows
 * @param vx half of the other side, columns
 * @param vy half of the other side, rows
 * @param drop receives the result
 */
export function dropShares(
  cx: number,
  cy: number,
  ux: number,
  uy: number,
  vx: number,
  vy: number,
  drop: DropShares,
): void {
  const reachX = Math.abs(ux) + Math.abs(vx);
  const reachY = Math.abs(uy) + Math.abs(vy);
  const x0 = Math.floor(cx - reachX + 0.5);
  const x1 = Math.ceil(cx + reachX - 0.5);
  const y0 = Math.floor(cy - reachY + 0.5);
  const y1 = Math.ceil(cy + reachY - 0.5);
  const width = Math.max(1, x1 - x0 + 1);
  const height = Math.max(1, y1 - y0 + 1);
  const size = width * height;
  if (drop.shares.length < size) drop.shares = new Float64Array(size);
  const { shares } = drop;
  drop.x = x0;
  drop.y = y0;
  drop.width = width;
  drop.height = height;
  if (size === 1) {
    shares[0] = 1;
    return;
  }
  // Relative to the outer corner of the first pixel.
  const px = cx - x0 + 0.5;
  const py = cy - y0 + 0.5;
  if ((uy === 0 && vx === 0) || (ux === 0 && vy === 0)) {
    for (let j = 0; j < height; j++) {
      const tall = Math.max(0, Math.min(j + 1, py + reachY) - Math.max(j, py - reachY)) / (2 * reachY);
      for (let i = 0; i < width; i++) {
        const wide = Math.max(0, Math.min(i + 1, px + reachX) - Math.max(i, px - reachX)) / (2 * reachX);
        shares[j * width + i] = tall * wide;
      }
    }
    return;
  }
  shares.fill(0, 0, size);
  const turn = Math.sign(ux * vy - uy * vx);
  const area = 4 * Math.abs(ux * vy - uy * vx);
  let ax = px - ux - vx;
  let ay = py - uy - vy;
  for (let corner = 1; corner <= 4; corner++) {
    const su = corner === 1 || corner === 2 ? 1 : -1;
    const sv = corner === 2 || corner === 3 ? 1 : -1;
    const bx = px + su * ux + sv * vx;
    const by = py + su * uy + sv * vy;
    if (ax !== bx) {
      // The area below the upper edges minus that below the lower ones (Green).
      const sign = (ax > bx ? 1 : -1) * turn;
      const lx = Math.min(ax, bx);
      const rx = Math.max(ax, bx);
      const ly = ax < bx ? ay : by;
      const ry = ax < bx ? by : ay;
      const slope = (ry - ly) / (rx - lx);
      const last = Math.min(width - 1, Math.ceil(rx) - 1);
      for (let i = Math.max(0, Math.floor(lx)); i <= last; i++) {
        const from = Math.max(i, lx);
        const to = Math.min(i + 1, rx);
        const dx = to - from;
        if (dx <= 0) continue;
        const ya = ly + slope * (from - lx);
        const yb = ly + slope * (to - lx);
        for (let j = 0; j < height; j++) shares[j * width + i] += sign * areaBelow(ya - j, yb - j, dx) / area;
      }
    }
    ax = bx;
    ay = by;
  }
}
