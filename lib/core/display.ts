/**
 * How values show themselves in a notebook. The core marks a value and knows nothing of drawing; the view room says how
 * each kind is drawn. The mark is a property that is not enumerable, under the symbol that the kernel asks for: copies,
 * JSON, digests, workers and equality do not see it.
 */

/** Contents of an output by media type. */
export type MediaBundle = Readonly<Record<string, string>>;

/**
 * The name under which a notebook's kernel asks a value to show itself; a value of one's own may answer to it.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { show } from "faintlight";
 * import { displaySymbol } from "faintlight/extend";
 * import { displayTo } from "faintlight/view";
 *
 * const own = { [displaySymbol]: () => ({ "text/plain": "12 frames kept" }) };
 * const seen: string[] = [];
 * displayTo((message) => seen.push(message.data["text/plain"]));
 * show(own);
 * displayTo(null);
 * assert.deepEqual(seen, ["12 frames kept"]);
 * ```
 */
export const displaySymbol: unique symbol = Symbol.for("Jupyter.display");

/** A value that shows itself as the last line of a cell. */
export interface Displayed {
  /** What the kernel puts on the page. */
  readonly [displaySymbol]: () => MediaBundle;
}

/** Kinds of the values marked so far. */
const kinds = new WeakMap<object, string>();
let drawn: ((value: object) => MediaBundle) | null = null;

/** Called by the kernel; without a view room the value tells its kind alone. */
function showItself(this: object): MediaBundle {
  return drawn === null ? { "text/plain": displayKind(this) ?? "value" } : drawn(this);
}

/**
 * Let a value show itself. Call it before freezing.
 *
 * @param kind what it is, for the view that draws it: `image`, `effect`
 * @param value a new value; a copy made by spreading does not show itself
 */
export function displayed<T extends object>(kind: string, value: T): T & Displayed {
  kinds.set(value, kind);
  Object.defineProperty(value, displaySymbol, { value: showItself });
  return value as T & Displayed;
}

/** The kind that a value was marked with; `null` for none. */
export const displayKind = (value: object): string | null => kinds.get(value) ?? null;

/** Say how marked values are drawn; the view room does when it is loaded. */
export function drawDisplayed(draw: (value: object) => MediaBundle): void {
  drawn = draw;
}
