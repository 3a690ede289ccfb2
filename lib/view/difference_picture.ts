/** The difference of two previews as a picture, its scale, and the part that differs most. */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { quantile } from "../stats/median.ts";
import { type Block, type Box, box, picture } from "./layout.ts";
import { mixedColour, rgbOf, type Theme } from "./palette.ts";
import { noDataColour, pixelsAddress, type Preview } from "./preview.ts";
import { formatNumber, textElement } from "./text.ts";

/** Mean of the planes' differences where both have data; a grey picture is set against each plane of a coloured one. */
export function differencePlane(before: Preview, after: Preview): Float32Array {
  const out = new Float32Array(before.width * before.height);
  for (let i = 0; i < out.length; i++) {
    let sum = 0;
    for (let p = 0; p < after.planes.length; p++) {
      sum += after.planes[p][i] - before.planes[p % before.planes.length][i];
    }
    out[i] = sum / after.planes.length;
  }
  return out;
}

/** Span of a difference that leaves half a per cent of its pixels saturated; 0 when nothing differs. */
export function differenceSpan(planes: readonly Float32Array[]): number {
  const sizes = planes.map((plane) => quantile(plane.map(Math.abs), 0.995)).filter((size) => size > 0);
  return sizes.length === 0 ? 0 : Math.max(...sizes);
}

/** Cells along the shorter side of the preview in which a difference is summed; they overlap by half. */
const cellsAlong = 12;

/** Centre of the cell of the preview with the largest sum of differences; the middle when none is known. */
function mostChangedCentre(difference: Float32Array | null, { width, height }: Preview): { x: number; y: number } {
  let best = { x: width / 2, y: height / 2, sum: -1 };
  if (difference === null) return best;
  const cell = Math.max(4, Math.round(Math.min(width, height) / cellsAlong));
  for (let y = cell; y + cell < height; y += cell) {
    for (let x = cell; x + cell < width; x += cell) {
      let sum = 0;
      for (let v = y - cell; v < y + cell; v++) {
        for (let u = x - cell; u < x + cell; u++) {
          const d = Math.abs(difference[v * width + u]);
          if (d === d) sum += d;
        }
      }
      if (sum > best.sum) best = { x, y, sum };
    }
  }
  return best;
}

/** The part of the image, `size` pixels wide and five eighths as high, where it changed most. */
export function mostChangedRegion(
  image: Image,
  difference: Float32Array | null,
  preview: Preview,
  size: number,
): Region {
  const width = Math.min(Math.round(size), image.width);
  const height = Math.min(Math.round(size * 0.625), image.height);
  const centre = mostChangedCentre(difference, preview);
  const scale = image.width / preview.width;
  const row = preview.topDown ? centre.y : preview.height - centre.y;
  const place = (middle: number, length: number, whole: number) =>
    Math.round(Math.max(0, Math.min(whole - length, middle * scale - length / 2)));
  return { x: place(centre.x, width, image.width), y: place(row, height, image.height), width, height };
}

/** One colour each for less and more, from the theme, through the panel's colour at no change. */
function differenceColour(theme: Theme): (signed: number) => readonly [number, number, number] {
  const none = rgbOf(theme.panel);
  const less = rgbOf(theme.blue);
  const more = rgbOf(theme.amber);
  return (signed) => mixedColour(none, signed < 0 ? less : more, Math.min(1, Math.abs(signed)));
}

/** A difference as the address of a picture; `span` is drawn in full colour. */
export function differenceAddress(difference: Float32Array, preview: Preview, span: number, theme: Theme): string {
  const samples = new Uint8Array(difference.length * 3);
  const colour = differenceColour(theme);
  difference.forEach((d, i) => samples.set(d !== d ? noDataColour : colour(span > 0 ? d / span : 0), 3 * i));
  return pixelsAddress(samples, preview.width, preview.height);
}

/** Colours of the scale under a difference, from less over none to more. */
const scaleSteps = 65;

/** The scale of a difference: a bar from −span to +span with its numbers, or the words that nothing changed. */
export function differenceScale(span: number, unit: string, at: Omit<Box, "height">, theme: Theme): Block {
  const { x, y, width } = at;
  const bottom = y + 36;
  const tick = { size: 13, fill: theme.muted };
  if (!(span > 0)) return { elements: [textElement("no pixel changed", x, y + 14, tick)], bottom };
  const ramp = new Uint8Array(scaleSteps * 3);
  const colour = differenceColour(theme);
  const middle = (scaleSteps - 1) / 2;
  for (let i = 0; i < scaleSteps; i++) ramp.set(colour((i - middle) / middle), 3 * i);
  const bar = { x, y, width, height: 12 };
  return {
    elements: [
      picture(pixelsAddress(ramp, scaleSteps, 1), bar),
      box(bar, "none", `stroke="${theme.line}"`),
      textElement(`${formatNumber(-span, 3)} ${unit}`, x, y + 28, tick),
      textElement("0", x + width / 2, y + 28, { ...tick, anchor: "middle" }),
      textElement(`+${formatNumber(span, 3)} ${unit}`, x + width, y + 28, { ...tick, anchor: "end" }),
    ],
    bottom,
  };
}
