/** Nearest neighbours among a few thousand points of the plane, by a grid of cells. */

/** Points sorted into square cells. */
export class PointIndex {
  /** Number of points. */
  readonly count: number;
  readonly #x: Float64Array;
  readonly #y: Float64Array;
  readonly #x0: number;
  readonly #y0: number;
  readonly #cell: number;
  readonly #columns: number;
  readonly #rows: number;
  readonly #start: Int32Array;
  readonly #items: Int32Array;

  /** Sort points into cells that hold one or two each, but are no smaller than `leastCell`. */
  constructor(x: Float64Array, y: Float64Array, leastCell: number) {
    const n = this.count = x.length;
    let x0 = Infinity;
    let x1 = -Infinity;
    let y0 = Infinity;
    let y1 = -Infinity;
    for (let i = 0; i < n; i++) {
      x0 = Math.min(x0, x[i]);
      x1 = Math.max(x1, x[i]);
      y0 = Math.min(y0, y[i]);
      y1 = Math.max(y1, y[i]);
    }
    if (n === 0) {
      x0 =
        x1 =
        y0 =
        y1 =
          0;
    }
    const area = Math.max(1, x1 - x0) * Math.max(1, y1 - y0);
    this.#x = x;
    this.#y = y;
    this.#x0 = x0;
    this.#y0 = y0;
    this.#cell = Math.max(leastCell, Math.sqrt(area / Math.max(1, n)), Math.max(x1 - x0, y1 - y0) / 2000);
    this.#columns = Math.floor((x1 - x0) / this.#cell) + 1;
    this.#rows = Math.floor((y1 - y0) / this.#cell) + 1;
    const of = new Int32Array(n);
    this.#start = new Int32Array(this.#columns * this.#rows + 1);
    for (let i = 0; i < n; i++) {
      const cell = Math.floor((y[i] - y0) / this.#cell) * this.#columns + Math.floor((x[i] - x0) / this.#cell);
      of[i] = cell;
      this.#start[cell + 1]++;
    }
    for (let c = 0; c < this.#columns * this.#rows; c++) this.#start[c + 1] += this.#start[c];
    const fill = this.#start.slice();
    this.#items = new Int32Array(n);
    for (let i = 0; i < n; i++) this.#items[fill[of[i]]++] = i;
  }

  /** Index of the nearest point within `radius`, or −1; of two at the same distance the one with the smaller index. */
  nearest(x: number, y: number, radius: number): number {
    let best = -1;
    let least = radius * radius;
    const i0 = Math.max(0, Math.floor((x - radius - this.#x0) / this.#cell));
    const i1 = Math.min(this.#columns - 1, Math.floor((x + radius - this.#x0) / this.#cell));
    const j0 = Math.max(0, Math.floor((y - radius - this.#y0) / this.#cell));
    const j1 = Math.min(this.#rows - 1, Math.floor((y + radius - this.#y0) / this.#cell));
    for (let j = j0; j <= j1; j++) {
      const end = this.#start[j * this.#columns + i1 + 1];
      for (let k = this.#start[j * this.#columns + i0]; k < end; k++) {
        const item = this.#items[k];
        const dx = this.#x[item] - x;
        const dy = this.#y[item] - y;
        const r = dx * dx + dy * dy;
        if (r < least || (r === least && (best < 0 || item < best))) {
          least = r;
          best = item;
        }
      }
    }
    return best;
  }

  /** Number of points within `radius`. */
  countWithin(x: number, y: number, radius: number): number {
    let count = 0;
    const i0 = Math.max(0, Math.floor((x - radius - this.#x0) / this.#cell));
    const i1 = Math.min(this.#columns - 1, Math.floor((x + radius - this.#x0) / this.#cell));
    const j0 = Math.max(0, Math.floor((y - radius - this.#y0) / this.#cell));
    const j1 = Math.min(this.#rows - 1, Math.floor((y + radius - this.#y0) / this.#cell));
    for (let j = j0; j <= j1; j++) {
      const end = this.#start[j * this.#columns + i1 + 1];
      for (let k = this.#start[j * this.#columns + i0]; k < end; k++) {
        const item = this.#items[k];
        const dx = this.#x[item] - x;
        const dy = this.#y[item] - y;
        if (dx * dx + dy * dy <= radius * radius) count++;
      }
    }
    return count;
  }
}
