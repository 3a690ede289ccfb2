/**
 * Votes of the blocks of a map for the straight lines through them (Hough transform; Duda & Hart 1972, CACM 15, 11).
 */
import { type Chord, chordAcross } from "./trail.ts";
import type { TrailMap } from "./trail_map.ts";

/** Directions looked at, one a degree. */
const directions = 180;
/** Fewest votes of a line. */
const minimumVotes = 12;
/** Least length of a line, as a share of the shorter side: rounding spreads a thin line over up to 1.4 cells. */
const minimumLength = 0.35;
/** A line must hold a vote for so many blocks of its length. */
const maximumBlocksPerVote = 4;
/**
 * A line that keeps within so many blocks of one border all along is none: along a border each block is compared with
 * half a neighbourhood, and a resampled frame has its seam there.
 */
const borderBlocks = 4;
/** Blocks nearer to a line than this leave with it. */
const lineHalfWidth = 3;

/** A line that blocks voted for. */
export interface VotedLine {
  /** Direction, degrees. */
  readonly degrees: number;
  /** Distance from the middle of the map, blocks. */
  readonly offset: number;
  /** Votes over chance, in standard deviations of chance. */
  readonly significance: number;
}

/** The accumulator: votes for each direction and distance from the middle. */
export class LineVotes {
  readonly #map: TrailMap;
  readonly #half: number;
  readonly #votes: Int32Array;
  readonly #normalX: readonly number[];
  readonly #normalY: readonly number[];
  readonly #left: Uint8Array;
  readonly #share: number;

  constructor(map: TrailMap) {
    this.#map = map;
    this.#half = Math.ceil(Math.hypot(map.width, map.height) / 2) + 1;
    this.#votes = new Int32Array(directions * this.#across);
    const angles = Array.from({ length: directions }, (_, degrees) => degrees * Math.PI / 180);
    this.#normalX = angles.map((angle) => Math.sin(angle));
    this.#normalY = angles.map((angle) => -Math.cos(angle));
    this.#left = new Uint8Array(map.xs.length);
    this.#share = map.xs.length / (map.width * map.height);
    for (let k = 0; k < map.xs.length; k++) this.#vote(k, 1);
  }

  /** Cells of a direction. */
  get #across(): number {
    return 2 * this.#half + 1;
  }

  #offsetOf(k: number, degrees: number): number {
    const { width, height, xs, ys } = this.#map;
    return (xs[k] - (width - 1) / 2) * this.#normalX[degrees] + (ys[k] - (height - 1) / 2) * this.#normalY[degrees];
  }

  #vote(k: number, by: number): void {
    const { width, height, xs, ys } = this.#map;
    const dx = xs[k] - (width - 1) / 2;
    const dy = ys[k] - (height - 1) / 2;
    const votes = this.#votes;
    const normalX = this.#normalX;
    const normalY = this.#normalY;
    const across = this.#across;
    for (let degrees = 0, at = this.#half; degrees < directions; degrees++, at += across) {
      votes[at + Math.round(dx * normalX[degrees] + dy * normalY[degrees])] += by;
    }
  }

  /** Where a line enters and leaves the map, and how long it is in between; 0 for one that misses it. */
  chordOf(degrees: number, offset: number): Chord & { readonly length: number } {
    return chordAcross(degrees, offset, this.#map);
  }

  #isAlongBorder({ from, to }: Chord): boolean {
    const { width, height } = this.#map;
    return (from.x < borderBlocks && to.x < borderBlocks) ||
      (from.y < borderBlocks && to.y < borderBlocks) ||
      Math.min(from.x, to.x) > width - 1 - borderBlocks ||
      Math.min(from.y, to.y) > height - 1 - borderBlocks;
  }

  /** The line with most votes over what as many blocks at random give; null if there is none. */
  strongest(): VotedLine | null {
    const { width, height } = this.#map;
    let best: VotedLine | null = null;
    for (let degrees = 0; degrees < directions; degrees++) {
      for (let offset = -this.#half; offset <= this.#half; offset++) {
        const n = this.#votes[degrees * this.#across + this.#half + offset];
        if (n < minimumVotes) continue;
        const chord = this.chordOf(degrees, offset);
        if (this.#isAlongBorder(chord) || chord.length < minimumLength * Math.min(width, height)) continue;
        const expected = Math.max(chord.length * this.#share, 0.5);
        const significance = (n - expected) / Math.sqrt(expected);
        if (n > chord.length / maximumBlocksPerVote && significance > (best?.significance ?? 0)) {
          best = { degrees, offset, significance };
        }
      }
    }
    return best;
  }

  /** Take back the votes of the blocks on a line. */
  withdraw({ degrees, offset }: VotedLine): void {
    for (let k = 0; k < this.#left.length; k++) {
      if (this.#left[k] === 0 && Math.abs(this.#offsetOf(k, degrees) - offset) < lineHalfWidth) {
        this.#left[k] = 1;
        this.#vote(k, -1);
      }
    }
  }
}
