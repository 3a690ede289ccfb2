/** What a page of the workbench is made for: the image's own numbers and texts. */
import type { PackedPicture, StripAxis } from "./messages.ts";
import type { Sentence } from "./sentence.ts";

/** What the kernel gives the page. */
export interface WorkbenchContent {
  /** Name of the variable that holds the image. */
  readonly name: string;
  /** Name of the stack in a recipe: `colour`, or its one channel. */
  readonly stack: string;
  /** Whether stored rows run downwards. */
  readonly topDown: boolean;
  /** The pictures that travel with the page; the first is shown first. */
  readonly pictures: readonly PackedPicture[];
  readonly sentences: readonly Sentence[];
  readonly axis: StripAxis;
}
