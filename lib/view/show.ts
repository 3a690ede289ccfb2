/**
 * One way to put anything on a notebook's page. Three facts of the Deno kernel shape it: an output of many megabytes
 * hangs the kernel for good, an output sent just before a cell ends can be lost unless the thread rests a moment
 * behind it, and a notebook that was run elsewhere opens untrusted and drops HTML but keeps `image/png`. So: a size
 * limit, a rest, and a picture before anything interactive.
 */
import { type Image, isLinear } from "../core/image.ts";
import { imageView } from "./image_view.ts";
import { base64, type EncodedPicture, encodeSheet, type Sheet } from "./sheet.ts";
import { type Cell, table } from "./table.ts";

/** A view with controls: a picture for every reader, and a page that works where scripts are allowed. */
export interface InteractiveView {
  /** What a reader sees who cannot run it. */
  readonly sheet: Sheet;
  /** HTML that stands alone; it is shown in a frame of its own. */
  readonly html: string;
  /** Height of the frame, CSS pixels. */
  readonly height: number;
}

/** What can be shown. */
export type Showable =
  | Sheet
  | EncodedPicture
  | InteractiveView
  | Image
  | readonly Readonly<Record<string, Cell>>[]
  | string;

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
const LIMIT = 1_000_000;
/**
 * A picture of more characters than this as PNG is sent as JPEG: a notebook of a dozen sheets stays below 2 MB that
 * way.
 */
const PNG_LIMIT = 150_000;
/** Characters a JPEG may have: below it is coarser first, then smaller. */
const JPEG_LIMIT = 170_000;
/** What a photograph at quality 72, where text on it is still clean, takes of its size at quality 88. */
const COARSER = 0.6;
/** Milliseconds of rest behind an output; 5 were enough in 200 of 200 trials. */
const REST_MS = 12;

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
    Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, REST_MS);
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

/**
 * Picture of a sheet that fits a notebook: PNG where it is small, else JPEG, coarser and at last smaller until it
 * fits.
 */
function fittingPicture(sheet: Sheet): EncodedPicture {
  const small = (picture: EncodedPicture, limit: number) => picture.bytes.length * 4 / 3 <= limit;
  const png = encodeSheet(sheet);
  if (small(png, PNG_LIMIT)) return png;
  const fine = encodeSheet(sheet, { format: "jpeg", quality: 88 });
  if (small(fine, JPEG_LIMIT)) return fine;
  const excess = COARSER * fine.bytes.length * 4 / 3 / JPEG_LIMIT;
  let zoom = Math.min(1, 1 / Math.sqrt(excess));
  let made = fine;
  do {
    made = encodeSheet(sheet, { format: "jpeg", quality: 72, zoom });
    zoom *= 0.9;
  } while (!small(made, JPEG_LIMIT) && zoom > 0.2);
  return made;
}

function send(display: Display, data: Readonly<Record<string, string>>): void {
  const size = Object.values(data).reduce((sum, each) => sum + each.length, 0);
  if (size > LIMIT) {
    throw new RangeError(
      `show: an output must be at most ${LIMIT} characters, because larger ones hang the kernel, but got ${size}; show a smaller part`,
    );
  }
  display({ type: "display_data", data, displayId: null });
}

const pictureData = (picture: EncodedPicture): Readonly<Record<string, string>> => ({
  [picture.type]: base64(picture.bytes),
  "text/plain": picture.alternativeText,
});

/** A page in a frame that can reach nothing around it, so that several views on one page never meet. */
export function framed(view: InteractiveView): string {
  const quoted = (text: string) => text.replaceAll("&", "&amp;").replaceAll('"', "&quot;");
  const source = quoted(view.html);
  const words = quoted(view.sheet.alternativeText);
  return `<iframe title="${words}" sandbox="allow-scripts" style="width:100%;height:${view.height}px;border:0" srcdoc="${source}"></iframe>`;
}

/**
 * Put something on the notebook's page: a sheet, a picture, an image, a table of rows, a view with controls, a text.
 * Outside a notebook its words go to the console. Synchronous: when it returns the output is on its way, also in the
 * middle of a long cell.
 *
 * @param items what to show, in order
 * @throws {RangeError} if an output would exceed a megabyte
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, imageView, show } from "faintlight";
 * import { displayTo } from "faintlight/view";
 *
 * const kinds: string[] = [];
 * displayTo((message) => kinds.push(Object.keys(message.data)[0]));
 * show(imageView(constantImage(40, 30, 7)), "even sky");
 * displayTo(null);
 * assert.deepEqual(kinds, ["image/png", "text/plain"]);
 * ```
 */
export function show(...items: readonly Showable[]): void {
  const display = currentDisplay();
  for (const item of items) {
    if (typeof item === "string") {
      if (display === null) console.log(item);
      else send(display, { "text/plain": item });
    } else if (Array.isArray(item)) {
      show(table(item as readonly Readonly<Record<string, Cell>>[]));
    } else if ("planes" in item) {
      show(imageView(item, { title: isLinear(item) ? "" : "Picture" }));
    } else if ("html" in item) {
      show(item.sheet);
      if (display !== null) send(display, { "text/html": framed(item), "text/plain": item.sheet.alternativeText });
    } else if (display === null) {
      console.log((item as Sheet | EncodedPicture).alternativeText);
    } else {
      send(display, pictureData("bytes" in item ? item : fittingPicture(item as Sheet)));
    }
  }
}
