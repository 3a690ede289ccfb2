/**
 * From planes to the pixels of a small picture: shrinking, a display stretch for linear data that says what it is,
 * drawing.
 */
import type { Region } from "../core/geometry.ts";
import { type Image, planeOf, type Unit } from "../core/image.ts";
import { firstRowOnTop } from "../io/orientation.ts";
import { encodePng16 } from "../io/png.ts";
import { quantile } from "../stats/median.ts";
import { dataAddress } from "./sheet.ts";
import { formatNumber, formatShare } from "./text.ts";
import type { ViewOptions } from "./view_options.ts";

/** Part of an image at the size of a panel, drawn rows from top to bottom. */
export interface Preview {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** One plane (grey), two (red and cyan, which make grey where they agree) or three (red, green, blue). */
  readonly planes: readonly Float32Array[];
  /** Channel of each plane. */
  readonly channels: readonly string[];
  /** Unit of the samples. */
  readonly unit: Unit;
  /** Part of the image that is shown, in stored pixels. */
  readonly region: Region;
  /** Whether stored rows run downwards. */
  readonly topDown: boolean;
}

/** The whole of an image as a region. */
export const wholeRegion = (image: { readonly width: number; readonly height: number }): Region => ({
  x: 0,
  y: 0,
  width: image.width,
  height: image.height,
});

/** The region asked for, the whole for `null`; refused when it leaves the image. */
export function regionWithin(step: string, image: Image, region: Region | null): Region {
  if (region === null) return wholeRegion(image);
  const { x, y, width, height } = region;
  const inside = [x, y, width, height].every(Number.isInteger) && x >= 0 && y >= 0 && width > 0 && height > 0 &&
    x + width <= image.width && y + height <= image.height;
  if (!inside) {
    throw new RangeError(
      `${step}: region must lie within ${image.width} × ${image.height} pixels, ` +
        `but got x ${x}, y ${y}, ${width} × ${height}`,
    );
  }
  return region;
}

/** A part of an image for looking at: its samples alone, without a step in the history. */
export function partOf(step: string, image: Image, region: Region | null): Image {
  if (region === null) return image;
  const { x, y, width, height } = regionWithin(step, image, region);
  const planes = image.planes.map(({ channel, data }) => {
    const part = new Float32Array(width * height);
    for (let row = 0; row < height; row++) {
      const from = (y + row) * image.width + x;
      part.set(data.subarray(from, from + width), row * width);
    }
    return { channel, data: part };
  });
  return { ...image, width, height, planes, mask: null, variance: null, coverage: null };
}

/** Mean of each target cell over the part of the source it covers, fractions of pixels included; NaN is left out. */
function shrinkPlane(
  { data, stride }: { readonly data: Float32Array; readonly stride: number },
  region: Region,
  { width, height }: { readonly width: number; readonly height: number },
  topDown: boolean,
): Float32Array {
  const out = new Float32Array(width * height);
  const sumRow = new Float64Array(width);
  const weightRow = new Float64Array(width);
  const scaleX = region.width / width;
  const scaleY = region.height / height;
  // for each source column the first cell it falls in and the share that falls there; the rest goes to the next cell
  const cell = new Int32Array(region.width);
  const share = new Float64Array(region.width);
  for (let x = 0; x < region.width; x++) {
    cell[x] = Math.min(width - 1, Math.floor(x / scaleX));
    share[x] = Math.min(1, (cell[x] + 1) * scaleX - x);
  }
  for (let row = 0; row < height; row++) {
    sumRow.fill(0);
    weightRow.fill(0);
    const from = row * scaleY;
    const to = Math.min(region.height, from + scaleY);
    for (let y = Math.floor(from); y < to; y++) {
      const part = Math.min(y + 1, to) - Math.max(y, from);
      if (!(part > 1e-9)) continue;
      const at = (region.y + y) * stride + region.x;
      for (let x = 0; x < region.width; x++) {
        const v = data[at + x];
        if (v !== v) continue;
        const c = cell[x];
        const w = part * share[x];
        sumRow[c] += w * v;
        weightRow[c] += w;
        if (share[x] < 1 && c + 1 < width) {
          sumRow[c + 1] += (part - w) * v;
          weightRow[c + 1] += part - w;
        }
      }
    }
    const target = (topDown ? row : height - 1 - row) * width;
    for (let c = 0; c < width; c++) out[target + c] = weightRow[c] > 0 ? sumRow[c] / weightRow[c] : NaN;
  }
  return out;
}

/**
 * Planes that a picture of the image shows: the channel asked for; for `"automatic"` two or three planes together, else
 * the first.
 */
