/** Setting text: widths from the fonts' own tables, line breaks, escaping, and numbers as people write them. */
import { fontBytes, fontFamilies } from "./rasteriser.ts";

/** Faces of the sheets. */
export type Face = "text" | "bold" | "title";

interface Metrics {
  readonly unitsPerEm: number;
  readonly glyphOf: (code: number) => number;
  readonly advanceOf: (glyph: number) => number;
}

/** The tables of a TrueType font that give advance widths: head, hhea, hmtx, cmap format 4 (OpenType 1.9). */
function readMetrics(bytes: Uint8Array): Metrics {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const tables = new Map<string, number>();
  for (let i = 0; i < view.getUint16(4); i++) {
    const at = 12 + 16 * i;
    tables.set(String.fromCharCode(...bytes.subarray(at, at + 4)), view.getUint32(at + 8));
  }
  const table = (name: string) => tables.get(name) as number;
  const count = view.getUint16(table("hhea") + 34);
  const hmtx = table("hmtx");
  const cmap = table("cmap");
  let sub = 0;
  for (let i = 0; i < view.getUint16(cmap + 2); i++) {
    const at = cmap + view.getUint32(cmap + 8 + 8 * i);
    if (view.getUint16(at) === 4) sub = at;
  }
  const segments = view.getUint16(sub + 6) / 2;
  const glyphOf = (code: number): number => {
    for (let s = 0; s < segments; s++) {
      if (code > view.getUint16(sub + 14 + 2 * s)) continue;
      const start = view.getUint16(sub + 16 + 2 * (segments + s));
      if (code < start) return 0;
      const delta = view.getUint16(sub + 16 + 2 * (2 * segments + s));
      const rangeAt = sub + 16 + 2 * (3 * segments + s);
      const range = view.getUint16(rangeAt);
      if (range === 0) return (code + delta) & 0xffff;
      const glyph = view.getUint16(rangeAt + range + 2 * (code - start));
      return glyph === 0 ? 0 : (glyph + delta) & 0xffff;
    }
    return 0;
  };
  return {
    unitsPerEm: view.getUint16(table("head") + 18),
    glyphOf,
    advanceOf: (glyph) => view.getUint16(hmtx + 4 * Math.min(glyph, count - 1)),
  };
}

let metrics: Readonly<Record<Face, Metrics>> | null = null;
const widths = new Map<string, number>();

/** Width of a text in drawing units at a font size, without kerning (which only narrows it). */
export function textWidth(text: string, size: number, face: Face = "text"): number {
  metrics ??= ((files) => ({
    text: readMetrics(files[0]),
    bold: readMetrics(files[1]),
    title: readMetrics(files[2]),
  }))(fontBytes());
  const font = metrics[face];
  let sum = 0;
  for (const sign of text) {
    const key = face + sign;
    let width = widths.get(key);
    if (width === undefined) {
      width = font.advanceOf(font.glyphOf(sign.codePointAt(0) as number)) / font.unitsPerEm;
      widths.set(key, width);
    }
    sum += width;
  }
  return sum * size;
}

/** The text cut to a width, with an ellipsis in the middle when it had to be: the ends of file names tell most. */
export function fitText(text: string, size: number, width: number, face: Face = "text"): string {
  if (textWidth(text, size, face) <= width) return text;
  const signs = [...text];
  for (let keep = signs.length - 1; keep > 1; keep--) {
    const head = Math.ceil(keep / 2);
    const cut = signs.slice(0, head).join("") + "…" + signs.slice(signs.length - (keep - head)).join("");
    if (textWidth(cut, size, face) <= width) return cut;
  }
  return "…";
}

/** Lines no wider than `width`, broken at spaces; a word that is wider alone is cut. */
export function wrapText(text: string, size: number, width: number, face: Face = "text"): string[] {
  const lines: string[] = [];
  for (const paragraph of text.split("\n")) {
    let line = "";
    for (const word of paragraph.split(" ")) {
      const longer = line === "" ? word : `${line} ${word}`;
      if (textWidth(longer, size, face) <= width) line = longer;
      else {
        if (line !== "") lines.push(line);
        line = fitText(word, size, width, face);
      }
    }
    lines.push(line);
  }
  return lines;
}

