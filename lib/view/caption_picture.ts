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

/** Options of {@linkcode captionPicture}. */
export interface CaptionPictureOptions {
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
   * Arcseconds a pixel of the image, for the scale bar; `null` takes the image's own, and no bar is drawn when that is
   * unknown.
   */
  readonly arcsecPerPixel: number | null;
  /** Longer side of the picture in pixels; a smaller image keeps its size. */
  readonly longerSide: number;
  /** `jpeg` for the web, `png` to keep every pixel. */
  readonly format: "jpeg" | "png";
  /** Quality of a JPEG, 1 … 100. */
  readonly quality: number;
}

/** What {@linkcode captionPicture} uses for an option left out. */
export const captionPictureDefaults: CaptionPictureOptions = Object.freeze({
  object: "",
  totalExposureSeconds: null,
  filters: Object.freeze([]),
  rig: "",
  date: "",
  credit: "",
  arcsecPerPixel: null,
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

const INK = "#f2efe9";
const QUIET = "#a7a59f";
const STRIP = "#0b0c0f";

/**
 * A finished picture at web size with a caption strip: object, exposure, filters, rig, date, credit, and a scale bar
 * in arcseconds, arcminutes or degrees. The right way up: the first stored row on top unless ROWORDER says otherwise.
 *
 * In: a display image of one or three planes. Out: encoded bytes with an alternative text. Cost: one pass and the
 * encoding.
 *
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
export function captionPicture(image: Image, options: Partial<CaptionPictureOptions> = {}): EncodedPicture {
  const used = settle("captionPicture", captionPictureDefaults, options);
  requireDisplay("captionPicture", image);
  if (image.planes.length !== 1 && image.planes.length !== 3) {
    throw new TypeError(
      `captionPicture: image must have 1 or 3 planes, but got ${image.planes.length}; choose or map channels`,
    );
  }
  if (!(used.longerSide >= 200)) {
    throw new RangeError(`captionPicture: longerSide must be ≥ 200 pixels, but got ${used.longerSide}`);
  }
  const preview = makePreview(image, { width: used.longerSide, height: used.longerSide });
  const { width, height } = preview;
  const pixels = drawPreview(preview, { kind: "none" });

  const unit = Math.max(0.55, Math.min(1.15, width / 1600)); // the strip grows with the picture, but stays readable
  const margin = 34 * unit;
  const stripHeight = Math.round(124 * unit);
  const arcsecPerPixel = used.arcsecPerPixel ?? image.geometry.arcsecPerPixel;
  const scale = arcsecPerPixel === null ? null : arcsecPerPixel * image.width / width;
  const bar = scale === null ? null : chooseScaleBar(scale, 0.16 * width);
  const elements: string[] = [];
  let rightEdge = width - margin;
  if (bar !== null && scale !== null) {
    const length = bar.arcsec / scale;
    const left = rightEdge - length;
    const y = 62 * unit;
    const tick = 6 * unit;
    elements.push(
      `<path d="M ${round(left)} ${round(y - tick)} v ${round(2 * tick)} m 0 ${round(-tick)} h ${round(length)} m 0 ${
        round(-tick)
      } v ${round(2 * tick)}" stroke="${INK}" stroke-width="${round(1.6 * unit)}" fill="none"/>`,
      textElement(bar.name, left + length / 2, y - 14 * unit, { size: 21 * unit, fill: INK, anchor: "middle" }),
    );
    rightEdge = left - 40 * unit;
  }
  const filters = used.filters.map(({ name, seconds }) =>
    `${channelLabel(name)}${seconds === null ? "" : ` ${formatDuration(seconds)}`}`
  );
  const total = used.totalExposureSeconds === null ? "" : formatDuration(used.totalExposureSeconds);
  // one filter says it all; with several the sum is worth a word
  const exposure = used.filters.length === 1 && used.filters[0].seconds === used.totalExposureSeconds
    ? filters[0]
    : [filters.join("  ·  "), total === "" ? "" : `${total}${used.filters.length > 1 ? " in all" : ""}`].filter((
      part,
    ) => part !== "").join("   —   ");
  const second = [used.rig, used.date, used.credit].filter((part) => part !== "").join("  ·  ");
  const room = width - 2 * margin;
  const small = 20 * unit;
  const secondWidth = Math.min(textWidth(second, small), 0.55 * room);
  elements.push(
    textElement(fitText(used.object, 42 * unit, rightEdge - margin, "title"), margin, 58 * unit, {
      size: 42 * unit,
      fill: INK,
      face: "title",
    }),
    textElement(fitText(exposure, small, room - secondWidth - 30 * unit), margin, 98 * unit, {
      size: small,
      fill: INK,
    }),
    textElement(fitText(second, small, secondWidth + 0.5), width - margin, 98 * unit, {
      size: small,
      fill: QUIET,
      anchor: "end",
    }),
  );
  const svg =
    `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${stripHeight}" viewBox="0 0 ${width} ${stripHeight}">` +
    `<rect width="${width}" height="${stripHeight}" fill="${STRIP}"/>${elements.join("")}</svg>`;
  const strip = rasterise(svg, 1, STRIP);
  const samples = new Uint8Array(pixels.length + strip.samples.length);
  samples.set(pixels);
  samples.set(strip.samples, pixels.length);

  const what = [used.object, total === "" ? "" : `${total} exposure`].filter((part) => part !== "").join(", ") ||
    "Picture";
  const words = [what, ...(bar === null ? [] : [`scale bar ${bar.name}`]), ...filters];
  if (scale !== null) {
    words.push(`field ${formatNumber(width * scale / 60, 3)}′ × ${formatNumber(height * scale / 60, 3)}′`);
  }
  const alternativeText = words.join("; ");
  const whole = { width, height: height + strip.height, channels: 3 as const, samples };
  const bytes = used.format === "jpeg"
    ? encodeJpeg(whole, { quality: used.quality })
    : encodePng16(whole, { text: { Title: used.object, Description: alternativeText } });
  return {
    bytes,
    type: used.format === "jpeg" ? "image/jpeg" : "image/png",
    width,
    height: whole.height,
    alternativeText,
  };
}
