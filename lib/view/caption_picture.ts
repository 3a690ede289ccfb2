/** A finished picture at the size of a web page, with what people ask first set below it. */
import { type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { encodeJpeg } from "../io/jpeg.ts";
import { encodePng16 } from "../io/png.ts";
import { channelLabel } from "./palette.ts";
import { drawPreview, makePreview } from "./preview.ts";
import { rasterise } from "./rasteriser.ts";
import type { EncodedPicture } from "./sheet.ts";
import { fitText, formatDuration, formatNumber, round, textElement, textWidth } from "./text.ts";

/** What stands below a picture; what is unknown is left out. */
export interface PictureCaption {
  /** Name of the object. */
  readonly object: string;
  /** Exposure in all, seconds; `null` leaves it out. */
  readonly totalExposureSeconds: number | null;
  /** Filters or channels with their exposure in seconds, `null` where unknown. */
  readonly filters: readonly { readonly name: string; readonly seconds: number | null }[];
  /** Telescope and camera. */
  readonly rig: string;
  /** When: `3 October 2026`. */
  readonly date: string;
  /** Who made it, and where. */
  readonly credit: string;
  /**
   * Arcseconds a pixel of the image, for the scale bar; `"automatic"` takes the image's own, and no bar is drawn when
   * that is unknown.
   */
  readonly arcsecPerPixel: number | "automatic";
}

/** What a caption holds when nothing is said. */
const emptyCaption: PictureCaption = Object.freeze({
  object: "",
  totalExposureSeconds: null,
  filters: Object.freeze([]),
  rig: "",
  date: "",
  credit: "",
  arcsecPerPixel: "automatic",
});

/** Options of {@linkcode captionPicture}. */
export interface CaptionPictureOptions {
  /** Longer side of the picture in pixels; a smaller image keeps its size. */
  readonly longerSide: number;
  /** `jpeg` for the web, `png` to keep every pixel. */
  readonly format: "jpeg" | "png";
  /** Quality of a JPEG, 1 … 100. */
  readonly quality: number;
}

/** What {@linkcode captionPicture} uses for an option left out. */
export const captionPictureDefaults: CaptionPictureOptions = Object.freeze({
  longerSide: 1600,
  format: "jpeg",
  quality: 91,
});

/** Lengths a scale bar may have, arcseconds, with their names. */
const barLengths: readonly (readonly [number, string])[] = [
  ...[1, 2, 5, 10, 20, 30].map((seconds) => [seconds, `${seconds} arcsec`] as const),
  ...[1, 2, 5, 10, 15, 20, 30].map((minutes) => [60 * minutes, `${minutes} arcmin`] as const),
  ...[1, 2, 5, 10].map((degrees) => [3600 * degrees, `${degrees}°`] as const),
];

/** The longest named length that fits a share of the width; `null` when none does. */
export function chooseScaleBar(
  arcsecPerPixel: number,
  pixels: number,
): { readonly arcsec: number; readonly name: string } | null {
  const fitting = barLengths.filter(([arcsec]) => arcsec / arcsecPerPixel <= pixels);
  const found = fitting[fitting.length - 1];
  return found === undefined ? null : { arcsec: found[0], name: found[1] };
}

const stripInk = "#f2efe9";
const stripQuietInk = "#a7a59f";
const stripBackground = "#0b0c0f";
/** Width of a picture at which the strip has its full size. */
const fullWidth = 1600;
/** A scale bar is at most this share of the width. */
const barShare = 0.16;

/** The strip below the picture. */
interface Strip {
  readonly width: number;
  readonly height: number;
  /** Size of everything in it: it grows with the picture, but stays readable. */
  readonly unit: number;
  readonly margin: number;
}

function stripFor(width: number): Strip {
  const unit = Math.max(0.55, Math.min(1.15, width / fullWidth));
  return { width, height: Math.round(124 * unit), unit, margin: 34 * unit };
}

/** A length with its name. */
type ScaleBar = NonNullable<ReturnType<typeof chooseScaleBar>>;

/** The scale bar at the right, and where the text left of it must end. */
function scaleBarElements(
  bar: ScaleBar,
  arcsecPerPixel: number,
  { width, unit, margin }: Strip,
): { readonly elements: readonly string[]; readonly left: number } {
  const length = bar.arcsec / arcsecPerPixel;
  const left = width - margin - length;
  const y = 62 * unit;
  const tick = 6 * unit;
  const path = `M ${round(left)} ${round(y - tick)} v ${round(2 * tick)} m 0 ${round(-tick)} h ${round(length)} ` +
    `m 0 ${round(-tick)} v ${round(2 * tick)}`;
  const name = { size: 21 * unit, fill: stripInk, anchor: "middle" as const };
  return {
    elements: [
      `<path d="${path}" stroke="${stripInk}" stroke-width="${round(1.6 * unit)}" fill="none"/>`,
      textElement(bar.name, left + length / 2, y - 14 * unit, name),
    ],
    left: left - 40 * unit,
  };
}

/** Filters with their exposures. */
const filterWords = ({ filters }: PictureCaption): string[] =>
  filters.map(({ name, seconds }) => `${channelLabel(name)}${seconds === null ? "" : ` ${formatDuration(seconds)}`}`);

const totalWords = ({ totalExposureSeconds }: PictureCaption): string =>
  totalExposureSeconds === null ? "" : formatDuration(totalExposureSeconds);

/** Exposures in a line: one filter says it all; with several the sum is worth a word. */
function exposureWords(caption: PictureCaption): string {
  const { filters, totalExposureSeconds } = caption;
  const words = filterWords(caption);
  if (filters.length === 1 && filters[0].seconds === totalExposureSeconds) return words[0];
  const total = totalWords(caption);
  const sum = total === "" ? "" : `${total}${filters.length > 1 ? " in all" : ""}`;
  return [words.join("  ·  "), sum].filter((part) => part !== "").join("   —   ");
}

/** Object above; exposures and, to the right, rig, date and credit below it. */
function captionElements(caption: PictureCaption, rightEdge: number, { width, unit, margin }: Strip): string[] {
  const right = [caption.rig, caption.date, caption.credit].filter((part) => part !== "").join("  ·  ");
  const room = width - 2 * margin;
  const large = 42 * unit;
  const small = 20 * unit;
  const rightWidth = Math.min(textWidth(right, small), 0.55 * room);
  const object = fitText(caption.object, large, rightEdge - margin, "title");
  const exposure = fitText(exposureWords(caption), small, room - rightWidth - 30 * unit);
  return [
    textElement(object, margin, 58 * unit, { size: large, fill: stripInk, face: "title" }),
    textElement(exposure, margin, 98 * unit, { size: small, fill: stripInk }),
    textElement(fitText(right, small, rightWidth + 0.5), width - margin, 98 * unit, {
      size: small,
      fill: stripQuietInk,
      anchor: "end",
    }),
  ];
}

/** The strip as pixels. */
function drawStrip(caption: PictureCaption, bar: ScaleBar | null, arcsecPerPixel: number | null, width: number) {
  const strip = stripFor(width);
  const { height } = strip;
  const placed = bar === null || arcsecPerPixel === null ? null : scaleBarElements(bar, arcsecPerPixel, strip);
  const elements = [
    ...placed?.elements ?? [],
    ...captionElements(caption, placed?.left ?? width - strip.margin, strip),
  ];
  const svg =
    `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}">` +
    `<rect width="${width}" height="${height}" fill="${stripBackground}"/>${elements.join("")}</svg>`;
  return rasterise(svg, 1, stripBackground);
}

/** The picture in words: object, exposure, scale bar, filters, field. */
function pictureWords(
  caption: PictureCaption,
  bar: ScaleBar | null,
  field: { readonly width: number; readonly height: number } | null,
): string {
  const total = totalWords(caption);
  const what = [caption.object, total === "" ? "" : `${total} exposure`].filter((part) => part !== "").join(", ");
  return [
    what === "" ? "Picture" : what,
    ...(bar === null ? [] : [`scale bar ${bar.name}`]),
    ...filterWords(caption),
    ...(field === null ? [] : [`field ${formatNumber(field.width, 3)}′ × ${formatNumber(field.height, 3)}′`]),
  ].join("; ");
}

function checkPicture(image: Image, longerSide: number): void {
  requireDisplay("captionPicture", image);
  if (image.planes.length !== 1 && image.planes.length !== 3) {
    throw new TypeError(
      `captionPicture: image must have 1 or 3 planes, but got ${image.planes.length}; choose or map channels`,
    );
  }
  if (!(longerSide >= 200)) {
    throw new RangeError(`captionPicture: longerSide must be ≥ 200 pixels, but got ${longerSide}`);
  }
}

/**
 * A finished picture at web size with a caption strip: object, exposure, filters, rig, date, credit, and a scale bar
 * in arcseconds, arcminutes or degrees. The right way up: the first stored row on top unless ROWORDER says otherwise.
 *
 * In: a display image of one or three planes. Out: encoded bytes with an alternative text. Cost: one pass and the
 * encoding.
 *
 * @param image the finished picture
 * @param caption what stands below it; what is left out is not printed
 * @param options size and format
 * @throws {TypeError} if the image is linear or has neither one nor three planes
 * @throws {RangeError} if the longer side is under 200 pixels or quality is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { captionPicture } from "faintlight/view";
 *
 * const image = constantImage(400, 300, 0.1, { unit: "display", channels: ["R", "G", "B"] });
 * const picture = captionPicture(image, { object: "Lantern Nebula", totalExposureSeconds: 7200, arcsecPerPixel: 2 });
 * assert.match(picture.alternativeText, /^Lantern Nebula, 2 h exposure; scale bar 2 arcmin/);
 * ```
 */
export function captionPicture(
  image: Image,
  caption: Partial<PictureCaption> = {},
  options: Partial<CaptionPictureOptions> = {},
): EncodedPicture {
  const told = settle("captionPicture", emptyCaption, caption);
  const { longerSide, format, quality } = settle("captionPicture", captionPictureDefaults, options);
  checkPicture(image, longerSide);
  const preview = makePreview(image, { width: longerSide, height: longerSide });
  const { width, height } = preview;
  const pixels = drawPreview(preview, { kind: "none" });

  const own = told.arcsecPerPixel === "automatic" ? image.geometry.arcsecPerPixel : told.arcsecPerPixel;
  const scale = own === null ? null : own * image.width / width;
  const bar = scale === null ? null : chooseScaleBar(scale, barShare * width);
  const strip = drawStrip(told, bar, scale, width);
  const samples = new Uint8Array(pixels.length + strip.samples.length);
  samples.set(pixels);
  samples.set(strip.samples, pixels.length);

  const field = scale === null ? null : { width: width * scale / 60, height: height * scale / 60 };
  const alternativeText = pictureWords(told, bar, field);
  const whole = { width, height: height + strip.height, channels: 3 as const, samples };
  const bytes = format === "jpeg"
    ? encodeJpeg(whole, { quality })
    : encodePng16(whole, { text: { Title: told.object, Description: alternativeText } });
  const type = format === "jpeg" ? "image/jpeg" : "image/png";
  return { bytes, type, width, height: whole.height, alternativeText };
}
