/** Where a stretch put each level: brightness after against level before, pixel by pixel. */
import type { Unit } from "../core/image.ts";
import { quantile } from "../stats/median.ts";
import { type Box, picture } from "./layout.ts";
import { mixedColour, rgbOf, type Theme } from "./palette.ts";
import { pixelsAddress, type Preview, unitLabel } from "./preview.ts";
import { formatNumber, round, textElement, textWidth } from "./text.ts";

/** Cells of the cloud along each side. */
const cells = 220;

/** Levels before the step that the panel shows: nearly all, without the few brightest stars. */
function levelRange({ planes }: Preview): readonly [number, number] {
  const low = Math.min(...planes.map((plane) => quantile(plane, 0.0005)));
  const high = Math.max(...planes.map((plane) => quantile(plane, 0.995)));
  return [low, high];
}

/** How many samples fall in each cell of (before, after); the first row is white. */
function countedCells(before: Preview, after: Preview, [low, high]: readonly [number, number]): Float64Array {
  const counts = new Float64Array(cells * cells);
  for (let p = 0; p < Math.min(before.planes.length, after.planes.length); p++) {
    for (let i = 0; i < before.planes[p].length; i++) {
      const u = (before.planes[p][i] - low) / (high - low);
      const v = after.planes[p][i];
      if (!(u >= 0 && u <= 1 && v >= 0 && v <= 1)) continue;
      counts[Math.min(cells - 1, Math.floor((1 - v) * cells)) * cells + Math.min(cells - 1, Math.floor(u * cells))]++;
    }
  }
  return counts;
}

/** Counts as a picture from the panel's colour to ink, logarithmic. */
function countsAddress(counts: Float64Array, theme: Theme): string {
  const top = Math.log1p(Math.max(1, ...counts));
  const from = rgbOf(theme.panel);
  const to = rgbOf(theme.ink);
  const samples = new Uint8Array(cells * cells * 3);
  counts.forEach((count, i) => {
    // a single sample must show as well
    const part = count === 0 ? 0 : 0.25 + 0.75 * Math.log1p(count) / top;
    samples.set(mixedColour(from, to, part), 3 * i);
  });
  return pixelsAddress(samples, cells, cells);
}

/** A panel that shows where a stretch put each level, with its axes; both previews show the same pixels. */
export function transferPanel(before: Preview, after: Preview, unit: Unit, panel: Box, theme: Theme): string[] {
  const range = levelRange(before);
  const x = panel.x + 46;
  const y = panel.y + 6;
  const width = panel.width - 60;
  const height = Math.min(panel.height - 44, width);
  const small = { size: 13, fill: theme.ink };
  const under = panel.y + height + 22;
  const ends = range.map((end) => formatNumber(end, 3));
  const words = `${unitLabel(unit)} before → brightness after`;
  // on a narrow sheet the words go below the numbers
  const room = width - textWidth(ends.join(""), 13) - 16;
  const below = textWidth(words, 13) > room ? 17 : 0;
  return [
    picture(countsAddress(countedCells(before, after, range), theme), { x, y, width, height }),
    `<rect x="${round(x)}" y="${round(y)}" width="${round(width)}" height="${
      round(height)
    }" fill="none" stroke="${theme.line}"/>`,
    ...[0, 0.5, 1].map((v) =>
      textElement(formatNumber(v, 2), x - 8, panel.y + 10 + (1 - v) * height, { ...small, anchor: "end" })
    ),
    textElement(ends[0], x, under, { ...small, anchor: "start" }),
    textElement(ends[1], x + width, under, { ...small, anchor: "end" }),
    textElement(words, x + width / 2, under + below, { ...small, anchor: "middle" }),
  ];
}
