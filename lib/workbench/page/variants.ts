/** Kept states of the recipe, and the one that the present picture is compared with. */
import type { SentenceState, WorkbenchState } from "../sentence.ts";
import { button, byId, element } from "./elements.ts";
import type { Comparison } from "./still.ts";

/** A state with a name. */
export interface Variant {
  readonly name: string;
  readonly state: WorkbenchState;
}

/** What the person wants to see of the variants. */
export interface VariantEvents {
  /** Go to a variant. */
  readonly chosen: (variant: Variant) => void;
  /** Compare with another one, or otherwise. */
  readonly compared: () => void;
}

/** The list of variants and the choice of a comparison. */
export class VariantList {
  readonly #events: VariantEvents;
  #variants: readonly Variant[] = [];

  /** An empty list. */
  constructor(events: VariantEvents) {
    this.#events = events;
    for (const id of ["comparison", "other", "brightness", "wipe"]) {
      byId(id).addEventListener("input", () => events.compared());
    }
  }

  /** Keep a state. */
  keep(name: string, state: WorkbenchState): void {
    this.#variants = [...this.#variants.filter((each) => each.name !== name), { name, state }];
    const other = byId<HTMLSelectElement>("other");
    const before = other.value;
    other.replaceChildren(...this.#variants.map(({ name: text }) => element("option", { text })));
    if (this.#variants.some((each) => each.name === before)) other.value = before;
    byId("variants").replaceChildren(
      ...this.#variants.map((variant) => button(variant.name, () => this.#events.chosen(variant))),
    );
  }

  /** How the present picture is compared. */
  get comparison(): Comparison {
    return byId<HTMLSelectElement>("comparison").value as Comparison;
  }

  /** Where the wipe stands, 0 … 1. */
  get share(): number {
    return Number(byId<HTMLInputElement>("wipe").value) / 100;
  }

  /**
   * The state to compare with; null for none. With the same brightness it is drawn by the stretch of the present one.
   *
   * @param stretchAt place of the stretch among the sentences
   */
  other(present: WorkbenchState, stretchAt: number): WorkbenchState | null {
    if (this.comparison === "none") return null;
    const name = byId<HTMLSelectElement>("other").value;
    const found = this.#variants.find((each) => each.name === name)?.state ?? null;
    if (found === null || !byId<HTMLInputElement>("brightness").checked) return found;
    return found.map((each: SentenceState, at) => at === stretchAt ? present[at] : each);
  }
}
