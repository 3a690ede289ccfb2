/** A smooth surface (a background model, a normalisation scale) in bands of equal level, with its scale. */
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Box, box, composeSheet, heading, picture, sheetMargin } from "./layout.ts";
import { channelLabel, mixedColour, rgbOf, type Theme, themes } from "./palette.ts";
import { makePreview, pixelsAddress, type Preview, unitLabel, wholeRegion } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, textElement, tickText } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

/** A point that a surface was fitted to, stored pixels. */
export interface SurfaceSample {
  /** Column. */
  readonly x: number;
  /** Row. */
  readonly y: number;
  /** Whether the fit used it. */
  readonly used: boolean;
}

/** Options of {@linkcode surfaceView}. */
export interface SurfaceViewOptions extends SheetOptions {
  /** Bands between lowest and highest level. */
  readonly bands: number;
  /** Points that the surface was fitted to; drawn as dots, those left out as crosses. */
  readonly samples: readonly SurfaceSample[];
  /** Unit to print; `"automatic"` takes that of the image. */
  readonly unit: string;
}

/** What {@linkcode surfaceView} uses for an option left out. */
export const surfaceViewDefaults: SurfaceViewOptions = Object.freeze({
  title: "Surface",
  width: 860,
  bands: 12,
  samples: Object.freeze([]),
  unit: "automatic",
  theme: "light",
});

/** A level with four digits that count; whole numbers stay whole. */
const level = (value: number): string => Number.isInteger(value) ? tickText(value) : formatNumber(value, 4);

/** From low to high: the theme's blue, teal and amber, rising in lightness as well as in hue. */
export function bandColour(theme: Theme): (part: number) => readonly [number, number, number] {
  const none = rgbOf(theme.panel);
  const stops = [
    rgbOf(themes.light.blue),
    rgbOf(themes.light.teal),
    rgbOf(themes.dark.amber),
    [255, 250, 225] as const,
  ];
  return (part) => {
    if (part !== part) return none;
    const at = Math.max(0, Math.min(1, part)) * (stops.length - 1);
    const low = Math.min(stops.length - 2, Math.floor(at));
    return mixedColour(stops[low], stops[low + 1], at - low);
  };
}

/** Levels of a surface in bands. */
interface LevelBands {
  readonly low: number;
  readonly high: number;
  readonly bands: number;
  /** `""` for none. */
  readonly unit: string;
  /** Colour of each band. */
  readonly colour: (part: number) => readonly [number, number, number];
}

/** Lowest and highest sample of the previews; low above high when there is no data. */
function levelRange(previews: readonly Preview[]): readonly [number, number] {
  let low = Infinity;
  let high = -Infinity;
  for (const { planes } of previews) {
    for (const v of planes[0]) {
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  return [low, high];
}

/** A plane in bands as the address of a picture. */
function bandAddress(preview: Preview, { low, high, bands, colour }: LevelBands): string {
  const pixels = new Uint8Array(preview.width * preview.height * 3);
  const band = (v: number) => Math.min(bands - 1, Math.floor((v - low) / (high - low || 1) * bands)) / (bands - 1);
  preview.planes[0].forEach((v, i) => pixels.set(colour(band(v)), 3 * i));
  return pixelsAddress(pixels, preview.width, preview.height);
}

/** Points of the fit on a picture: dots where used, crosses where left out. */
function sampleMarks(samples: readonly SurfaceSample[], place: Box, preview: Preview, theme: Theme): string[] {
  const scale = place.width / preview.region.width;
  return samples.map((sample) => {
    const x = place.x + (sample.x + 0.5) * scale;
    const down = (sample.y + 0.5) * scale;
    const y = place.y + (preview.topDown ? down : place.height - down);
    return sample.used
      ? `<circle cx="${x.toFixed(1)}" cy="${y.toFixed(1)}" r="3" fill="#111" stroke="#fff" stroke-width="1"/>`
      : `<path d="M ${(x - 4).toFixed(1)} ${
        (y - 4).toFixed(1)
      } l 8 8 m 0 -8 l -8 8" stroke="${theme.red}" stroke-width="2"/>`;
  });
}

/** The scale of the bands with its numbers. */
function bandScale(levels: LevelBands, { x, y, width }: Omit<Box, "height">, theme: Theme): string[] {
  const { low, high, bands, unit, colour } = levels;
  const ramp = new Uint8Array(bands * 3);
  for (let i = 0; i < bands; i++) ramp.set(colour(i / (bands - 1)), 3 * i);
  const bar = { x, y, width, height: 14 };
  const elements = [
    picture(pixelsAddress(ramp, bands, 1), bar, "crisp"),
    box(bar, "none", `stroke="${theme.line}"`),
  ];
  if (!(low <= high)) return elements;
  [0, 0.25, 0.5, 0.75, 1].forEach((part) => {
    const anchor = part === 0 ? "start" as const : part === 1 ? "end" as const : "middle" as const;
    const label = `${level(low + part * (high - low))}${part === 1 ? ` ${unit}` : ""}`.trim();
    elements.push(textElement(label, x + part * width, y + 31, { size: 13, fill: theme.ink, anchor }));
  });
  return elements;
}

/** Planes beside one another at most. */
const maximumAcross = 3;

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
  requireImage("surfaceView", surface, "surface");
  const used = settle("surfaceView", surfaceViewDefaults, options);
  const { title, width, bands, samples } = used;
  if (!(bands >= 2)) throw new RangeError(`surfaceView: bands must be ≥ 2, but got ${bands}`);
  const theme = themes[used.theme];
  const gap = 14;
  const room = width - 2 * sheetMargin;
  const across = Math.min(surface.planes.length, maximumAcross);
  const panel = (room - gap * (across - 1)) / across;
  const previews = surface.planes.map((plane) =>
    makePreview(surface, { width: panel, height: panel * 1.4 }, wholeRegion(surface), plane.channel)
  );
  const [low, high] = levelRange(previews);
  const unit = used.unit === "automatic" ? unitLabel(surface.unit) : used.unit;
  const levels = { low, high, bands, unit, colour: bandColour(theme) };
  const words = low <= high ? `${level(low)} to ${level(high)} ${unit}`.trim() : "no data";
  const leftOut = samples.filter((sample) => !sample.used).length;
  const fitted = samples.length === 0
    ? ""
    : ` Fitted to ${samples.length - leftOut} samples (dots), ${leftOut} left out (crosses).`;

  const head = heading(title, `${words}, in ${bands} bands.${fitted}`, width, theme);
  const elements = [...head.elements];
  const height = panel * previews[0].height / previews[0].width;
  let y = head.bottom;
  previews.forEach((preview, at) => {
    const column = at % across;
    if (column === 0 && at > 0) y += height + gap + 20;
    const place = { x: sheetMargin + column * (panel + gap), y: y + 20, width: panel, height };
    const name = channelLabel(preview.channels[0]);
    elements.push(
      textElement(name, place.x, y + 14, { size: 14, fill: theme.ink, face: "bold" }),
      picture(bandAddress(preview, levels), place),
      ...sampleMarks(samples, place, preview, theme),
    );
  });
  y += height + 20 + 14;
  elements.push(...bandScale(levels, { x: sheetMargin, y, width: room }, theme));
  return composeSheet(width, y + 36 + sheetMargin / 2, theme, `${title}: ${words}.${fitted}`, elements);
}
