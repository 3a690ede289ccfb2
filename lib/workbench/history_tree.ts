/** What a person did, as a tree: going on from an earlier state begins a branch, and nothing is lost. */

/** A state on the tree. */
export interface TreeNode<State> {
  readonly state: State;
  /** What was changed to come here. */
  readonly label: string;
  /** Place of the node it came from; null for the first. */
  readonly parent: number | null;
}

/** A tree of states, and which of them is the present one. */
export class HistoryTree<State> {
  readonly #nodes: TreeNode<State>[];
  #present = 0;

  /** A tree of one state. */
  constructor(state: State, label: string) {
    this.#nodes = [{ state, label, parent: null }];
  }

  /** All states, the oldest first. */
  get nodes(): readonly TreeNode<State>[] {
    return this.#nodes;
  }

  /** Place of the present state. */
  get present(): number {
    return this.#present;
  }

  /** The present state. */
  get state(): State {
    return this.#nodes[this.#present].state;
  }

  /** Go on from the present state. */
  add(state: State, label: string): void {
    this.#nodes.push({ state, label, parent: this.#present });
    this.#present = this.#nodes.length - 1;
  }

  /** Go to a state. */
  go(place: number): void {
    if (place >= 0 && place < this.#nodes.length) this.#present = place;
  }

  /** Take back the last change. */
  back(): void {
    this.go(this.#nodes[this.#present].parent ?? this.#present);
  }

  /** Do again what was taken back: the youngest state that came from the present one. */
  forward(): void {
    this.go(this.#nodes.findLastIndex(({ parent }) => parent === this.#present));
  }

  /** How many branches lie before a state: each node but the first child of its parent begins one. */
  branchOf(place: number): number {
    const { parent } = this.#nodes[place];
    if (parent === null) return 0;
    const elder = this.#nodes.findIndex((each) => each.parent === parent);
    return this.branchOf(parent) + (elder === place ? 0 : 1);
  }
}
