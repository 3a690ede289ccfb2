/** A smooth surface (a background model, a normalisation scale) in bands of equal level, with its scale. */
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { box, composeSheet, heading, MARGIN, picture } from "./layout.ts";
import { channelLabel, type Theme, type ThemeName, themes } from "./palette.ts";
import { makePreview, pixelsAddress, unitLabel, wholeRegion } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, textElement, tickText } from "./text.ts";

/** Options of {@linkcode surfaceView}. */
export interface SurfaceViewOptions {
  /** Heading. */
  readonly title: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Bands between lowest and highest level. */
  readonly bands: number;
  /** Points that the surface was fitted to, stored pixels; drawn as dots, those left out as crosses. */
  readonly samples: readonly { readonly x: number; readonly y: number; readonly used: boolean }[];
  /** Unit to print; `null` takes that of the image. */
  readonly unit: string | null;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode surfaceView} uses for an option left out. */
export const surfaceViewDefaults: SurfaceViewOptions = Object.freeze({
  title: "Surface",
  width: 860,
  bands: 12,
  samples: Object.freeze([]),
  unit: null,
  theme: "light",
});

/** A level with four digits that count; whole numbers stay whole. */
const level = (value: number): string => Number.isInteger(value) ? tickText(value) : formatNumber(value, 4);

/** From low to high: the theme's blue, teal and amber, rising in lightness as well as in hue. */
export function bandColour(theme: Theme): (part: number) => readonly [number, number, number] {
  const rgb = (hex: string) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const stops = [rgb(themes.light.blue), rgb(themes.light.teal), rgb(themes.dark.amber), [255, 250, 225]];
  return (part) => {
    if (part !== part) return rgb(theme.panel) as [number, number, number];
    const at = Math.max(0, Math.min(1, part)) * (stops.length - 1);
    const low = Math.min(stops.length - 2, Math.floor(at));
    return [0, 1, 2].map((c) => Math.round(stops[low][c] + (stops[low + 1][c] - stops[low][c]) * (at - low))) as [
      number,
      number,
      number,
    ];
  };
}

/**
 * A surface as a sheet: one picture a plane in bands of equal level on a common scale, with the points it was fitted
 * to.
 *
 * In: an image that holds a smooth model. Cost: one pass.
 *
 * @throws {RangeError} if there are fewer than two bands
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, surfaceView } from "faintlight";
 *
 * assert.match(surfaceView(constantImage(40, 30, 12)).alternativeText, /12 to 12 ADU/);
 * ```
 */
export function surfaceView(surface: Image, options: Partial<SurfaceViewOptions> = {}): Sheet {
  const used = settle("surfaceView", surfaceViewDefaults, options);
  const { bands, samples } = used;
  if (!(bands >= 2)) throw new RangeError(`surfaceView: bands must be ≥ 2, but got ${bands}`);
  const theme = themes[used.theme];
  const count = surface.planes.length;
  const gap = 14;
  const room = used.width - 2 * MARGIN;
  const across = Math.min(count, 3);
  const panel = (room - gap * (across - 1)) / across;
  const unit = used.unit ?? unitLabel(surface.unit);
  const previews = surface.planes.map((plane) =>
    makePreview(surface, { width: panel, height: panel * 1.4 }, wholeRegion(surface), plane.channel)
  );
  let low = Infinity;
  let high = -Infinity;
  for (const { planes } of previews) {
    for (const v of planes[0]) {
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  const words = low <= high ? `${level(low)} to ${level(high)} ${unit}`.trim() : "no data";
  const left = samples.filter((sample) => !sample.used).length;
  const fitted = samples.length === 0
    ? ""
    : ` Fitted to ${samples.length - left} samples (dots), ${left} left out (crosses).`;
  const head = heading(used.title, `${words}, in ${bands} bands.${fitted}`, used.width, theme);
  const elements = [...head.elements];
  const colour = bandColour(theme);
  const band = (v: number) => Math.min(bands - 1, Math.floor((v - low) / (high - low || 1) * bands)) / (bands - 1);
  let y = head.bottom;
  previews.forEach((preview, at) => {
    const column = at % across;
    if (column === 0 && at > 0) y += panel * preview.height / preview.width + gap + 20;
    const x = MARGIN + column * (panel + gap);
    const height = panel * preview.height / preview.width;
    const pixels = new Uint8Array(preview.width * preview.height * 3);
    preview.planes[0].forEach((v, i) => pixels.set(colour(band(v)), 3 * i));
    const name = channelLabel(preview.channels[0]);
    elements.push(textElement(name, x, y + 14, { size: 14, fill: theme.ink, face: "bold" }));
    elements.push(picture(pixelsAddress(pixels, preview.width, preview.height), x, y + 20, panel, height));
    const scale = panel / surface.width;
    for (const sample of samples) {
      const px = x + (sample.x + 0.5) * scale;
      const down = (sample.y + 0.5) * scale;
      const py = y + 20 + (preview.topDown ? down : height - down);
      elements.push(
        sample.used
          ? `<circle cx="${px.toFixed(1)}" cy="${py.toFixed(1)}" r="3" fill="#111" stroke="#fff" stroke-width="1"/>`
          : `<path d="M ${(px - 4).toFixed(1)} ${
            (py - 4).toFixed(1)
          } l 8 8 m 0 -8 l -8 8" stroke="${theme.red}" stroke-width="2"/>`,
      );
    }
  });
  y += panel * previews[0].height / previews[0].width + 20 + 14;
  const ramp = new Uint8Array(bands * 3);
  for (let i = 0; i < bands; i++) ramp.set(colour(i / (bands - 1)), 3 * i);
  elements.push(picture(pixelsAddress(ramp, bands, 1), MARGIN, y, room, 14, true));
  elements.push(box(MARGIN, y, room, 14, "none", `stroke="${theme.line}"`));
  if (low <= high) {
    [0, 0.25, 0.5, 0.75, 1].forEach((part) => {
      const anchor = part === 0 ? "start" as const : part === 1 ? "end" as const : "middle" as const;
      const label = `${level(low + part * (high - low))}${part === 1 ? ` ${unit}` : ""}`.trim();
      elements.push(textElement(label, MARGIN + part * room, y + 31, { size: 13, fill: theme.ink, anchor }));
    });
  }
  return composeSheet(used.width, y + 36 + MARGIN / 2, theme, `${used.title}: ${words}.${fitted}`, elements);
}
