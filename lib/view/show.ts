/** One way to put anything on a notebook's page. */
import { type Displayed, displayKind, displaySymbol, drawDisplayed, type MediaBundle } from "../core/display.ts";
import type { Image } from "../core/image.ts";
import type { Effect } from "../effect/measure_effect.ts";
import type { StarList } from "../stars/detect_stars.ts";
import { checkedBundle, currentDisplay, sendBundle } from "./display.ts";
import { imageWithHistogram } from "./image_with_histogram.ts";
import { base64, type EncodedPicture, encodeSheet, type Sheet } from "./sheet.ts";
import { type Row, table } from "./table.ts";

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
  | StarList
  | Effect
  | Displayed
  | readonly Row[]
  | string;

/**
 * A picture of more characters than this as PNG is sent as JPEG: a notebook of a dozen sheets stays below 2 MB that
 * way.
 */
const maximumPngCharacters = 150_000;
/** Characters a JPEG may have: below it is coarser first, then smaller. */
const maximumJpegCharacters = 170_000;
/** What a photograph at quality 72, where text on it is still clean, takes of its size at quality 88. */
const coarserShare = 0.6;

/**
 * Picture of a sheet that fits a notebook: PNG where it is small, else JPEG, coarser and at last smaller until it
 * fits.
 */
function fittingPicture(sheet: Sheet): EncodedPicture {
  const small = (picture: EncodedPicture, limit: number) => picture.bytes.length * 4 / 3 <= limit;
  const png = encodeSheet(sheet);
  if (small(png, maximumPngCharacters)) return png;
  const fine = encodeSheet(sheet, { format: "jpeg", quality: 88 });
  if (small(fine, maximumJpegCharacters)) return fine;
  const excess = coarserShare * fine.bytes.length * 4 / 3 / maximumJpegCharacters;
  let zoom = Math.min(1, 1 / Math.sqrt(excess));
  let made = fine;
  do {
    made = encodeSheet(sheet, { format: "jpeg", quality: 72, zoom });
    zoom *= 0.9;
  } while (!small(made, maximumJpegCharacters) && zoom > 0.2);
  return made;
}

/** A page in a frame that can reach nothing around it, so that several views on one page never meet. */
export function framed(view: InteractiveView): string {
  const quoted = (text: string) => text.replaceAll("&", "&amp;").replaceAll('"', "&quot;");
  const source = quoted(view.html);
  const words = quoted(view.sheet.alternativeText);
  const style = `width:100%;height:${view.height}px;border:0`;
  const rights = "allow-scripts allow-downloads";
  return `<iframe title="${words}" sandbox="${rights}" style="${style}" srcdoc="${source}"></iframe>`;
}

/** One output: its words, and its contents when there is a page to put them on. */
interface Output {
  /** What is printed outside a notebook; `""` for nothing. */
  readonly words: string;
  readonly bundle: () => MediaBundle;
}

const textOutput = (words: string): Output => ({ words, bundle: () => ({ "text/plain": words }) });

function pictureOutput(shown: Sheet | EncodedPicture): Output {
  const words = shown.alternativeText;
  return {
    words,
    bundle: () => {
      const { type, bytes } = "bytes" in shown ? shown : fittingPicture(shown);
      return { [type]: base64(bytes), "text/plain": words };
    },
  };
}

/** The page of a view with controls; its picture comes before it and says the words. */
const pageOutput = (view: InteractiveView): Output => ({
  words: "",
  bundle: () => ({ "text/html": framed(view), "text/plain": view.sheet.alternativeText }),
});

/** How each kind of value that shows itself is drawn. */
const views = new Map<string, (value: object) => readonly Showable[]>();

/**
 * Say how values of a kind are shown; `displayed` of the core gives a value its kind.
 *
 * @param kind the name that `displayed` was given
 * @param view what to show for a value, in order, a still picture first
 */
export function registerView<T extends object>(kind: string, view: (value: T) => readonly Showable[]): void {
  views.set(kind, view as (value: object) => readonly Showable[]);
}

/** What a value puts on the page, in order. */
function outputsOf(item: Showable): readonly Output[] {
  if (typeof item === "string") return [textOutput(item)];
  if (Array.isArray(item)) return [pictureOutput(table(item as readonly Row[]))];
  if ("planes" in item) return [pictureOutput(imageWithHistogram(item))];
  if ("html" in item) return [pictureOutput(item.sheet), pageOutput(item)];
  if ("svg" in item || "bytes" in item) return [pictureOutput(item)];
  const view = views.get(displayKind(item) ?? "");
  if (view !== undefined) return view(item).flatMap(outputsOf);
  if (displaySymbol in item) {
    const bundle = item[displaySymbol]();
    return [{ words: bundle["text/plain"] ?? "", bundle: () => bundle }];
  }
  throw new TypeError(
    "show: value must be a sheet, a picture, an image, rows, a text or a value that shows itself, " +
      `but got an object with ${Object.keys(item).join(", ")}; show a table of its numbers`,
  );
}

// a value on the last line of a cell: all but its last output are sent, the last is the cell's result
drawDisplayed((value) => {
  const outputs = outputsOf(value as Showable);
  const display = currentDisplay();
  if (display !== null) { for (const { bundle } of outputs.slice(0, -1)) sendBundle(display, bundle()); }
  return checkedBundle(outputs[outputs.length - 1].bundle());
});

/**
 * Put something on the notebook's page: a sheet, a picture, an image with its histogram, a table of rows, a view with
 * controls, a text, or any value that shows itself as the last line of a cell, drawn the same way. Outside a notebook
 * its words go to the console. Synchronous: when it returns the output is on its way, also in the
 * middle of a long cell.
 *
 * @param items what to show, in order
 * @throws {RangeError} if an output would exceed a megabyte
 * @throws {TypeError} if a value is nothing that can be shown
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
  for (const { words, bundle } of items.flatMap(outputsOf)) {
    if (display !== null) sendBundle(display, bundle());
    else if (words !== "") console.log(words);
  }
}
