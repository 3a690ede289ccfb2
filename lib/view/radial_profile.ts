/** Samples of a star against their distance from its centre. */
import * as Plot from "@observablehq/plot";
import { type Image, planeOf, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { composeSheet, heading, sheetMargin } from "./layout.ts";
import { type Theme, themes } from "./palette.ts";
import { plotDrawing } from "./plot.ts";
import { unitLabel } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { formatNumber, tickText } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

/** Options of {@linkcode radialProfile}. */
export interface RadialProfileOptions extends SheetOptions {
  /** Channel to read; `"automatic"` takes the first. */
  readonly channel: string;
}

/** What {@linkcode radialProfile} uses for an option left out. */
export const radialProfileDefaults: RadialProfileOptions = Object.freeze({
  title: "Radial profile",
  width: 720,
  channel: "automatic",
  theme: "light",
});

/** Height of the frame for its sheet's width: 380 at the width of 720. */
const heightShare = 380 / 720;

/** A sample near a star. */
interface ProfilePoint {
  /** Distance from the centroid, pixels. */
  readonly r: number;
  /** Level above the star's background. */
  readonly v: number;
}

/** Samples of a plane within `reach` pixels of the star. */
function profilePoints(image: Image, data: Float32Array, star: Star, reach: number): ProfilePoint[] {
  const points: ProfilePoint[] = [];
  const left = Math.max(0, Math.ceil(star.x - reach));
  const right = Math.min(image.width - 1, Math.floor(star.x + reach));
  const top = Math.max(0, Math.ceil(star.y - reach));
  const bottom = Math.min(image.height - 1, Math.floor(star.y + reach));
  for (let y = top; y <= bottom; y++) {
    for (let x = left; x <= right; x++) {
      const r = Math.hypot(x - star.x, y - star.y);
      const v = data[y * image.width + x] - star.background;
      if (r <= reach && Number.isFinite(v)) points.push({ r, v });
    }
  }
  return points;
}

/** Lines at half the FWHM and at half the maximum, with their names. */
function halfMarks(star: Star, theme: Theme): Plot.Markish[] {
  const half = star.fwhmPixels / 2;
  return [
    Plot.ruleX([half], { stroke: theme.red, strokeWidth: 2 }),
    Plot.ruleY([star.peak / 2], { stroke: theme.red, strokeDasharray: "5,4", strokeWidth: 1.5 }),
    Plot.text([`half of FWHM: ${formatNumber(half, 3)} px`], {
      x: () => half,
      frameAnchor: "top",
      dy: 16,
      dx: 8,
      textAnchor: "start",
      fill: theme.red,
    }),
    Plot.text(["half maximum"], {
      y: () => star.peak / 2,
      frameAnchor: "right",
      dx: -8,
      dy: -9,
      textAnchor: "end",
      fill: theme.red,
    }),
  ];
}

/**
 * Samples around a star against their distance from its centroid, above its local background, with its half maximum
 * and FWHM drawn in.
 *
 * @param image the image that the star was measured on
 * @param star the star; positions in stored pixels
 * @param options heading, channel, theme
 * @throws {TypeError} if the channel does not exist
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, radialProfile, type Star } from "faintlight";
 *
 * const star: Star = {
 *   x: 8,
 *   y: 8,
 *   flux: 9,
 *   peak: 1,
 *   snr: 9,
 *   fwhmPixels: 3,
 *   eccentricity: 0,
 *   elongationDegrees: 0,
 *   shape: [0, 0],
 *   halfFluxRadiusPixels: 1.5,
 *   background: 1,
 *   saturated: false,
 * };
 * assert.match(radialProfile(constantImage(16, 16, 1), star).alternativeText, /FWHM 3.00 pixels/);
 * ```
 */
export function radialProfile(image: Image, star: Star, options: Partial<RadialProfileOptions> = {}): Sheet {
  requireImage("radialProfile", image);
  const { title, width, channel, theme: themeName } = settle("radialProfile", radialProfileDefaults, options);
  const theme = themes[themeName];
  const { data } = channel === "automatic" ? image.planes[0] : planeOf(image, channel);
  const reach = Math.max(6, 2.6 * star.fwhmPixels);
  const points = profilePoints(image, data, star, reach);
  const most = Math.max(star.peak, ...points.map((point) => point.v));
  const unit = unitLabel(image.unit) || "brightness";
  const words = `FWHM ${formatNumber(star.fwhmPixels, 3)} pixels, half-flux radius ${
    formatNumber(star.halfFluxRadiusPixels, 3)
  } pixels, eccentricity ${formatNumber(star.eccentricity, 2)}, SNR ${formatNumber(star.snr, 3)}`;
  const place = `Star at x ${formatNumber(star.x, 5)}, y ${formatNumber(star.y, 5)}`;

  const head = heading(title, `${place}. ${words}.`, width, theme);
  const height = Math.round(width * heightShare);
  const drawing = plotDrawing(
    {
      width: width - 2 * sheetMargin,
      height,
      marginLeft: 70,
      marginBottom: 44,
      marginTop: 12,
      x: { domain: [0, reach], label: null, ticks: 8 },
      y: { domain: [Math.min(0, -0.06 * most), 1.06 * most], label: null, ticks: 5, tickFormat: tickText },
      marks: [
        Plot.frame({ fill: theme.panel, stroke: theme.line }),
        Plot.gridY({ stroke: theme.line, strokeOpacity: 1, ticks: 5 }),
        Plot.ruleY([0], { stroke: theme.muted }),
        Plot.dot(points, { x: "r", y: "v", r: 3, fill: theme.blue, fillOpacity: 0.75 }),
        ...halfMarks(star, theme),
        Plot.text([`distance from the centroid (pixels); level above the background (${unit})`], {
          frameAnchor: "bottom",
          dy: 36,
        }),
      ],
    },
    theme,
    { x: sheetMargin, y: head.bottom },
  );
  const bottom = head.bottom + height + sheetMargin / 2;
  return composeSheet(width, bottom, theme, `${title}: ${words}.`, [...head.elements, drawing.svg]);
}
