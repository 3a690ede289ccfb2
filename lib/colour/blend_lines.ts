/** Lines as a picture: lightness from all of them, hue from which of them shines where. */
import { allocatePlane, derive, type Image, requireDisplay, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { screenColours } from "../kernels/screen_colour.ts";
import { cosPortable, expPortable, logPortable, sinPortable } from "../kernels/elementary.ts";
import type { SkyPart } from "../measure/sky_level.ts";
import { quantile } from "../stats/median.ts";
import { smoothedLine } from "./map_line_ratio.ts";

/** The colour of one line. */
export interface LineColour {
  /** Channel. */
  readonly channel: string;
  /** Hue where this line shines alone, degrees in Oklab: red 29, gold 85, green 142, teal 195, blue 264. */
  readonly hueDegrees: number;
}

/** Options of {@linkcode blendLines}. */
export interface BlendLinesOptions {
  /** Lines and their hues, at least two. */
  readonly lines: readonly LineColour[];
  /**
   * Hue where two lines shine alike, degrees in Oklab; NaN for a straight way between them through grey. Used with two
   * lines.
   */
  readonly hueBetweenDegrees: number;
  /** Chroma (Oklab) of a pure line at lightness 0.65; it grows and falls with lightness. */
  readonly chroma: number;
  /** Sigma of the Gaussian the lines are smoothed with before their ratio is taken, pixels. */
  readonly smoothingPixels: number;
  /** Signal-to-noise ratio at which half of the colour shows; the share is r² / (1 + r²) with r the ratio over this. */
  readonly halfSnr: number;
  /**
   * Where the lines' sky and noise are measured: a part of the field that is free of nebula, `darkest` to find one,
   * null for all of it.
   */
  readonly skyRegion: SkyPart;
  /**
   * How the lines are spread over the palette; "automatic" measures it. A part is painted as the whole by the whole's.
   */
  readonly palette: LinePalette | "automatic";
}

/** How the lines of a field are spread over the palette: plain numbers of the whole field. */
export interface LinePalette {
  /** Where the palette of two lines begins, ln(second / first). */
  readonly low: number;
  /** How long it is. */
  readonly span: number;
  /** Where the field's median ratio lies on it, 0 … 1. */
  readonly median: number;
  /** Height that each of three or more lines is scaled to; none for two. */
  readonly scales: readonly number[];
  /** Power that the shares of three or more lines are raised to. */
  readonly power: number;
}

/** A line above its sky, smoothed. */
interface LineField {
  readonly signal: Float32Array;
  readonly noise: number;
}

/**
 * What {@linkcode blendLines} uses for an option left out: hydrogen red, oxygen teal, as they are seen (656 and 501
 * nm), and gold between them, by our own judgement, because the way through grey hides where both shine; ratios
 * smoothed over the width of a star; half of the colour at two and a half standard deviations.
 */
export const blendLinesDefaults: Readonly<BlendLinesOptions> = Object.freeze({
  lines: Object.freeze([
    Object.freeze({ channel: "Ha", hueDegrees: 25 }),
    Object.freeze({ channel: "OIII", hueDegrees: 212 }),
  ]),
  hueBetweenDegrees: 70,
  chroma: 0.15,
  smoothingPixels: 2,
  halfSnr: 2.5,
  skyRegion: null,
  palette: "automatic",
});

/** The line ratios of a field are spread over the palette between these shares of the samples. */
const lowQuantile = 0.04;
const highQuantile = 0.96;
/** A field whose ratios differ by less than this factor is not spread further: it would be noise. */
const minimumRatioSpread = 4;
/**
 * Shares of three lines and more are raised to a power that makes them differ by this factor, so that each hue is
 * seen, four at most.
 */
const wantedSharesSpread = 16;
const maximumPower = 4;

/** How lines are painted. */
interface PaintSettings extends LinePalette {
  readonly width: number;
  /** Noise of each line. */
  readonly noises: readonly number[];
  /** Direction of each line's hue. */
  readonly axes: readonly (readonly [number, number])[];
  /** Direction between two lines; null for a straight way. */
  readonly between: readonly [number, number] | null;
  readonly chroma: number;
  readonly halfSnr: number;
}

/** Paints rows of lines. */
export function paintRows(band: Band<PaintSettings>): void {
  const { width, noises, axes, between, low, span, median, scales, power, chroma, halfSnr } = band.parameters;
  const { read, write } = openBand(band);
  const [luminance, ...signals] = read as Float32Array[];
  const { out, lightness: lightnessOf, screen } = screenColours();
  const two = signals.length === 2;
  for (let i = band.from * width; i < band.to * width; i++) {
    let snr = 0;
    for (let k = 0; k < signals.length; k++) {
      const s = noises[k] > 0 ? signals[k][i] / noises[k] : signals[k][i] > 0 ? Infinity : 0;
      if (s > snr) snr = s;
    }
    // Colour comes in gently, a half of it at the ratio asked for: a threshold would draw islands.
    const u2 = (snr / halfSnr) * (snr / halfSnr);
    const gate = snr === Infinity ? 1 : u2 / (1 + u2);
    let a = 0;
    let b = 0;
    if (two) {
      // A line lost in its noise stands at one standard deviation: the other decides, as far as its own height allows.
      const floorH = Math.max(signals[0][i], noises[0]);
      const floorO = Math.max(signals[1][i], noises[1]);
      let t = (logPortable(floorO / floorH) - low) / span;
      t = t < 0 ? 0 : t > 1 ? 1 : t === t ? t : median;
      t = median + (t - median) * gate;
      // A quadratic curve (Bézier) from one hue to the other, drawn towards the hue between.
      const u = 1 - t;
      const straight = between === null;
      const wh = straight ? u : u * u;
      const wo = straight ? t : t * t;
      const w = straight ? 0 : 2 * u * t;
      a = wh * axes[0][0] + wo * axes[1][0] + (straight ? 0 : w * between[0]);
      b = wh * axes[0][1] + wo * axes[1][1] + (straight ? 0 : w * between[1]);
    } else {
      let sum = 0;
      for (let k = 0; k < signals.length; k++) {
        const height = signals[k][i] / scales[k];
        const share = height > 0 ? expPortable(power * logPortable(height)) : 0;
        a += share * axes[k][0];
        b += share * axes[k][1];
        sum += share;
      }
      if (sum > 0) {
        a /= sum;
        b /= sum;
      }
    }
    const lightness = lightnessOf(luminance[i]);
    const strength = gate * chroma * lightness / 0.65;
    screen(lightness, a * strength, b * strength);
    for (let c = 0; c < 3; c++) write[c][i] = lightness === lightness ? out[c] : NaN;
  }
}

const paintTask: PoolTask<Band<PaintSettings>, void> = {
  module: import.meta.url,
  name: "paintRows",
  run: paintRows,
};

/** Distance of the samples a palette is measured from: some 200 000 of a field. */
const paletteStride = (size: number): number => Math.max(1, Math.floor(size / 200_000) | 1);

/** Where two lines' palette begins, how long it is, and where the median ratio lies on it. */
function spreadRatios(
  [first, second]: readonly LineField[],
  halfSnr: number,
): Pick<LinePalette, "low" | "span" | "median"> {
  const size = first.signal.length;
  const ratios: number[] = [];
  for (let i = 0; i < size; i += paletteStride(size)) {
    const a = first.signal[i];
    const b = second.signal[i];
    if (a > halfSnr * first.noise && b > halfSnr * second.noise) ratios.push(logPortable(b / a));
  }
  const minimumSpan = logPortable(minimumRatioSpread);
  if (ratios.length < 20) {
    // Nowhere do both lines show: each keeps its own colour, and equal heights lie halfway.
    const span = 2 * minimumSpan;
    return { low: -span / 2, span, median: 0.5 };
  }
  let low = quantile(ratios, lowQuantile);
  let span = quantile(ratios, highQuantile) - low;
  if (span < minimumSpan) {
    low -= (minimumSpan - span) / 2;
    span = minimumSpan;
  }
  return { low, span, median: (quantile(ratios, 0.5) - low) / span };
}

/** Height that half a percent of the field exceeds, at least three standard deviations. */
function scaleOf({ signal, noise }: LineField): number {
  const thin: number[] = [];
  for (let i = 0; i < signal.length; i += paletteStride(signal.length)) {
    if (signal[i] === signal[i]) thin.push(signal[i]);
  }
  return Math.max(quantile(thin, 0.995), 3 * noise);
}

/** How the lines of a field are spread over the palette. */
function measurePalette(fields: readonly LineField[], halfSnr: number): LinePalette {
  if (fields.length === 2) return { ...spreadRatios(fields, halfSnr), scales: [], power: 1 };
  const scales = fields.map(scaleOf);
  return { low: 0, span: 1, median: 0.5, scales, power: powerOf(fields, scales, halfSnr) };
}

/** Refuse options out of range, and a luminance of several planes. */
function requireBlendOptions(used: BlendLinesOptions, luminance: Image): void {
  const { chroma, smoothingPixels, halfSnr } = used;
  if (used.lines.length < 2) {
    throw new RangeError(`blendLines: lines must be at least two, but got ${used.lines.length}`);
  }
  if (!(chroma >= 0)) throw new RangeError(`blendLines: chroma must be ≥ 0, but got ${chroma}`);
  if (!(smoothingPixels >= 0)) {
    throw new RangeError(`blendLines: smoothingPixels must be ≥ 0, but got ${smoothingPixels}`);
  }
  if (!(halfSnr > 0)) throw new RangeError(`blendLines: halfSnr must be > 0, but got ${halfSnr}`);
  if (luminance.planes.length !== 1) {
    throw new TypeError(`blendLines: luminance must have one plane, but has ${luminance.planes.length}`);
  }
}

/**
 * Paint lines: lightness is that of `luminance`, hue follows the smoothed share of each line, chroma follows lightness
 * and fades where the lines are too faint to tell. Two lines are spread over the palette by the logarithm of their
 * ratio, from the 4th to the 96th percentile of what the field shows; three or more mix by their shares, each line
 * scaled to the height that half a percent of the field exceeds, and raised to the power (1 … 4) that spreads what
 * they differ by over the palette: where gas shines in all of them by nearly the same shares the picture would be all
 * grey.
 *
 * @param lines linear, gradient removed, stars taken out or not
 * @param luminance a stretched picture of one plane: all lines together
 * @returns R, G, B, unit "display", sRGB encoded. NaN where the luminance has no data. Cost: a smoothing a line and
 * about 0.5 µs a pixel
 * @throws {TypeError} if `lines` is stretched, `luminance` is not, or a channel is missing
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example Hydrogen turns red, oxygen teal
 * ```ts
 * import assert from "node:assert/strict";
 * import { blendLines } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const at = (test: (x: number) => boolean, unit: "adu" | "display", channel: string) => ({
 *   channel,
 *   data: Float32Array.from({ length: 90 * 60 }, (_, i) => {
 *     const grain = (i * 7919 % 13) / 13, on = test(i % 90);
 *     return unit === "adu" ? grain + (on ? 50 : 0) : on ? 0.6 : 0.1;
 *   }),
 * });
 * const size = { width: 90, height: 60 };
 * const lines = createImage({
 *   ...size,
 *   unit: "adu",
 *   planes: [at((x) => x < 20, "adu", "Ha"), at((x) => x > 70, "adu", "OIII")],
 * });
 * const light = createImage({ ...size, unit: "display", planes: [at((x) => x < 20 || x > 70, "display", "L")] });
 * const [r, g, b] = blendLines(lines, light).planes.map((plane) => plane.data);
 * assert.ok(r[2700 + 8] > g[2700 + 8] && r[2700 + 82] < g[2700 + 82] && r[2700 + 82] < b[2700 + 82]);
 * assert.ok(Math.abs(r[2700 + 45] - b[2700 + 45]) < 0.01);
 * ```
 */
export function blendLines(lines: Image, luminance: Image, options: Partial<BlendLinesOptions> = {}): Image {
  const used = settle("blendLines", blendLinesDefaults, options);
  requireLinear("blendLines", lines);
  requireDisplay("blendLines", luminance);
  requireSameSize("blendLines", lines, luminance);
  requireBlendOptions(used, luminance);
  const { hueBetweenDegrees, chroma, halfSnr } = used;
  const { width, height } = lines;
  const fields = used.lines.map(({ channel }) => smoothedLine(lines, channel, used.smoothingPixels, used.skyRegion));
  const { low, span, median, scales, power } = used.palette === "automatic"
    ? measurePalette(fields, halfSnr)
    : used.palette;
  const axis = (hue: number) => [cosPortable(hue * Math.PI / 180), sinPortable(hue * Math.PI / 180)] as const;
  const out = ["R", "G", "B"].map((channel) => ({ channel, data: allocatePlane(width, height) }));
  overBands(
    paintTask,
    height,
    width * (fields.length + 4),
    [luminance.planes[0].data, ...fields.map(({ signal }) => signal)],
    out.map(({ data }) => data),
    {
      width,
      noises: fields.map(({ noise }) => noise),
      axes: used.lines.map(({ hueDegrees }) => axis(hueDegrees)),
      between: Number.isNaN(hueBetweenDegrees) ? null : axis(hueBetweenDegrees),
      low,
      span,
      median,
      scales,
      power,
      chroma,
      halfSnr,
    },
  );
  return derive([lines, luminance], { planes: out, unit: "display", variance: null }, {
    step: "blendLines",
    options: used,
  });
}

/** Power that makes the shares of lines differ by {@linkcode wantedSharesSpread} where all of them show. */
function powerOf(
  fields: readonly LineField[],
  scales: readonly number[],
  halfSnr: number,
): number {
  const size = fields[0].signal.length;
  const stride = paletteStride(size);
  const away: number[][] = fields.map(() => []);
  for (let i = 0; i < size; i += stride) {
    if (!fields.every(({ signal, noise }) => signal[i] > halfSnr * noise && signal[i] > 0)) continue;
    const heights = fields.map(({ signal }, k) => logPortable(signal[i] / scales[k]));
    const mean = heights.reduce((a, b) => a + b, 0) / heights.length;
    heights.forEach((v, k) => away[k].push(v - mean));
  }
  if (away[0].length < 20) return 1;
  const spread = Math.max(...away.map((list) => quantile(list, highQuantile) - quantile(list, lowQuantile)));
  return spread > 0 ? Math.max(1, Math.min(maximumPower, logPortable(wantedSharesSpread) / spread)) : 1;
}
