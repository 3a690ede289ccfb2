/** Putting drawings together into a sheet. */
import type { Theme } from "./palette.ts";
import type { Sheet } from "./sheet.ts";
import { escapeText, round, textElement, textWidth, wrapText } from "./text.ts";

/** Distance of content from the edge of a sheet and between its parts. */
export const sheetMargin = 24;

/** A complete sheet from its elements. */
export function composeSheet(
  width: number,
  height: number,
  theme: Theme,
  alternativeText: string,
  elements: readonly string[],
): Sheet {
  const w = Math.ceil(width);
  const h = Math.ceil(height);
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="${w}" ` +
    `height="${h}" viewBox="0 0 ${w} ${h}" role="img"><title>${escapeText(alternativeText)}</title>` +
    `<rect width="${w}" height="${h}" fill="${theme.background}"/>${elements.join("")}</svg>`;
  return { svg, width: w, height: h, alternativeText, background: theme.background };
}

/** A rectangle of the drawing. */
export interface Box {
  /** Left edge. */
  readonly x: number;
  /** Upper edge. */
  readonly y: number;
  /** Width. */
  readonly width: number;
  /** Height. */
  readonly height: number;
}

/** A piece of a sheet. */
export interface Block {
  /** SVG elements. */
  readonly elements: string[];
  /** Where what comes below may begin. */
  readonly bottom: number;
}

/** Heading of a sheet: title and a quieter line under it. */
export function heading(title: string, caption: string, width: number, theme: Theme): Block {
  const elements: string[] = [];
  let y = sheetMargin;
  if (title !== "") {
    y += 20;
    elements.push(textElement(title, sheetMargin, y, { size: 24, fill: theme.ink, face: "bold" }));
    y += 12;
  }
  if (caption !== "") {
    for (const line of wrapText(caption, 15, width - 2 * sheetMargin)) {
      y += 19;
      elements.push(textElement(line, sheetMargin, y - 2, { size: 15, fill: theme.muted }));
    }
    y += 10;
  }
  return { elements, bottom: y };
}

/** A filled rectangle. */
export const box = ({ x, y, width, height }: Box, fill: string, more = ""): string =>
  `<rect x="${round(x)}" y="${round(y)}" width="${round(width)}" height="${round(height)}" fill="${fill}" ${more}/>`;

/**
 * How a picture fills its place: `smooth` is interpolated; `crisp` keeps the edges of enlarged pixels; `exact` has
 * whole times its own pixels, which need no interpolation when the drawing's units are pixels.
 */
export type PictureScaling = "smooth" | "crisp" | "exact";

const scalingAttribute: Readonly<Record<PictureScaling, string>> = Object.freeze({
  smooth: "",
  crisp: ' image-rendering="optimizeSpeed"',
  exact: ' class="exact"',
});

/** A drawing for a raster of `zoom` pixels a unit: exact pictures are copied where pixels fall on pixels. */
export const forRaster = (svg: string, zoom: number): string =>
  Number.isInteger(zoom) ? svg.replaceAll(`<image${scalingAttribute.exact}`, `<image${scalingAttribute.crisp}`) : svg;

/** A picture from a data address. */
export const picture = (
  address: string,
  { x, y, width, height }: Box,
  scaling: PictureScaling = "smooth",
): string =>
  `<image${scalingAttribute[scaling]} x="${round(x)}" y="${round(y)}" width="${round(width)}" ` +
  `height="${round(height)}" preserveAspectRatio="none" xlink:href="${address}"/>`;

/** A paragraph of wrapped lines. */
export function paragraph(
  text: string,
  x: number,
  y: number,
  width: number,
  style: { readonly size: number; readonly fill: string; readonly face?: "text" | "bold" },
): Block {
  const step = style.size * 1.32;
  const lines = wrapText(text, style.size, width, style.face ?? "text");
  return {
    elements: lines.map((line, at) => textElement(line, x, y + style.size + at * step, style)),
    bottom: y + lines.length * step + style.size * 0.2,
  };
}

/** Shapes of marks, so that nothing is told by colour alone. */
export type MarkShape = "circle" | "triangle" | "cross" | "square";

/** A mark centred on a point. */
export function mark(shape: MarkShape, x: number, y: number, size: number, colour: string): string {
  const r = size / 2;
  const [cx, cy] = [round(x), round(y)];
  if (shape === "circle") return `<circle cx="${cx}" cy="${cy}" r="${round(r)}" fill="${colour}"/>`;
  if (shape === "square") return box({ x: x - r, y: y - r, width: size, height: size }, colour);
  if (shape === "triangle") {
    return `<path d="M ${round(x - r)} ${round(y + 0.8 * r)} h ${size} L ${cx} ${round(y - r)} z" fill="${colour}"/>`;
  }
  return `<path d="M ${round(x - r)} ${round(y - r)} l ${size} ${size} m 0 ${-size} l ${-size} ${size}" ` +
    `stroke="${colour}" stroke-width="${round(size / 3.6)}" fill="none"/>`;
}

/** A legend in one line: marks and words. */
export function legend(
  entries: readonly { readonly shape: MarkShape; readonly colour: string; readonly words: string }[],
  x: number,
  y: number,
  theme: Theme,
): string[] {
  const elements: string[] = [];
  let at = x;
  for (const { shape, colour, words } of entries) {
    elements.push(
      mark(shape, at + 5, y - 5, 10, colour),
      textElement(words, at + 15, y, { size: 14, fill: theme.ink }),
    );
    at += 15 + textWidth(words, 14) + 22;
  }
  return elements;
}
