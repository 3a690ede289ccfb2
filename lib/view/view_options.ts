/** Options that all views share. */
import type { Region } from "../core/geometry.ts";
import type { ThemeName } from "./palette.ts";

/** What every view of an image takes; a view that has no use for one of them leaves it out of its own options. */
export interface ViewOptions {
  /** Heading; `""` for none. */
  readonly title: string;
  /** Width of the sheet, drawing units (CSS pixels). */
  readonly width: number;
  /** Channel to show; `"automatic"` shows two or three planes together and else the first. */
  readonly channel: string;
  /** Part to show, stored pixels; `null` for the whole. */
  readonly region: Region | null;
  /**
   * How linear data are made visible: `automatic` brightens for the screen, `linear` shows them in proportion. A
   * finished picture is shown as it is.
   */
  readonly stretch: "automatic" | "linear";
  /** Colours. */
  readonly theme: ThemeName;
}

/** What a view of something other than an image takes. */
export type SheetOptions = Pick<ViewOptions, "title" | "width" | "theme">;

/** The defaults that views share; each has a title and a width of its own. */
export const sharedViewOptions: Omit<ViewOptions, "title" | "width"> = Object.freeze({
  channel: "automatic",
  region: null,
  stretch: "automatic",
  theme: "light",
});
