/** Plots by Observable Plot, drawn without a browser, ready to stand inside a sheet. */
import * as Plot from "@observablehq/plot";
import { parseHTML } from "linkedom";
import type { Theme } from "./palette.ts";
import { fontFamilies } from "./rasteriser.ts";

/** A piece of SVG with its size. */
export interface Drawing {
  /** SVG elements. */
  readonly svg: string;
  /** Width in drawing units. */
  readonly width: number;
  /** Height in drawing units. */
  readonly height: number;
}

/**
 * A plot as a nested `<svg>` element. Row order of any pixels in it is the caller's business.
 *
 * @param options what Plot.plot takes, width and height included
 * @param theme colours of axes and grid
 * @param at where its left upper corner stands
 */
export function plotDrawing(
  options: Plot.PlotOptions & { readonly width: number; readonly height: number },
  theme: Theme,
  at: { readonly x: number; readonly y: number } = { x: 0, y: 0 },
): Drawing {
  const { document } = parseHTML("<html><body></body></html>");
  const figure = Plot.plot({ ...options, document: document as unknown as Document });
  const { width, height } = options;
  const open = `<svg x="${at.x}" y="${at.y}" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}" ` +
    `fill="${theme.ink}" color="${theme.ink}" font-family="${fontFamilies.text}, sans-serif" ` +
    `font-size="${plotFontSize}" text-anchor="middle">`;
  const body = String(figure.outerHTML)
    .replace(/<style>[\s\S]*?<\/style>/, "")
    .replace(/^<svg[^>]*>/, open)
    .replaceAll("currentColor", theme.ink);
  return { svg: body, width, height };
}

/** Size of tick labels and other small print. */
export const plotFontSize = 13;

/** Grid lines behind the marks. */
export const gridMarks = (theme: Theme, axes: "x" | "y" | "xy"): Plot.Markish[] => [
  ...(axes.includes("x") ? [Plot.gridX({ stroke: theme.line, strokeOpacity: 1 })] : []),
  ...(axes.includes("y") ? [Plot.gridY({ stroke: theme.line, strokeOpacity: 1 })] : []),
];
