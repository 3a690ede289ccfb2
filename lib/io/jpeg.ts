/** JPEG (ITU-T T.81) for small pictures on the web and previews in pages; full colour resolution, 8 bits, sRGB. */
import jpeg from "jpeg-js";
import { type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { firstRowOnTop } from "./orientation.ts";

/** 8-bit samples to encode, pixel by pixel. */
export interface JpegSamples {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Samples a pixel: 1 gray, 3 red, green, blue. */
  readonly channels: 1 | 3;
  /** width × height × channels samples. */
  readonly samples: Uint8Array;
}

/** Options of {@linkcode encodeJpeg}. */
export interface EncodeJpegOptions {
  /** 1 (smallest) … 100 (finest). */
  readonly quality: number;
}

/**
 * What {@linkcode encodeJpeg} uses for an option left out: at 90 no block edge shows in a smooth sky (our own look at
 * demo pictures).
 */
export const encodeJpegDefaults: EncodeJpegOptions = Object.freeze({ quality: 90 });

/**
 * A picture as JPEG bytes, baseline, colour not subsampled (star colours live in single pixels).
 *
 * In: a display image of one (gray) or three planes (red, green, blue), or 8-bit samples; first stored row on top
 * unless the image's header says ROWORDER = 'BOTTOM-UP'; NaN becomes black. The loss is visible only when enlarged,
 * but it is there: keep the PNG for further work.
 *
 * @throws {TypeError} if the image is linear or has neither one nor three planes
 * @throws {RangeError} if quality is outside 1 … 100
 *
 * Source: ITU-T T.81 (1992), through jpeg-js.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { encodeJpeg } from "faintlight/io";
 *
 * const bytes = encodeJpeg(constantImage(16, 16, 0.5, { unit: "display" }), { quality: 80 });
 * assert.deepEqual([bytes[0], bytes[1]], [0xff, 0xd8]);
 * ```
 */
export function encodeJpeg(source: Image | JpegSamples, options: Partial<EncodeJpegOptions> = {}): Uint8Array {
  const { quality } = settle("encodeJpeg", encodeJpegDefaults, options);
  if (!(quality >= 1 && quality <= 100)) {
    throw new RangeError(`encodeJpeg: quality must be 1 … 100, but got ${quality}`);
  }
  const { width, height } = source;
  const rgba = new Uint8Array(width * height * 4).fill(255);
  if ("samples" in source) {
    const { channels, samples } = source;
    for (let i = 0, from = 0, at = 0; i < width * height; i++, from += channels, at += 4) {
      rgba[at] = samples[from];
      rgba[at + 1] = samples[channels === 1 ? from : from + 1];
      rgba[at + 2] = samples[channels === 1 ? from : from + 2];
    }
  } else {
    requireDisplay("encodeJpeg", source);
    const count = source.planes.length;
    if (count !== 1 && count !== 3) {
      throw new TypeError(`encodeJpeg: image must have 1 or 3 planes, but got ${count}; choose or map channels`);
    }
    const topDown = firstRowOnTop(source.header);
    for (let c = 0; c < 3; c++) {
      const data = source.planes[count === 1 ? 0 : c].data;
      for (let y = 0, i = 0; y < height; y++) {
        const row = topDown ? y : height - 1 - y;
        for (let x = 0, at = 4 * row * width + c; x < width; x++, i++, at += 4) {
          const v = data[i];
          rgba[at] = v >= 1 ? 255 : v > 0 ? Math.round(v * 255) : 0;
        }
      }
    }
  }
  return new Uint8Array(jpeg.encode({ width, height, data: rgba }, Math.round(quality)).data);
}
