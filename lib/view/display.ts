/**
 * Where outputs go. Three facts of the Deno kernel shape it: an output of many megabytes hangs the kernel for good, an
 * output sent just before a cell ends can be lost unless the thread rests a moment behind it, and a notebook that was
 * run elsewhere opens untrusted and drops HTML but keeps pictures. So: a size limit, a rest, and a picture before
 * anything interactive.
 */
import type { MediaBundle } from "../core/display.ts";

/** A message to a front end, as Jupyter's protocol has it. */
export interface DisplayMessage {
  /** `display_data` for a new output, `update_display_data` for a changed one. */
  readonly type: "display_data" | "update_display_data";
  /** Contents by media type. */
  readonly data: Readonly<Record<string, string>>;
  /** Name under which the output can be changed; `null` for none. */
  readonly displayId: string | null;
}

/** Where messages go. */
export type Display = (message: DisplayMessage) => void;

/** Most characters of one output. */
const maximumCharacters = 1_000_000;
/** Milliseconds of rest behind an output; 5 were enough in 200 of 200 trials. */
const restMilliseconds = 12;

interface JupyterHost {
  readonly jupyter?: {
    broadcast(type: string, content: Readonly<Record<string, unknown>>): Promise<void>;
  };
}

/**
 * The kernel's display, `null` outside a notebook. Asking a plain Deno for it throws, so the question is put
 * carefully.
 */
function kernelDisplay(): Display | null {
  const host = (globalThis as { readonly Deno?: JupyterHost }).Deno;
  let jupyter: JupyterHost["jupyter"];
  try {
    jupyter = host?.jupyter;
  } catch {
    return null;
  }
  if (jupyter === undefined || typeof jupyter.broadcast !== "function") return null;
  const { broadcast } = jupyter;
  return ({ type, data, displayId }) => {
    const transient = displayId === null ? {} : { display_id: displayId };
    void broadcast(type, { data, metadata: {}, transient });
    Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, restMilliseconds);
  };
}

let chosen: Display | null = null;

/**
 * Send outputs to a function instead of the notebook's page: for tests and other front ends. `null` goes back to the
 * notebook.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { show } from "faintlight";
 * import { displayTo } from "faintlight/view";
 *
 * const seen: string[] = [];
 * displayTo((message) => seen.push(message.data["text/plain"]));
 * show("12 frames kept");
 * displayTo(null);
 * assert.deepEqual(seen, ["12 frames kept"]);
 * ```
 */
export function displayTo(display: Display | null): void {
  chosen = display;
}

/** Where outputs go now; `null` when there is no notebook. */
export const currentDisplay = (): Display | null => chosen ?? kernelDisplay();

/** An output that is small enough to be sent. */
export function checkedBundle(data: MediaBundle): MediaBundle {
  const size = Object.values(data).reduce((sum, each) => sum + each.length, 0);
  if (size > maximumCharacters) {
    throw new RangeError(
      `show: an output must be at most ${maximumCharacters} characters, because larger ones hang the kernel, ` +
        `but got ${size}; show a smaller part`,
    );
  }
  return data;
}

/** Send a new output. */
export const sendBundle = (display: Display, data: MediaBundle): void =>
  display({ type: "display_data", data: checkedBundle(data), displayId: null });
