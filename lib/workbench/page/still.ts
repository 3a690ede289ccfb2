/** The exact picture on the view, alone or against another one. */
import type { Made } from "../messages.ts";
import type { Place } from "./place.ts";

/** How two pictures are laid against each other. */
export type Comparison = "none" | "wipe" | "blink" | "beside" | "difference";

/** A picture that was made, ready to be drawn at any size. */
export interface StillPicture {
  readonly canvas: HTMLCanvasElement;
  readonly made: Made;
}

/** A picture of the worker, ready to be drawn. */
export function stillOf(made: Made): StillPicture {
  const canvas = document.createElement("canvas");
  canvas.width = made.width;
  canvas.height = made.height;
  const ink = canvas.getContext("2d") as CanvasRenderingContext2D;
  ink.putImageData(new ImageData(made.pixels, made.width, made.height), 0, 0);
  return { canvas, made };
}

/** What is compared, and how. */
export interface Against {
  readonly other: StillPicture | null;
  readonly comparison: Comparison;
  /** Where the wipe stands, 0 … 1 of the view's width. */
  readonly share: number;
  /** Whether the other one is seen in the blink. */
  readonly blinked: boolean;
}

/** Differences are drawn this many doublings larger. */
const differenceDoublings = 3;

function place(ink: CanvasRenderingContext2D, picture: StillPicture, { zoom, left, top }: Place): void {
  ink.imageSmoothingEnabled = zoom < 1;
  ink.imageSmoothingQuality = "high";
  ink.drawImage(picture.canvas, -left * zoom, -top * zoom, picture.made.width * zoom, picture.made.height * zoom);
}

function within(ink: CanvasRenderingContext2D, from: number, to: number, draw: () => void): void {
  ink.save();
  ink.beginPath();
  ink.rect(from, 0, to - from, ink.canvas.height);
  ink.clip();
  draw();
  ink.restore();
}

function drawDifference(ink: CanvasRenderingContext2D, now: StillPicture, other: StillPicture, at: Place): void {
  place(ink, now, at);
  ink.globalCompositeOperation = "difference";
  place(ink, other, at);
  ink.globalCompositeOperation = "lighter";
  for (let k = 0; k < differenceDoublings; k++) ink.drawImage(ink.canvas, 0, 0);
  ink.globalCompositeOperation = "source-over";
}

/** Draw the present picture, and the other one beside, under or instead of it. */
export function drawStill(canvas: HTMLCanvasElement, now: StillPicture, at: Place, against: Against): void {
  const ink = canvas.getContext("2d") as CanvasRenderingContext2D;
  const { width } = canvas;
  const { other, comparison } = against;
  ink.clearRect(0, 0, width, canvas.height);
  if (other === null || comparison === "none") return place(ink, now, at);
  if (comparison === "blink") return place(ink, against.blinked ? other : now, at);
  if (comparison === "difference") return drawDifference(ink, now, other, at);
  if (comparison === "wipe") {
    const edge = Math.round(against.share * width);
    within(ink, 0, edge, () => place(ink, other, at));
    within(ink, edge, width, () => place(ink, now, at));
    ink.fillStyle = "#888";
    ink.fillRect(edge, 0, 2, canvas.height);
    return;
  }
  // beside: the middle of the view is the middle of both halves
  const half = width / 2;
  within(ink, 0, half, () => place(ink, other, { ...at, left: at.left + half / 2 / at.zoom }));
  within(ink, half, width, () => place(ink, now, { ...at, left: at.left - half / 2 / at.zoom }));
  ink.fillStyle = "#888";
  ink.fillRect(half, 0, 2, canvas.height);
}
