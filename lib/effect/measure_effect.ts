/** What a step did to a picture, in numbers, and what it may have spoiled, in plain words. */
import { linearToOklab, srgbToLinear } from "../core/colour_space.ts";
import type { Point } from "../core/geometry.ts";
import { type Image, isLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { atan2Portable } from "../kernels/elementary.ts";
import { type BackgroundSample, type BackgroundSamples, sampleBackground } from "../background/sample_background.ts";
import { type BackgroundSurface, fitSurface } from "../background/fit_surface.ts";
import { detectStars, type StarList } from "../stars/detect_stars.ts";
import { fitPolynomialSurface, polynomialSurfaceAt } from "../surfaces/polynomial_surface.ts";
import { measureSky } from "../measure/sky_level.ts";
import { scaleNoise, starlet, starletGains } from "../filters/starlet.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { type ClippedShare, measureClipping } from "../tone/measure_clipping.ts";

/** Before and after; null where it could not be measured. */
export interface Change {
  /** Before the step. */
  readonly before: number | null;
  /** After the step. */
  readonly after: number | null;
}

/** What the caller of {@linkcode measureEffect} knows about the step. */
export interface Purpose {
  /** The step is meant to change the stars: no doubt is raised about their number, width or light. */
  readonly changesStars: boolean;
  /** The step is meant to change colours: no doubt is raised about them. */
  readonly changesColour: boolean;
}

/**
 * What {@linkcode measureEffect} assumes of a step it is told nothing about: it should leave stars and colours as they
 * are.
 */
export const purposeDefaults: Readonly<Purpose> = Object.freeze({
  changesStars: false,
  changesColour: false,
});

/** What a step did. Lengths in pixels, levels in the unit of the image they were measured on. */
export interface Effect {
  /** Noise at 1, 2, 4, 8 and 16 pixels (starlet), mean of the channels, within the middle four megapixels. */
  readonly noise: readonly (Change & {
    /** Scale, pixels. */
    readonly pixels: number;
  })[];
  /** Stars. */
  readonly stars: {
    /** How many are found at five standard deviations. */
    readonly count: Change;
    /** Typical width; on a picture wider than on linear data, as the stretch lifts the wings. */
    readonly fwhm: Change;
    /** Light after over light before, of the bright stars; null between linear data and a picture, or without stars. */
    readonly light: number | null;
    /** Depth of the darkest ring about bright stars, in standard deviations of the sky; 0 for none. */
    readonly ring: Change;
    /** Dark holes that the step left beside bright stars; null unless both are linear. */
    readonly holes: number | null;
  };
  /** Range over the field of a surface of degree 2 through the free sky, in standard deviations of the pixel noise. */
  readonly flatness: Change;
  /**
   * Light in fixed boxes on the nebula, above a sky that may slope: a polynomial through the same boxes of free sky
   * before and after, so that taking a gradient away is no change of the nebula.
   */
  readonly nebula: {
    /** How many boxes. */
    readonly boxes: number;
    /** Light after over light before, median over the boxes; null unless both are linear, or without a nebula. */
    readonly light: number | null;
    /** Scatter of that ratio over the boxes. */
    readonly scatter: number | null;
    /** Standard error of that ratio: what the sky under the nebula is unsure by. */
    readonly error: number | null;
  };
  /** Shares of samples at the ends; black and white only of a picture. */
  readonly clipped: {
    /** Share at black, the largest over the channels. */
    readonly black: Change;
    /** Share at white, the largest over the channels. */
    readonly white: Change;
    /** Share without data. */
    readonly missing: Change;
  };
  /**
   * Turn of the nebula's hue (Oklab, degrees) between two pictures: mean of the turns of its boxes, each counted by
   * its colour, so that a nebula whose red and blue parts make grey together still has one. Null between other images,
   * and where the boxes themselves are grey (chroma below 0.01), because a grey has no hue.
   */
  readonly hueDegrees: number | null;
  /**
   * Largest change of a channel's share in the nebula's light, as a factor; null without several channels or a nebula.
   */
  readonly colourFactor: number | null;
  /** What a reader should doubt, in plain words; empty when nothing stands out. */
  readonly doubts: readonly string[];
}

/** Noise at one scale. */
interface ScaleNoise {
  /** Scale, pixels. */
  readonly pixels: number;
  /** Standard deviation of the noise in the details of that scale, mean of the channels. */
  readonly sigma: number;
}

/** What was measured of one image. Levels are in its unit. */
interface EffectSide {
  /** Level of the sky, one a plane. */
  readonly sky: readonly number[];
  /** Spread of the sky, one a plane. */
  readonly noise: readonly number[];
  /** Noise at 1, 2, 4, 8 and 16 pixels (starlet), within the middle four megapixels. */
  readonly noiseByScale: readonly ScaleNoise[];
  /** Range over the field of a surface of degree 2 through the free sky, mean of the channels; NaN without sky. */
  readonly unevenness: number;
  /** Stars found at five standard deviations. */
  readonly stars: number;
  /**
   * Their FWHM, pixels; NaN without stars. On a picture it is wider than on linear data, as the stretch lifts the
   * wings.
   */
  readonly fwhmPixels: number;
  /** Depth of the darkest ring about bright stars, in standard deviations of the sky; 0 for none. */
  readonly ringSigma: number;
  /** Shares at the ends of the range; only of a finished picture. */
  readonly clipped: readonly ClippedShare[];
  /** Share of samples without data, 0 … 1. */
  readonly missing: number;
}

/** Everything that was measured, before doubts are drawn from it. */
interface Findings {
  readonly before: EffectSide;
  readonly after: EffectSide;
  readonly starFlux: number;
  readonly nebula: { readonly boxes: number; readonly light: number; readonly scatter: number; readonly error: number };
  /** The same for each channel that shows the nebula, with the light of its stars. */
  readonly channels: readonly ChannelLight[];
  readonly holes: Holes;
  readonly hueDegrees: number;
  readonly colourFactor: number;
}

/** What became of one channel's light. */
interface ChannelLight {
  readonly channel: string;
  /** Light of the nebula after over before. */
  readonly nebula: number;
  /** The same over what became of the light of the stars there; NaN without stars. */
  readonly besideStars: number;
}

/** Dark holes beside stars. */
interface Holes {
  /** How many; NaN where it was not looked for. */
  readonly count: number;
  /** Depth of the deepest, standard deviations of the sky. */
  readonly deepest: number;
  /** Where it is. */
  readonly x: number;
  /** Where it is. */
  readonly y: number;
}

const SCALES = 5;

/** What an image tells by itself. */
interface MeasuredAlone {
  readonly side: Omit<EffectSide, "ringSigma">;
  readonly skyNoise: number;
  readonly found: StarList;
  readonly boxes: BackgroundSamples;
}

interface Measured extends MeasuredAlone {
  readonly side: EffectSide;
  readonly mean: Float32Array;
}

/** Images are values, so one that was measured need not be again: what a step gave is what the next one takes. */
const measuredBefore = new WeakMap<Image, MeasuredAlone>();

/** The middle of a plane, at most 2048 pixels each way. */
function middleOf(
  data: Float32Array,
  width: number,
  height: number,
): { data: Float32Array; width: number; height: number } {
  const w = Math.min(width, 2048);
  const h = Math.min(height, 2048);
  if (w === width && h === height) return { data, width, height };
  const x0 = (width - w) >> 1;
  const y0 = (height - h) >> 1;
  const out = new Float32Array(w * h);
  for (let y = 0; y < h; y++) out.set(data.subarray((y0 + y) * width + x0, (y0 + y) * width + x0 + w), y * w);
  return { data: out, width: w, height: h };
}

function meanOf(image: Image): Float32Array {
  const { planes } = image;
  if (planes.length === 1) return planes[0].data;
  const out = new Float32Array(planes[0].data.length);
  for (let i = 0; i < out.length; i++) {
    let sum = 0;
    for (const { data } of planes) sum += data[i];
    out[i] = sum / planes.length;
  }
  return out;
}

/** Visit the samples of a ring about a star. */
function visitRing(
  width: number,
  height: number,
  { x, y }: Point,
  from: number,
  to: number,
  visit: (i: number, j: number) => void,
): void {
  for (let j = Math.max(0, Math.ceil(y - to)); j <= Math.min(height - 1, y + to); j++) {
    for (let i = Math.max(0, Math.ceil(x - to)); i <= Math.min(width - 1, x + to); i++) {
      const d = (i - x) * (i - x) + (j - y) * (j - y);
      if (d >= from * from && d <= to * to) visit(i, j);
    }
  }
}

/** Median of a part of a ring; NaN where the image ends. */
const ringMedian = (list: readonly number[]): number => list.length < 6 ? NaN : median(list);

/** Median of the samples of a ring about a star. */
function ringLevel(
  data: Float32Array,
  width: number,
  height: number,
  star: Point,
  from: number,
  to: number,
): number {
  const list: number[] = [];
  visitRing(width, height, star, from, to, (i, j) => list.push(data[j * width + i]));
  return ringMedian(list);
}

/** How far the darkest of three rings about the bright stars lies below their surroundings, in standard deviations. */
function ringDepth(
  data: Float32Array,
  width: number,
  height: number,
  places: StarList,
  noise: number,
): number {
  const fwhm = places.fwhmPixels;
  if (!(fwhm > 0) || !(noise > 0)) return 0;
  const depths = places.stars.filter((s) => s.snr > 50).slice(0, 40).flatMap((s) => {
    const around = ringLevel(data, width, height, s, 5 * fwhm, 6.5 * fwhm);
    const rings = [[1, 1.5], [1.5, 2.1], [2.1, 3]].map(([a, b]) =>
      ringLevel(data, width, height, s, a * fwhm, b * fwhm)
    );
    const lowest = Math.min(...rings.filter((v) => v === v), around);
    return around === around ? [(around - lowest) / noise] : [];
  });
  return depths.length < 3 ? 0 : median(depths);
}

function measureOne(image: Image, places: StarList | null): Measured {
  const { width, height } = image;
  const mean = meanOf(image);
  const alone = measuredBefore.get(image) ?? measureAlone(image, mean);
  measuredBefore.set(image, alone);
  const ringSigma = ringDepth(mean, width, height, places ?? alone.found, alone.skyNoise);
  return { ...alone, side: { ...alone.side, ringSigma }, mean };
}

function measureAlone(image: Image, mean: Float32Array): MeasuredAlone {
  const { width, height } = image;
  // The measuring functions take linear data; here they only look, so a picture is handed to them as it is.
  const open: Image = { ...image, unit: "adu", geometry: { ...image.geometry, bayer: null } };
  const grey: Image = { ...open, planes: [{ channel: "L", data: mean }], variance: null };
  const middle = middleOf(mean, width, height);
  const noiseByScale = starlet(middle.data, middle.width, middle.height, SCALES).scales.map((detail, j) => ({
    pixels: 2 ** j,
    sigma: scaleNoise(detail),
  }));
  const found = detectStars(grey, { maximumStars: 5000 });
  const sky = measureSky(open);
  const [greySky] = measureSky(grey);
  const bowl = skySurface(() =>
    fitSurface(sampleBackground(grey, { boxesAlong: 16 }), { model: "polynomial", maximumDegree: 2 })
  );
  const unevenness = bowl === null ? NaN : bowl.ranges[0];
  const shares = measureClipping(image);
  return {
    side: {
      sky: sky.map((each) => each.level),
      noise: sky.map((each) => each.noise),
      noiseByScale,
      unevenness,
      stars: found.stars.length,
      fwhmPixels: found.fwhmPixels,
      clipped: isLinear(image) ? [] : shares,
      missing: 1 - Math.min(...shares.map((s) => s.samples)) / (width * height),
    },
    skyNoise: greySky.noise,
    found,
    boxes: sampleBackground(open, { boxesAlong: 20 }),
  };
}

/** A surface, or null for a field without sky. */
function skySurface(fit: () => BackgroundSurface): BackgroundSurface | null {
  try {
    return fit();
  } catch (cause) {
    if (cause instanceof RangeError) return null;
    throw cause;
  }
}

const surfacesBefore = new WeakMap<BackgroundSamples, BackgroundSurface | null>();

/** Surface through the free sky of the mean of the channels; null without any. */
function meanSurface(boxes: BackgroundSamples): BackgroundSurface | null {
  const known = surfacesBefore.get(boxes);
  if (known !== undefined) return known;
  const mean = (list: readonly number[]) => [list.reduce((a, b) => a + b, 0) / list.length];
  const samples = boxes.samples.map((s) => ({
    ...s,
    levels: mean(s.levels),
    errors: mean(s.errors),
    spreads: mean(s.spreads),
  }));
  const surface = skySurface(() => fitSurface({ ...boxes, channels: ["L"], samples }, { maximumDegree: 3 }));
  surfacesBefore.set(boxes, surface);
  return surface;
}

/** Light of each box above the sky, channel by channel. */
type BoxLight = (box: number, channel: number) => number;

/**
 * Light of the boxes of an image above its sky: a polynomial of one kind through boxes that showed free sky before the
 * step, the same for before and after. Whatever smooth light a step adds or takes, boxes of sky and of nebula lose
 * alike; what it takes from the nebula alone is missed by none of the former.
 */
function boxLight(
  boxes: readonly BackgroundSample[],
  sky: BackgroundSurface | null,
  levels: readonly number[],
  { width, height }: Image,
): BoxLight {
  if (sky === null) return (box, channel) => boxes[box].levels[channel] - levels[channel];
  const { chosen: { model, degree } } = sky;
  const surfaces = levels.map((_, c) =>
    fitPolynomialSurface(
      sky.samples.flatMap(({ doubt }, i) =>
        doubt === "" && boxes[i].doubt !== "no data"
          ? [{ x: boxes[i].x, y: boxes[i].y, value: boxes[i].levels[c] }]
          : []
      ),
      { width, height, degree, radial: model === "vignetting" },
    )
  );
  return (box, channel) => {
    const { x, y, levels } = boxes[box];
    return levels[channel] - polynomialSurfaceAt(surfaces[channel], x, y);
  };
}

/** Rings about a star that are searched for holes, and the one they are compared with, FWHM. */
const HOLE_RINGS = [2, 3, 4, 5.2, 6.8] as const;
const BEYOND = [6.8, 9] as const;
const SECTORS = 8;
/**
 * A hole is at least this deep, standard deviations of the sky: the median of the smallest sector errs by a third of
 * one.
 */
const HOLE_DEPTH = 3;

/** Medians of the sectors of a ring about a star; NaN where the image ends. */
function sectorLevels(
  data: Float32Array,
  width: number,
  height: number,
  star: Point,
  from: number,
  to: number,
): number[] {
  const lists: number[][] = Array.from({ length: SECTORS }, () => []);
  visitRing(width, height, star, from, to, (i, j) => {
    const turn = atan2Portable(j - star.y, i - star.x) / (2 * Math.PI) + 1;
    lists[Math.floor(turn * SECTORS) % SECTORS].push(data[j * width + i]);
  });
  return lists.map(ringMedian);
}

/**
 * Holes that a step left beside bright stars. A hole is a sector of a ring about the star that has become darker than
 * what is beyond it in that direction, and by more than the neighbouring directions beyond differ, as nebulae have
 * dark places of their own.
 *
 * @param gains light after over before of each channel
 */
function findHoles(
  before: Image,
  after: Image,
  found: StarList,
  noise: readonly number[],
  gains: readonly number[],
): Holes {
  const { width, height } = before;
  const fwhm = found.fwhmPixels;
  const places: { readonly x: number; readonly y: number }[] = [];
  let deepest = 0;
  let at = { x: NaN, y: NaN };
  if (!(fwhm > 0)) return { count: NaN, deepest, ...at };
  for (const { x, y } of found.stars.filter((s) => s.snr > 50).slice(0, 60)) {
    let own = 0;
    let place = at;
    for (let c = 0; c < noise.length; c++) {
      const [was, is] = [before, after].map(({ planes }) => (from: number, to: number) =>
        sectorLevels(planes[c].data, width, height, { x, y }, from * fwhm, to * fwhm)
      );
      const beyondWas = was(...BEYOND);
      const beyondIs = is(...BEYOND);
      for (let ring = 0; ring + 1 < HOLE_RINGS.length; ring++) {
        const [from, to] = [HOLE_RINGS[ring], HOLE_RINGS[ring + 1]];
        const levelsWas = was(from, to);
        const levelsIs = is(from, to);
        for (let k = 0; k < SECTORS; k++) {
          const towards = [(k + SECTORS - 1) % SECTORS, k, (k + 1) % SECTORS];
          const around = towards.map((n) => beyondIs[n]);
          const low = Math.min(...around);
          const depth = low - levelsIs[k];
          const deeper = depth - gains[c] * Math.max(0, Math.min(...towards.map((n) => beyondWas[n])) - levelsWas[k]);
          if (!(deeper > own * noise[c] && depth > Math.max(...around) - low)) continue;
          own = deeper / noise[c];
          const angle = (k + 0.5) * 2 * Math.PI / SECTORS;
          const r = (from + to) / 2 * fwhm;
          place = { x: Math.round(x + r * Math.cos(angle)), y: Math.round(y + r * Math.sin(angle)) };
        }
      }
    }
    // One hole may lie within the rings of several stars.
    const known = places.some((each) =>
      (each.x - place.x) ** 2 + (each.y - place.y) ** 2 < (HOLE_RINGS[4] * fwhm) ** 2
    );
    if (own >= HOLE_DEPTH && !known) places.push(place);
    if (own > deepest) {
      deepest = own;
      at = place;
    }
  }
  return { count: places.length, deepest, ...at };
}

/** Light of stars after over before. */
interface StarFlux {
  /** Median; NaN with fewer than five stars. */
  readonly ratio: number;
  /**
   * At a place: thin cloud that a step makes up for lies over a part of the field. The median with fewer than twenty
   * stars.
   */
  readonly at: (x: number, y: number) => number;
}

/** Light of bright stars after over before, within a FWHM, above a ring. */
function starFluxRatio(
  found: StarList,
  before: Float32Array,
  after: Float32Array,
  width: number,
  height: number,
): StarFlux {
  const fwhm = found.fwhmPixels;
  if (!(fwhm > 0)) return { ratio: NaN, at: () => NaN };
  const light = (data: Float32Array, x: number, y: number): number => {
    const around = ringLevel(data, width, height, { x, y }, 3 * fwhm, 4.5 * fwhm);
    let sum = 0;
    for (let j = Math.ceil(y - 1.5 * fwhm); j <= y + 1.5 * fwhm; j++) {
      for (let i = Math.ceil(x - 1.5 * fwhm); i <= x + 1.5 * fwhm; i++) {
        if (i < 0 || j < 0 || i >= width || j >= height) return NaN;
        if ((i - x) * (i - x) + (j - y) * (j - y) <= 2.25 * fwhm * fwhm) sum += data[j * width + i] - around;
      }
    }
    return sum;
  };
  const ratios = found.stars.filter((s) => !s.saturated && s.snr > 30).slice(0, 60).flatMap((s) => {
    const was = light(before, s.x, s.y);
    const is = light(after, s.x, s.y);
    return was > 0 && is === is ? [{ x: s.x, y: s.y, value: is / was }] : [];
  });
  const ratio = ratios.length < 5 ? NaN : median(ratios.map(({ value }) => value));
  if (ratios.length < 20) return { ratio, at: () => ratio };
  let used = ratios;
  let plane = fitPolynomialSurface(used, { width, height, degree: 1 });
  for (let round = 0; round < 3; round++) {
    const off = ratios.map((each) => Math.abs(each.value - polynomialSurfaceAt(plane, each.x, each.y)));
    const limit = 3 * madSigmaFactor * median(off);
    used = ratios.filter((_, i) => off[i] <= limit);
    if (used.length < 20) return { ratio, at: () => ratio };
    plane = fitPolynomialSurface(used, { width, height, degree: 1 });
  }
  return { ratio, at: (x, y) => polynomialSurfaceAt(plane, x, y) };
}

/** Colour of a box of a picture, a and b of Oklab. */
function boxColour({ levels }: BackgroundSample): readonly [number, number] {
  const [r, g, blue] = levels.map((v) => srgbToLinear(Math.max(0, v)));
  const [, a, b] = linearToOklab(r, g, blue);
  return [a, b];
}

/** Turn of the hue of boxes in degrees, each counted by its chroma before and after; NaN when all are grey. */
function hueTurn(before: readonly BackgroundSample[], after: readonly BackgroundSample[]): number {
  let along = 0;
  let across = 0;
  let chroma = 0;
  before.forEach((box, i) => {
    const [pa, pb] = boxColour(box);
    const [qa, qb] = boxColour(after[i]);
    along += pa * qa + pb * qb;
    across += qb * pa - qa * pb;
    chroma += Math.min(pa * pa + pb * pb, qa * qa + qb * qb) / before.length;
  });
  // Below a chroma of 0.01 a hue means nothing.
  return chroma > 1e-4 ? atan2Portable(across, along) * 180 / Math.PI : NaN;
}

const percent = (share: number): string =>
  `${share < 0.995 ? (100 * share).toPrecision(2) : Math.round(100 * share)} %`;

/**
 * Set an image beside what a step made of it and measure what changed: noise by scale, count and width of the stars,
 * dark rings, flatness of the sky, light of the nebula in fixed boxes, clipped shares at both ends, hue and colour;
 * and say in plain words what may have been spoiled. Doubts are raised by these rules of our own:
 *
 * | doubt | raised when |
 * |---|---|
 * | clipped to black, to white | more than 0.5 %, 0.2 % of a picture's samples lie there, and more than before |
 * | nebula lost or gained light | by more than 2 % in a channel, by more than twice what the sky under it is unsure by, and the stars of the channel did not change by the same factor (which would be a gain) |
 * | stars gained dark rings | the darkest ring lies 1 standard deviation or more below, and twice as deep as before |
 * | a dark hole beside a star | a sector of a ring of 2 to 6.8 FWHM has come to lie 3 standard deviations or more below what is beyond it, and by more than that differs; between linear data |
 * | stars grew | by more than 10 %, between linear data |
 * | the sky became less even | by more than a third, and by 0.3 standard deviations or more, between linear data |
 * | grain is gone | less than a tenth of the finest noise is left between images of one unit |
 * | noise rose | by more than a fifth at some scale against the light of the stars, between linear data |
 * | hue turned, colours shifted | by more than 5°, by more than 3 % |
 * | data are missing | more than before |
 *
 * In:  two images of one size and number of planes, linear or not. Cost: some three tenths of a second a megapixel.
 *
 * @throws {RangeError} if sizes or numbers of planes differ
 *
 * @example A black point set too high is noticed
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureEffect, stretchAsinh } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(4), data = Float32Array.from({ length: 160 * 120 }, () => 100 + 5 * random.gaussian());
 * const image = createImage({ width: 160, height: 120, unit: "adu", planes: [{ channel: "L", data }] });
 * const { doubts } = measureEffect(image, stretchAsinh(image, { black: 98, white: 1000 }));
 * assert.ok(doubts.some((doubt) => doubt.includes("clipped to black")));
 * ```
 */
export function measureEffect(before: Image, after: Image, context: Partial<Purpose> = {}): Effect {
  const { changesStars, changesColour } = settle("measureEffect", purposeDefaults, context);
  requireSameSize("measureEffect", before, after);
  if (before.planes.length !== after.planes.length) {
    throw new RangeError(
      `measureEffect: images must have as many planes, but got ${before.planes.length} and ${after.planes.length}`,
    );
  }
  const { width, height } = before;
  const channels = before.planes.length;
  const a = measureOne(before, null);
  const b = measureOne(after, a.found);
  const linear = isLinear(before) && isLinear(after);
  const pictures = !isLinear(before) && !isLinear(after);
  const boxesA = a.boxes.samples;
  const boxesB = b.boxes.samples;
  const sky = meanSurface(a.boxes);
  const lightA = boxLight(boxesA, sky, a.side.sky, before);
  const lightB = boxLight(boxesB, sky, b.side.sky, before);
  const meanLight = (of: BoxLight, box: number) => {
    let sum = 0;
    for (let c = 0; c < channels; c++) sum += of(box, c) / channels;
    return sum;
  };
  const errorOf = (s: BackgroundSample) => s.errors.reduce((sum, v) => sum + v, 0) / channels;
  // Boxes on the nebula: those that stand clear of the sky before the step.
  const index = boxesA.flatMap((p, i) => {
    const light = meanLight(lightA, i);
    const clear = p.doubt !== "no data" && boxesB[i].doubt !== "no data" && light > 20 * errorOf(p) &&
      light > 0.5 * p.spreads[0];
    return clear ? [{ i, light }] : [];
  }).sort((p, q) => q.light - p.light).slice(0, 60).map(({ i }) => i);
  const starsOf = (p: Float32Array, q: Float32Array) => starFluxRatio(a.found, p, q, width, height);
  const stars = linear || pictures ? starsOf(a.mean, b.mean) : { ratio: NaN, at: () => NaN };
  const starFlux = stars.ratio;
  let light = NaN;
  let scatter = NaN;
  let error = NaN;
  let colourFactor = NaN;
  let hueDegrees = NaN;
  const eachChannel: ChannelLight[] = [];
  if (index.length >= 4 && linear) {
    // Box by box against the sky of each image; a ratio of sums would be ruled by the brightest box.
    const ratios = index.map((i) => meanLight(lightB, i) / meanLight(lightA, i));
    light = median(ratios);
    scatter = madSigmaFactor * median(ratios.map((r) => Math.abs(r - light)));
    error = (sky?.uncertainty[0] ?? 0) / median(index.map((i) => meanLight(lightA, i)));
    for (let c = 0; c < channels; c++) {
      const seen = index.filter((i) => lightA(i, c) > 20 * boxesA[i].errors[c]);
      if (seen.length < 4) continue;
      const own = channels === 1 ? stars : starsOf(before.planes[c].data, after.planes[c].data);
      const ratioOf = (i: number) => lightB(i, c) / lightA(i, c);
      eachChannel.push({
        channel: before.planes[c].channel,
        nebula: median(seen.map(ratioOf)),
        besideStars: median(seen.map((i) => ratioOf(i) / own.at(boxesA[i].x, boxesA[i].y))),
      });
    }
    if (channels > 1) {
      const share = (of: BoxLight, c: number) => {
        let own = 0;
        let all = 0;
        for (const i of index) {
          own += of(i, c);
          for (let k = 0; k < channels; k++) all += of(i, k);
        }
        return own / all;
      };
      colourFactor = 1;
      for (let c = 0; c < channels; c++) {
        const was = share(lightA, c);
        const is = share(lightB, c);
        const factor = was > 0.02 && is > 0 ? is / was : 1;
        if (Math.abs(factor - 1) > Math.abs(colourFactor - 1)) colourFactor = factor;
      }
    }
  }
  if (index.length >= 4 && pictures && channels === 3) {
    hueDegrees = hueTurn(index.map((i) => boxesA[i]), index.map((i) => boxesB[i]));
  }
  const found: Findings = {
    before: a.side,
    after: b.side,
    starFlux,
    nebula: { boxes: index.length, light, scatter, error },
    channels: eachChannel,
    holes: linear
      ? findHoles(
        before,
        after,
        a.found,
        b.side.noise,
        before.planes.map(({ channel }) => eachChannel.find((each) => each.channel === channel)?.nebula ?? 1),
      )
      : { count: NaN, deepest: 0, x: NaN, y: NaN },
    hueDegrees,
    colourFactor,
  };
  const known = (x: number): number | null => Number.isFinite(x) ? x : null;
  const both = (get: (side: EffectSide) => number): Change => ({
    before: known(get(found.before)),
    after: known(get(found.after)),
  });
  const worst = (end: "atBlack" | "atWhite") =>
    both((side) => side.clipped.length === 0 ? NaN : Math.max(...side.clipped.map((s) => s[end])));
  return {
    noise: found.before.noiseByScale.map(({ pixels }, j) => ({
      pixels,
      ...both((side) => side.noiseByScale[j].sigma),
    })),
    stars: {
      count: both((side) => side.stars),
      fwhm: both((side) => side.fwhmPixels),
      light: known(starFlux),
      ring: both((side) => side.ringSigma),
      holes: known(found.holes.count),
    },
    flatness: both((side) => side.unevenness / (side.noiseByScale[0].sigma / starletGains[0])),
    nebula: { boxes: index.length, light: known(light), scatter: known(scatter), error: known(error) },
    clipped: { black: worst("atBlack"), white: worst("atWhite"), missing: both((side) => side.missing) },
    hueDegrees: known(hueDegrees),
    colourFactor: known(colourFactor),
    doubts: doubtsOf(found, linear, pictures, changesStars, changesColour),
  };
}

/** The rules of the table above. Comparisons with NaN are false: what was not measured raises no doubt. */
function doubtsOf(
  effect: Findings,
  linear: boolean,
  pictures: boolean,
  changesStars: boolean,
  changesColour: boolean,
): string[] {
  const { before: a, after: b, starFlux, nebula, channels, holes, hueDegrees, colourFactor } = effect;
  const doubts: string[] = [];
  const worst = (side: EffectSide, end: "atBlack" | "atWhite") => Math.max(0, ...side.clipped.map((s) => s[end]));
  const black = worst(b, "atBlack");
  const white = worst(b, "atWhite");
  if (black > 0.005 && black > worst(a, "atBlack") + 0.002) {
    doubts.push(`${percent(black)} of the pixels were clipped to black`);
  }
  if (white > 0.002 && white > worst(a, "atWhite") + 0.001) {
    doubts.push(`${percent(white)} of the pixels were clipped to white`);
  }
  // A gain changes stars and nebula of a channel alike; a step on stars alone leaves the nebula as it is.
  const enough = Math.max(0.02, 2 * nebula.error);
  const moved = channels.filter((each) =>
    Math.abs(each.nebula - 1) > enough && !(Math.abs(each.besideStars - 1) <= enough)
  ).reduce<ChannelLight | null>(
    (most, each) => most === null || Math.abs(each.nebula - 1) > Math.abs(most.nebula - 1) ? each : most,
    null,
  );
  if (moved !== null) {
    doubts.push(
      `the light of the nebula ${moved.nebula < 1 ? "fell" : "rose"} by ${percent(Math.abs(moved.nebula - 1))}${
        channels.length > 1 ? ` in ${moved.channel}` : ""
      }`,
    );
  }
  const ringed = b.ringSigma >= 1 && b.ringSigma > 2 * Math.max(0.25, a.ringSigma);
  if (ringed) {
    doubts.push(`stars gained dark rings, ${b.ringSigma.toFixed(1)} standard deviations deep`);
  }
  // What is dark all round is no hole.
  if (holes.count > 0 && !ringed) {
    doubts.push(
      `${
        holes.count === 1
          ? "there is a dark hole beside a star, "
          : `there are ${holes.count} dark holes beside stars, `
      }${holes.count === 1 ? "" : "the deepest "}${
        holes.deepest.toFixed(1)
      } standard deviations deep, at (${holes.x}, ${holes.y})`,
    );
  }
  const [fa, fb] = [a.fwhmPixels, b.fwhmPixels];
  if (linear && !changesStars && b.stars >= 5 && fb > 1.1 * fa) {
    doubts.push(`stars grew by ${percent(fb / fa - 1)}, from ${fa.toFixed(2)} to ${fb.toFixed(2)} pixels`);
  }
  if (linear && !changesStars && a.stars >= 20 && b.stars < 0.7 * a.stars) {
    doubts.push(`of ${a.stars} stars only ${b.stars} are left`);
  }
  const scale = starFlux > 0.2 && !changesStars ? starFlux : 1;
  const fine = a.noiseByScale[0].sigma;
  if (linear && b.unevenness / scale > 1.33 * a.unevenness && b.unevenness / scale - a.unevenness > 0.3 * fine) {
    doubts.push(
      `the sky became less even: its range rose from ${a.unevenness.toPrecision(3)} to ${b.unevenness.toPrecision(3)}`,
    );
  }
  if ((linear || pictures) && fine > 0 && b.noiseByScale[0].sigma < 0.1 * fine) {
    doubts.push(
      `only ${percent(b.noiseByScale[0].sigma / fine)} of the finest grain is left: surfaces may look like wax`,
    );
  }
  if (linear && !changesStars && starFlux > 0) {
    const rise = Math.max(...b.noiseByScale.map(({ sigma }, j) => sigma / a.noiseByScale[j].sigma / starFlux - 1));
    if (rise > 0.2) doubts.push(`noise rose by ${percent(rise)} against the light of the stars`);
  }
  if (!changesColour && Math.abs(hueDegrees) > 5) {
    doubts.push(`the hue of the nebula turned by ${Math.abs(hueDegrees).toFixed(0)}°`);
  }
  if (!changesColour && Math.abs(colourFactor - 1) > 0.03) {
    doubts.push(
      `the colour of the nebula shifted: a channel's share changed by ${percent(Math.abs(colourFactor - 1))}`,
    );
  }
  if (b.missing > a.missing + 1e-9) doubts.push(`${percent(b.missing - a.missing)} of the samples lost their data`);
  return doubts;
}