export function shownPlanes(image: Image, channel: string): Image["planes"] {
  if (channel !== "automatic") return [planeOf(image, channel)];
  return image.planes.length === 2 || image.planes.length === 3 ? image.planes : image.planes.slice(0, 1);
}

/**
 * A part of an image no larger than a box, by area means. An image smaller than the box keeps its pixels: whoever
 * draws it enlarges them.
 *
 * @param image any image
 * @param box largest width and height in pixels
 * @param region part to show, stored pixels
 * @param channel one channel, or `"automatic"` for the picture as a whole
 */
export function makePreview(
  image: Image,
  box: { readonly width: number; readonly height: number },
  region: Region = wholeRegion(image),
  channel: string = "automatic",
): Preview {
  const shrinkBy = Math.max(1, region.width / box.width, region.height / box.height);
  const width = Math.max(1, Math.round(region.width / shrinkBy));
  const height = Math.max(1, Math.round(region.height / shrinkBy));
  const topDown = firstRowOnTop(image.header);
  const shown = shownPlanes(image, channel);
  return {
    width,
    height,
    planes: shown.map(({ data }) => shrinkPlane({ data, stride: image.width }, region, { width, height }, topDown)),
    channels: shown.map((plane) => plane.channel),
    unit: image.unit,
    region,
    topDown,
  };
}

/**
 * How samples become brightness on the screen. `none`: they are brightness already. `linear`: black to white in
 * proportion. `sky`: asinh, with the sky of each plane at one dark grey.
 */
export type DisplayStretch =
  | { readonly kind: "none" }
  | { readonly kind: "linear"; readonly black: readonly number[]; readonly span: number }
  | {
    readonly kind: "sky";
    readonly black: readonly number[];
    readonly span: number;
    readonly beta: number;
    readonly whiteShare: number;
  };

/** `madSigmaFactor` to five digits: previews are drawn with it, and more digits would move their last one. */
const shortMadSigmaFactor = 1.4826;

/** Normal quantile that leaves 0.1 % of a pure Gaussian sky below black. */
const skyQuantile = 3.0902;
/** sRGB value of CIE lightness 15: dark, but clear of black on a screen. */
const skyGrey = 0.147713;
/** Share of the samples drawn white. */
const whiteShare = 0.0005;

/** At most some 200 000 samples spread evenly over a plane, enough for limits that only a drawing uses. */
export function sampleOf(data: Float32Array): Float32Array {
  const stride = Math.ceil(data.length / 200000) | 1; // odd, so that it does not run down one column
  return stride === 1
    ? data
    : Float32Array.from({ length: Math.floor(data.length / stride) }, (_, i) => data[i * stride]);
}

/**
 * Level and spread of the sky of a plane: the median, and the spread of what lies below it, which no star and little
 * nebula reaches.
 */
export function skyOf(data: Float32Array): { level: number; noise: number } {
  const some = sampleOf(data);
  const level = quantile(some, 0.5);
  const below = some.filter((v) => v < level).map((v) => level - v);
  return { level, noise: below.length === 0 ? 0 : shortMadSigmaFactor * quantile(below, 0.5) };
}

/** beta with asinh(beta t) / asinh(beta) = y for t < y: by bisection of its logarithm. */
function solveBeta(t: number, y: number): number {
  if (!(t > 0 && t < y)) return 1e-3;
  let low = Math.log(1e-3);
  let high = Math.log(1e9);
  for (let i = 0; i < 60; i++) {
    const middle = (low + high) / 2;
    const beta = Math.exp(middle);
    if (Math.asinh(beta * t) / Math.asinh(beta) < y) low = middle;
    else high = middle;
  }
  return Math.exp((low + high) / 2);
}

/**
 * The display stretch of a preview: none for a finished picture; for linear data asinh with black 3.09 sigma under the
 * sky (0.1 % of a Gaussian sky below it), white where 0.05 % of the samples lie above, and the sky at CIE lightness
 * 15. For looking only.
 */
export function fitDisplayStretch(preview: Preview): DisplayStretch {
  if (preview.unit === "display") return { kind: "none" };
  const skies = preview.planes.map(skyOf);
  const black = skies.map(({ level, noise }) => Number.isNaN(level) ? 0 : level - skyQuantile * noise);
  const tops = preview.planes.map((plane, at) => quantile(plane, 1 - whiteShare) - black[at]);
  const noise = Math.max(...skies.map((sky) => sky.noise));
  const span = Math.max(20 * noise, ...tops.filter((top) => top > 0), 1e-12);
  const t = Math.max(...skies.map(({ level }, at) => (level - black[at]) / span));
  return { kind: "sky", black, span, beta: solveBeta(t, skyGrey), whiteShare };
}

