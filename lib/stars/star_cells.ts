/** Stars by square cells of a frame, to ask which lie near a place. */

/** A place in the frame. */
interface Place {
  readonly x: number;
  readonly y: number;
}

/** Stars by cells: the first of each cell, and for each star the next of its cell. */
export class StarCells<T> {
  readonly #cell: number;
  readonly #across: number;
  readonly #first: Int32Array;
  readonly #next: number[] = [];
  readonly #stars: T[] = [];
  readonly #placeOf: (star: T) => Place;

  /**
   * @param cell side of a cell, pixels: the largest distance that is asked for
   * @param size of the frame
   * @param placeOf where a star is
   */
  constructor(
    cell: number,
    { width, height }: { readonly width: number; readonly height: number },
    placeOf: (star: T) => Place,
  ) {
    this.#cell = cell;
    this.#across = Math.ceil(width / cell) + 3;
    this.#first = new Int32Array(this.#across * (Math.ceil(height / cell) + 3)).fill(-1);
    this.#placeOf = placeOf;
  }

  /** Index of a cell; the outermost hold what lies beyond the frame. */
  #at(x: number, y: number): number {
    const down = this.#first.length / this.#across;
    const column = Math.max(1, Math.min(this.#across - 2, Math.floor(x / this.#cell) + 1));
    return Math.max(1, Math.min(down - 2, Math.floor(y / this.#cell) + 1)) * this.#across + column;
  }

  /** Enter a star where it is now. */
  add(star: T): void {
    const { x, y } = this.#placeOf(star);
    const at = this.#at(x, y);
    this.#next.push(this.#first[at]);
    this.#first[at] = this.#stars.push(star) - 1;
  }

  /** Whether one of the stars in the nine cells about a place passes. */
  some(x: number, y: number, test: (star: T) => boolean): boolean {
    const at = this.#at(x, y);
    for (let row = at - this.#across; row <= at + this.#across; row += this.#across) {
      for (let cell = row - 1; cell <= row + 1; cell++) {
        for (let k = this.#first[cell]; k >= 0; k = this.#next[k]) if (test(this.#stars[k])) return true;
      }
    }
    return false;
  }
}