/** Text for SVG and HTML, safe in elements and in quoted attributes. */
export const escapeText = (text: string): string =>
  text.replace(/[&<>"']/g, (sign) => `&#${sign.charCodeAt(0)};`).replace(/(?![\t\n\r])\p{Cc}/gu, "\ufffd");

/** A value as JSON within a script of a page: no text in it can end the script or begin a comment of the page. */
export const scriptJson = (value: unknown): string => JSON.stringify(value).replaceAll("<", "\\u003c");

/**
 * A number with a fixed count of significant digits, a true minus sign, no exponent between 1e-4 and 1e7, `–` for
 * none.
 */
export function formatNumber(value: number | null, digits: number = 3): string {
  if (value === null || Number.isNaN(value)) return "–";
  if (!Number.isFinite(value)) return value > 0 ? "∞" : "−∞";
  if (value === 0) return "0";
  const size = Math.abs(value);
  let text: string;
  if (size >= 1e7 || size < 1e-4) {
    const [head, power] = size.toExponential(digits - 1).split("e");
    const signs: Readonly<Record<string, string>> = { "-": "⁻", "0": "⁰", "1": "¹", "2": "²", "3": "³" };
    const more: Readonly<Record<string, string>> = { "4": "⁴", "5": "⁵", "6": "⁶", "7": "⁷", "8": "⁸", "9": "⁹" };
    const raised = [...power.replace("+", "")].map((sign) => signs[sign] ?? more[sign]).join("");
    text = `${head}·10${raised}`;
  } else {
    const decimals = Math.max(0, digits - 1 - Math.floor(Math.log10(size)));
    text = size.toFixed(Math.min(decimals, 8));
    if (size >= 10000) text = text.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f"); // narrow space between thousands
  }
  return value < 0 ? `−${text}` : text;
}

/** A share of 0 … 1 in per cent, with as many decimals as it needs to be told from 0 and from all. */
export function formatShare(share: number | null): string {
  if (share === null || Number.isNaN(share)) return "–";
  const percent = 100 * share;
  if (percent === 0 || percent === 100) return `${percent} %`;
  if (percent < 0.001) return "< 0.001 %";
  if (percent > 99.999) return "> 99.999 %";
  const fromEdge = Math.min(percent, 100 - percent);
  return `${percent.toFixed(fromEdge >= 9.95 ? 0 : fromEdge >= 0.995 ? 1 : fromEdge >= 0.0995 ? 2 : 3)} %`;
}

/** Seconds as hours and minutes for exposures: `2 h 05 min`, `45 min`, `30 s`. */
export function formatDuration(seconds: number): string {
  if (!(seconds >= 60)) return `${formatNumber(seconds, 2)} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  const rest = minutes % 60;
  return rest === 0 ? `${minutes / 60} h` : `${Math.floor(minutes / 60)} h ${String(rest).padStart(2, "0")} min`;
}

/** How a text is set. */
export interface TextStyle {
  /** Font size in drawing units. */
  readonly size: number;
  /** Colour. */
  readonly fill: string;
  /** Face. */
  readonly face?: Face;
  /** Which end stands at x. */
  readonly anchor?: "start" | "middle" | "end";
}

/** One line of text as an SVG element, its baseline at y. */
export function textElement(text: string, x: number, y: number, style: TextStyle): string {
  const { size, fill, face = "text", anchor = "start" } = style;
  const family = face === "title" ? fontFamilies.title : fontFamilies.text;
  return `<text x="${round(x)}" y="${round(y)}" font-size="${size}" font-family="${family}, sans-serif"` +
    `${face === "bold" ? ' font-weight="bold"' : ""}${anchor === "start" ? "" : ` text-anchor="${anchor}"`}` +
    ` fill="${fill}" xml:space="preserve">${escapeText(text)}</text>`;
}

/** A coordinate with two decimals, without trailing noughts. */
export const round = (value: number): string => String(Math.round(value * 100) / 100);

/** The text with a capital at its start. */
export const capital = (text: string): string => text.slice(0, 1).toUpperCase() + text.slice(1);

/** A tick label: the number as it is, with a true minus sign and narrow spaces between thousands. */
export function tickText(value: number): string {
  const plain = String(Number(Math.abs(value).toPrecision(6)));
  const text = Math.abs(value) >= 10000 ? plain.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f") : plain;
  return value < 0 ? `−${text}` : text;
}
