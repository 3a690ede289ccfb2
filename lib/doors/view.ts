/**
 * Sheets as files, themes and other front ends. Nothing is defined here.
 * @module
 */

// view
import "../host/deno.ts";
import "../view/displayed_values.ts";

export { type BeforeAfterOptions, beforeAfterSheet, type SheetFindings } from "../view/before_after_sheet.ts";
export { captionPicture, type CaptionPictureOptions, type PictureCaption } from "../view/caption_picture.ts";
export { type CellProgress, cellProgress } from "../view/cell_progress.ts";
export { type Theme, type ThemeName, themes } from "../view/palette.ts";
export { reportHtml } from "../view/report_html.ts";
export { type EncodedPicture, encodeSheet, type EncodeSheetOptions, type Sheet } from "../view/sheet.ts";
export { type Display, type DisplayMessage, displayTo } from "../view/display.ts";
export type { InteractiveView, Showable } from "../view/show.ts";
export { thumbnail, type ThumbnailOptions } from "../view/thumbnail.ts";
