/** From an image to what a screen and a strip of brightness show of it. */
import type { Image } from "../core/image.ts";
import { firstRowOnTop } from "../io/orientation.ts";
import type { PictureLevel, StripAxis } from "./messages.ts";

/** Planes that stand for red, green and blue: all three, or the first for each. */
const screenPlanes = ({ planes }: Image): readonly Float32Array[] =>
  [0, 1, 2].map((c) => planes[planes.length >= 3 ? c : 0].data);

/** First sample of a row of the screen. */
const rowStart = (image: Image, row: number): number =>
  (firstRowOnTop(image.header) ? row : image.height - 1 - row) * image.width;

/**
 * Red, green, blue and cover of each pixel, first row on top; without data a pixel keeps its zeros.
 *
 * @param level what a sample is on the screen
 * @param cover of a pixel with data
 */
function fillScreen(
  image: Image,
  out: Uint8ClampedArray | Float32Array,
  level: (sample: number) => number,
  cover: number,
): void {
  const { width, height } = image;
  const [red, green, blue] = screenPlanes(image);
  for (let row = 0; row < height; row++) {
    const from = rowStart(image, row);
    for (let x = 0; x < width; x++) {
      const i = from + x;
      const at = 4 * (row * width + x);
      if (Number.isNaN(red[i] + green[i] + blue[i])) continue;
      out[at] = level(red[i]);
      out[at + 1] = level(green[i]);
      out[at + 2] = level(blue[i]);
      out[at + 3] = cover;
    }
  }
}

/** A finished picture in 8 bits, first row on top; without data a pixel is transparent. */
export function drawnPixels(image: Image): Uint8ClampedArray<ArrayBuffer> {
  const pixels = new Uint8ClampedArray(4 * image.width * image.height);
  fillScreen(image, pixels, (sample) => Math.round(255 * sample), 255);
  return pixels;
}

/** Shares of the samples of a finished picture that are 0 and 1. */
export function clippedShares({ planes }: Image): readonly [black: number, white: number] {
  let black = 0;
  let white = 0;
  let count = 0;
  for (const { data } of planes) {
    for (const value of data) {
      if (value !== value) continue;
      count++;
      if (value <= 0) black++;
      else if (value >= 1) white++;
    }
  }
  return [black / count, white / count];
}

/** Linear levels as a screen takes them. */
function wholeLevel(image: Image): PictureLevel {
  const { width, height } = image;
  const samples = new Float32Array(4 * width * height);
  fillScreen(image, samples, (sample) => sample, 1);
  return { width, height, samples };
}

/** Means over 2 × 2 pixels, those without data left out. */
function halved({ width, height, samples }: PictureLevel): PictureLevel {
  const half = { width: Math.ceil(width / 2), height: Math.ceil(height / 2) };
  const out = new Float32Array(4 * half.width * half.height);
  for (let y = 0; y < half.height; y++) {
    for (let x = 0; x < half.width; x++) {
      const at = 4 * (y * half.width + x);
      for (const row of [2 * y, Math.min(2 * y + 1, height - 1)]) {
        for (const column of [2 * x, Math.min(2 * x + 1, width - 1)]) {
          const from = 4 * (row * width + column);
          for (let c = 0; c < 4; c++) out[at + c] += samples[from + c];
        }
      }
      const count = out[at + 3];
      if (count > 0) { for (let c = 0; c < 4; c++) out[at + c] /= count; }
    }
  }
  return { ...half, samples: out };
}

/** Longest side of the smallest level, pixels. */
const smallestLevel = 400;

/** A linear image at 1, 1/2, 1/4 … of its size. */
export function pictureLevels(image: Image): readonly PictureLevel[] {
  const levels = [wholeLevel(image)];
  for (let last = levels[0]; Math.max(last.width, last.height) > smallestLevel; last = levels[levels.length - 1]) {
    levels.push(halved(last));
  }
  return levels;
}

/** Steps along the strip. */
export const stripBins = 512;

/** Where a level lies along the strip, 0 … 1 between its ends. */
export function stripPlace(level: number, { sky, noise, ends }: StripAxis): number {
  return (Math.asinh((level - sky) / (3 * noise)) - ends[0]) / (ends[1] - ends[0]);
}

/** The level at a place along the strip. */
export function stripLevel(place: number, { sky, noise, ends }: StripAxis): number {
  return sky + 3 * noise * Math.sinh(ends[0] + place * (ends[1] - ends[0]));
}

/** The strip of a linear image: from ten noises below the sky to its highest sample. */
export function stripAxis(image: Image, sky: number, noise: number): StripAxis {
  let highest = sky + 100 * noise;
  for (const { data } of image.planes) for (const value of data) if (value > highest) highest = value;
  return { sky, noise, ends: [Math.asinh(-10 / 3), Math.asinh((highest - sky) / (3 * noise))] };
}

/** Samples along the strip, one list a channel; what lies beyond an end is counted there. */
export function stripCounts(planes: readonly Float32Array[], axis: StripAxis): readonly Uint32Array[] {
  return planes.map((data) => {
    const counts = new Uint32Array(stripBins);
    for (const value of data) {
      if (value !== value) continue;
      counts[Math.max(0, Math.min(stripBins - 1, Math.floor(stripBins * stripPlace(value, axis))))]++;
    }
    return counts;
  });
}
