/** The brightness strip under the picture: how many samples lie at each level, the curve over them, black and white. */
import { curveOf } from "../../tone/curve.ts";
import type { StretchSettings } from "../../tone/stretch.ts";
import { stripBins, stripLevel, stripPlace } from "../draw.ts";
import type { StripAxis } from "../messages.ts";
import { byId } from "./elements.ts";

/** What the strip draws. */
export interface StripContent {
  readonly axis: StripAxis;
  /** Samples at each place, one list a channel. */
  readonly counts: readonly Uint32Array[];
  readonly stretch: StretchSettings;
  /** Whether heights go with the logarithm of the counts. */
  readonly logarithmic: boolean;
  /** Level under the pointer; null for none. */
  readonly pointed: number | null;
}

/** Dashes of the channels, so that colour alone does not tell them. */
const dashes = [[], [6, 2], [2, 2]];

const bottom = 18;

function colourOf(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(name);
}

function drawCounts(ink: CanvasRenderingContext2D, width: number, height: number, content: StripContent): void {
  const { counts, logarithmic } = content;
  const tall = logarithmic ? Math.log1p : (count: number) => count;
  const most = Math.max(
    1,
    ...counts.map((list) => tall(list.subarray(1, stripBins - 1).reduce((a, b) => a > b ? a : b, 0))),
  );
  counts.forEach((list, c) => {
    ink.strokeStyle = colourOf(counts.length === 1 ? "--ink" : ["--red", "--teal", "--blue"][c]);
    ink.setLineDash(dashes[c % dashes.length]);
    ink.lineWidth = 1.3;
    ink.beginPath();
    list.forEach((count, k) => {
      const y = height - Math.min(1, tall(count) / most) * (height - 4);
      ink.lineTo((k + 0.5) / stripBins * width, y);
    });
    ink.stroke();
  });
  ink.setLineDash([]);
}

function drawCurve(ink: CanvasRenderingContext2D, width: number, height: number, content: StripContent): void {
  const { axis, stretch: { black, white, curve } } = content;
  const { at } = curveOf(curve);
  ink.strokeStyle = colourOf("--ink");
  ink.lineWidth = 2;
  ink.beginPath();
  for (let x = 0; x <= width; x += 2) {
    const t = (stripLevel(x / width, axis) - black) / (white - black);
    ink.lineTo(x, height - 2 - Math.max(0, Math.min(1, at(t))) * (height - 4));
  }
  ink.stroke();
}

function drawMark(ink: CanvasRenderingContext2D, x: number, height: number, words: string): void {
  ink.beginPath();
  ink.moveTo(x, 0);
  ink.lineTo(x, height);
  ink.stroke();
  ink.fillText(words, x + 3, 11);
}

function drawTicks(ink: CanvasRenderingContext2D, width: number, height: number, axis: StripAxis): void {
  let free = -Infinity;
  for (const noises of [-10, 0, 10, 30, 100, 300, 1000, 3000, 1e4, 3e4]) {
    const level = axis.sky + noises * axis.noise;
    const x = stripPlace(level, axis) * width;
    if (x < free || x > width - 40) continue;
    ink.fillRect(x, height, 1, 4);
    const shown = Number(level.toPrecision(3));
    const words = noises === 0 ? `sky ${shown}` : String(shown);
    ink.fillText(words, x + 2, height + 13);
    free = x + ink.measureText(words).width + 10;
  }
}

/** Draw the strip. */
export function drawStrip(content: StripContent): void {
  const canvas = byId<HTMLCanvasElement>("strip");
  const ratio = devicePixelRatio;
  const [width, whole] = [canvas.clientWidth, canvas.clientHeight];
  canvas.width = width * ratio;
  canvas.height = whole * ratio;
  const ink = canvas.getContext("2d") as CanvasRenderingContext2D;
  ink.scale(ratio, ratio);
  const height = whole - bottom;
  drawCounts(ink, width, height, content);
  drawCurve(ink, width, height, content);
  ink.font = "13px system-ui, sans-serif";
  ink.fillStyle = ink.strokeStyle = colourOf("--ink");
  ink.lineWidth = 1;
  const { axis, stretch, pointed } = content;
  drawMark(ink, stripPlace(stretch.black, axis) * width, height, "black");
  drawMark(ink, stripPlace(stretch.white, axis) * width, height, "white");
  drawTicks(ink, width, height, axis);
  if (pointed === null) return;
  ink.strokeStyle = colourOf("--amber");
  ink.lineWidth = 2;
  drawMark(ink, stripPlace(pointed, axis) * width, height, "");
}