/**
 * Black to white in proportion, from the darkest to nearly the brightest sample: how linear data look before any
 * stretch.
 */
export function fitLinearDisplay(preview: Preview): DisplayStretch {
  if (preview.unit === "display") return { kind: "none" };
  const low = Math.min(...preview.planes.map((plane) => quantile(plane, whiteShare)));
  const high = Math.max(...preview.planes.map((plane) => quantile(plane, 1 - whiteShare)));
  return { kind: "linear", black: preview.planes.map(() => low), span: Math.max(high - low, 1e-12) };
}

/**
 * The same stretch with each plane's black moved to this preview's sky: contrast stays comparable where a step moved
 * the level.
 */
export function anchorStretch(stretch: DisplayStretch, from: Preview, to: Preview): DisplayStretch {
  if (stretch.kind !== "sky" || from.planes.length !== to.planes.length) return stretch;
  const black = stretch.black.map((each, at) => each + skyOf(to.planes[at]).level - skyOf(from.planes[at]).level);
  return { ...stretch, black };
}

/** How steep a stretch is at its black; 0 for one that brightens nothing. */
export const steepness = (stretch: DisplayStretch): number => stretch.kind === "sky" ? stretch.beta / stretch.span : 0;

/**
 * One display stretch for two images of one unit: the steeper of the two that they would have alone, so that nothing
 * which either shows is hidden, each with its own sky at the same grey.
 */
export function commonStretch(
  before: Preview,
  after: Preview,
  stretch: ViewOptions["stretch"],
): readonly [DisplayStretch, DisplayStretch] {
  if (stretch === "linear") {
    const one = fitLinearDisplay(before);
    return [one, one];
  }
  const own = [fitDisplayStretch(before), fitDisplayStretch(after)] as const;
  return steepness(own[1]) > steepness(own[0])
    ? [anchorStretch(own[1], after, before), own[1]]
    : [own[0], anchorStretch(own[0], before, after)];
}

/** How unit names are written on sheets. */
export function unitLabel(unit: Unit): string {
  return { "adu": "ADU", "electron": "e⁻", "electron/s": "e⁻/s", "ratio": "", "display": "" }[unit];
}

/** The stretch in words, for a caption. */
export function describeStretch(stretch: DisplayStretch, unit: Unit): string {
  if (stretch.kind === "none") return "shown as it is";
  const name = unitLabel(unit);
  const low = formatNumber(stretch.black[0], 4);
  const high = formatNumber(stretch.black[0] + stretch.span, 4);
  if (stretch.kind === "linear") return `linear data shown in proportion, ${low} to ${high} ${name}`;
  const planes = stretch.black.length > 1 ? "each channel's sky at the same grey, " : "";
  return `linear data, brightened for the screen: asinh, ${planes}black ${low}, white ${high} ${name} (${
    formatShare(stretch.whiteShare)
  } above)`;
}

/** The function from a sample of a plane to brightness 0 … 1; NaN stays NaN. */
export function displayCurve(stretch: DisplayStretch, plane: number): (value: number) => number {
  if (stretch.kind === "none") return (value) => value;
  const black = stretch.black[Math.min(plane, stretch.black.length - 1)];
  const { span } = stretch;
  if (stretch.kind === "linear") return (value) => (value - black) / span;
  const factor = stretch.beta / span;
  const gain = 1 / Math.asinh(stretch.beta);
  return (value) => gain * Math.asinh(factor * (value - black));
}

/** Colour of pixels without data: a blue that no sky has. */
export const noDataColour = [46, 58, 92] as const;

/** 8-bit samples (red, green, blue) of a preview under a stretch. */
export function drawPreview(preview: Preview, stretch: DisplayStretch): Uint8Array {
  const { width, height, planes } = preview;
  const samples = new Uint8Array(width * height * 3);
  planes.forEach((plane, p) => {
    const curve = displayCurve(stretch, p);
    for (let i = 0, at = p; i < plane.length; i++, at += 3) {
      const v = curve(plane[i]);
      samples[at] = v !== v ? noDataColour[p] : v >= 1 ? 255 : v > 0 ? Math.round(255 * v) : 0;
      // one plane is grey; the second of two is green and blue
      if (planes.length === 1) samples[at + 1] = v !== v ? noDataColour[1] : samples[at];
      if (planes.length === 1 || (planes.length === 2 && p === 1)) {
        samples[at + 3 - planes.length] = v !== v ? noDataColour[2] : samples[at];
      }
    }
  });
  return samples;
}

/** Interleaved 8-bit samples as a data address for a drawing. */
export function pixelsAddress(samples: Uint8Array, width: number, height: number): string {
  return dataAddress({ bytes: encodePng16({ width, height, channels: 3, samples }), type: "image/png" });
}
