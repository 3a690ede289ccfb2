/** What a step did to a picture, in numbers, and what it may have spoiled, in plain words. */
import { oklabOfLinear, srgbToLinear } from "../core/colour_space.ts";
import { type Image, isLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { atan2Portable } from "../kernels/elementary.ts";
import { type BackgroundSample, sampleBackground } from "../background/sample_background.ts";
import { fitSurface } from "../background/fit_surface.ts";
import { detectStars, type StarList } from "../measure/detect_stars.ts";
import { measureSky } from "../measure/sky_level.ts";
import { scaleNoise, starlet, starletGains } from "../measure/starlet.ts";
import { median } from "../stats/median.ts";
import { type ClippedShare, clippedShares } from "../tone/clipped_shares.ts";

/** Before and after; null where it could not be measured. */
export interface BeforeAfter {
  /** Before the step. */
  readonly before: number | null;
  /** After the step. */
  readonly after: number | null;
}

/** What the caller of {@linkcode measureEffect} knows about the step. */
export interface EffectContext {
  /** The step is meant to change the stars: no doubt is raised about their number, width or light. */
  readonly changesStars: boolean;
  /** The step is meant to change colours: no doubt is raised about them. */
  readonly changesColour: boolean;
}

/** What {@linkcode measureEffect} assumes of a step it is told nothing about: it should leave stars and colours as they are. */
export const effectContextDefaults: Readonly<EffectContext> = Object.freeze({
  changesStars: false,
  changesColour: false,
});

/** What a step did. Lengths in pixels, levels in the unit of the image they were measured on. */
export interface Effect {
  /** Noise at 1, 2, 4, 8 and 16 pixels (starlet), mean of the channels, within the middle four megapixels. */
  readonly noise: readonly (BeforeAfter & {
    /** Scale, pixels. */
    readonly pixels: number;
  })[];
  /** Stars. */
  readonly stars: {
    /** How many are found at five standard deviations. */
    readonly count: BeforeAfter;
    /** Typical width; on a picture wider than on linear data, as the stretch lifts the wings. */
    readonly fwhm: BeforeAfter;
    /** Light after over light before, of the bright stars; null between linear data and a picture, or without stars. */
    readonly light: number | null;
    /** Depth of the darkest ring about bright stars, in standard deviations of the sky; 0 for none. */
    readonly ring: BeforeAfter;
  };
  /** Range over the field of a surface of degree 2 through the free sky, in standard deviations of the pixel noise. */
  readonly flatness: BeforeAfter;
  /** Light in fixed boxes on the nebula. */
  readonly nebula: {
    /** How many boxes. */
    readonly boxes: number;
    /** Light after over light before, median over the boxes; null unless both are linear, or without a nebula. */
    readonly light: number | null;
    /** Scatter of that ratio over the boxes. */
    readonly scatter: number | null;
  };
  /** Shares of samples at the ends; black and white only of a picture. */
  readonly clipped: {
    /** Share at black, the largest over the channels. */
    readonly black: BeforeAfter;
    /** Share at white, the largest over the channels. */
    readonly white: BeforeAfter;
    /** Share without data. */
    readonly missing: BeforeAfter;
  };
  /** Turn of the nebula's hue (Oklab, degrees) between two pictures; null otherwise. */
  readonly hueDegrees: number | null;
  /** Largest change of a channel's share in the nebula's light, as a factor; null without several channels or a nebula. */
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
  /** Their FWHM, pixels; NaN without stars. On a picture it is wider than on linear data, as the stretch lifts the wings. */
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
  readonly starLight: number;
  readonly nebula: { readonly boxes: number; readonly light: number; readonly scatter: number };
  readonly hueDegrees: number;
  readonly colourFactor: number;
}

const SCALES = 5;

/** What an image tells by itself. */
interface MeasuredAlone {
  readonly side: Omit<EffectSide, "ringSigma">;
  readonly skyNoise: number;
  readonly found: StarList;
  readonly boxes: readonly BackgroundSample[];
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
  const w = Math.min(width, 2048), h = Math.min(height, 2048);
  if (w === width && h === height) return { data, width, height };
  const x0 = (width - w) >> 1, y0 = (height - h) >> 1, out = new Float32Array(w * h);
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

/** Median of the samples of a ring about a star. */
function ringLevel(
  data: Float32Array,
  width: number,
  height: number,
  x: number,
  y: number,
  from: number,
  to: number,
): number {
  const list: number[] = [];
  for (let j = Math.max(0, Math.ceil(y - to)); j <= Math.min(height - 1, y + to); j++) {
    for (let i = Math.max(0, Math.ceil(x - to)); i <= Math.min(width - 1, x + to); i++) {
      const d = (i - x) * (i - x) + (j - y) * (j - y);
      if (d >= from * from && d <= to * to) list.push(data[j * width + i]);
    }
  }
  return list.length < 6 ? NaN : median(list);
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
    const around = ringLevel(data, width, height, s.x, s.y, 5 * fwhm, 6.5 * fwhm);
    const rings = [[1, 1.5], [1.5, 2.1], [2.1, 3]].map(([a, b]) =>
      ringLevel(data, width, height, s.x, s.y, a * fwhm, b * fwhm)
    );
    const lowest = Math.min(...rings.filter((v) => v === v), around);
    return around === around ? [(around - lowest) / noise] : [];
  });
  return depths.length < 3 ? 0 : median(depths);
}

function measureOne(image: Image, places: StarList | null): Measured {
  const { width, height } = image, mean = meanOf(image);
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
  const sky = measureSky(open), [greySky] = measureSky(grey);
  let unevenness = NaN;
  try {
    [unevenness] = fitSurface(sampleBackground(grey, { boxesAlong: 16 }), { model: "polynomial", degree: 2 }).ranges;
  } catch (cause) {
    if (!(cause instanceof RangeError)) throw cause; // a field without sky has no unevenness
  }
  const shares = clippedShares(image);
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
    boxes: sampleBackground(open, { boxesAlong: 20 }).samples,
  };
}

/** Light of bright stars after over before, within a FWHM, above a ring. */
function starLightRatio(a: Measured, b: Measured, width: number, height: number): number {
  const fwhm = a.found.fwhmPixels;
  if (!(fwhm > 0)) return NaN;
  const light = (data: Float32Array, x: number, y: number): number => {
    const around = ringLevel(data, width, height, x, y, 3 * fwhm, 4.5 * fwhm);
    let sum = 0;
    for (let j = Math.ceil(y - 1.5 * fwhm); j <= y + 1.5 * fwhm; j++) {
      for (let i = Math.ceil(x - 1.5 * fwhm); i <= x + 1.5 * fwhm; i++) {
        if (i < 0 || j < 0 || i >= width || j >= height) return NaN;
        if ((i - x) * (i - x) + (j - y) * (j - y) <= 2.25 * fwhm * fwhm) sum += data[j * width + i] - around;
      }
    }
    return sum;
  };
  const ratios = a.found.stars.filter((s) => !s.saturated && s.snr > 30).slice(0, 60).flatMap((s) => {
    const before = light(a.mean, s.x, s.y), after = light(b.mean, s.x, s.y);
    return before > 0 && after === after ? [after / before] : [];
  });
  return ratios.length < 5 ? NaN : median(ratios);
}

/** Mean hue of the boxes of a picture as a vector. */
function meanHue(boxes: readonly BackgroundSample[]): readonly [number, number] {
  let a = 0, b = 0;
  for (const { levels } of boxes) {
    const [r, g, blue] = levels.map((v) => srgbToLinear(Math.max(0, v)));
    const lab = oklabOfLinear(r, g, blue);
    a += lab[1];
    b += lab[2];
  }
  return [a / boxes.length, b / boxes.length];
}

const percent = (share: number): string =>
  `${share < 0.995 ? (100 * share).toPrecision(2) : Math.round(100 * share)} %`;

/**
 * Set an image beside what a step made of it and measure what changed: noise by scale, count and width of the stars, dark
 * rings, flatness of the sky, light of the nebula in fixed boxes, clipped shares at both ends, hue and colour; and say in
 * plain words what may have been spoiled. Doubts are raised by these rules of our own:
 *
 * | doubt | raised when |
 * |---|---|
 * | clipped to black, to white | more than 0.5 %, 0.2 % of a picture's samples lie there, and more than before |
 * | nebula lost or gained light | by more than 2 %, and the stars did not change by the same factor (which would be a gain) |
 * | stars gained dark rings | the darkest ring lies 1 standard deviation or more below, and twice as deep as before |
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
 * import { createImage, measureEffect, randomStream, stretchAsinh } from "faintlight";
 *
 * const random = randomStream(4), data = Float32Array.from({ length: 160 * 120 }, () => 100 + 5 * random.gaussian());
 * const image = createImage({ width: 160, height: 120, unit: "adu", planes: [{ channel: "L", data }] });
 * const { doubts } = measureEffect(image, stretchAsinh(image, { black: 98, white: 1000 }));
 * assert.ok(doubts.some((doubt) => doubt.includes("clipped to black")));
 * ```
 */
export function measureEffect(before: Image, after: Image, context: Partial<EffectContext> = {}): Effect {
  const { changesStars, changesColour } = settle("measureEffect", effectContextDefaults, context);
  requireSameSize("measureEffect", before, after);
  if (before.planes.length !== after.planes.length) {
    throw new RangeError(
      `measureEffect: images must have as many planes, but got ${before.planes.length} and ${after.planes.length}`,
    );
  }
  const { width, height } = before, channels = before.planes.length;
  const a = measureOne(before, null), b = measureOne(after, a.found);
  const linear = isLinear(before) && isLinear(after), pictures = !isLinear(before) && !isLinear(after);
  const above = (s: BackgroundSample, sky: readonly number[]) =>
    s.levels.reduce((sum, v, c) => sum + v - sky[c], 0) / channels;
  const errorOf = (s: BackgroundSample) => s.errors.reduce((sum, v) => sum + v, 0) / channels;
  // Boxes on the nebula: those that stand clear of the sky before the step.
  const index = a.boxes.flatMap((p, i) => {
    const light = above(p, a.side.sky);
    const clear = p.doubt !== "no data" && b.boxes[i].doubt !== "no data" && light > 20 * errorOf(p) &&
      light > 0.5 * p.spreads[0];
    return clear ? [{ i, light }] : [];
  }).sort((p, q) => q.light - p.light).slice(0, 60).map(({ i }) => i);
  const starLight = linear || pictures ? starLightRatio(a, b, width, height) : NaN;
  let light = NaN, scatter = NaN, colourFactor = NaN, hueDegrees = NaN;
  if (index.length >= 4 && linear) {
    // Box by box against the sky of each image; a ratio of sums would be ruled by the brightest box.
    const ratios = index.map((i) => above(b.boxes[i], b.side.sky) / above(a.boxes[i], a.side.sky));
    light = median(ratios);
    scatter = 1.482602218505602 * median(ratios.map((r) => Math.abs(r - light)));
    if (channels > 1) {
      const share = (boxes: readonly BackgroundSample[], sky: readonly number[], c: number) => {
        let own = 0, all = 0;
        for (const i of index) {
          own += boxes[i].levels[c] - sky[c];
          for (let k = 0; k < channels; k++) all += boxes[i].levels[k] - sky[k];
        }
        return own / all;
      };
      colourFactor = 1;
      for (let c = 0; c < channels; c++) {
        const was = share(a.boxes, a.side.sky, c), is = share(b.boxes, b.side.sky, c);
        const factor = was > 0.02 && is > 0 ? is / was : 1;
        if (Math.abs(factor - 1) > Math.abs(colourFactor - 1)) colourFactor = factor;
      }
    }
  }
  if (index.length >= 4 && pictures && channels === 3) {
    const [pa, pb] = meanHue(index.map((i) => a.boxes[i])), [qa, qb] = meanHue(index.map((i) => b.boxes[i]));
    // Below a chroma of 0.01 a hue means nothing.
    if (Math.min(pa * pa + pb * pb, qa * qa + qb * qb) > 1e-4) {
      hueDegrees = atan2Portable(qb * pa - qa * pb, pa * qa + pb * qb) * 180 / Math.PI;
    }
  }
  const found: Findings = {
    before: a.side,
    after: b.side,
    starLight,
    nebula: { boxes: index.length, light, scatter },
    hueDegrees,
    colourFactor,
  };
  const known = (x: number): number | null => Number.isFinite(x) ? x : null;
  const both = (get: (side: EffectSide) => number): BeforeAfter => ({
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
      light: known(starLight),
      ring: both((side) => side.ringSigma),
    },
    flatness: both((side) => side.unevenness / (side.noiseByScale[0].sigma / starletGains[0])),
    nebula: { boxes: index.length, light: known(light), scatter: known(scatter) },
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
  const { before: a, after: b, starLight, nebula, hueDegrees, colourFactor } = effect, doubts: string[] = [];
  const worst = (side: EffectSide, end: "atBlack" | "atWhite") => Math.max(0, ...side.clipped.map((s) => s[end]));
  const black = worst(b, "atBlack"), white = worst(b, "atWhite");
  if (black > 0.005 && black > worst(a, "atBlack") + 0.002) {
    doubts.push(`${percent(black)} of the pixels were clipped to black`);
  }
  if (white > 0.002 && white > worst(a, "atWhite") + 0.001) {
    doubts.push(`${percent(white)} of the pixels were clipped to white`);
  }
  // A gain changes stars and nebula alike; a step on stars alone leaves the nebula as it is.
  if (Math.abs(nebula.light - 1) > 0.02 && !(Math.abs(nebula.light / starLight - 1) <= 0.02)) {
    doubts.push(
      `the light of the nebula ${nebula.light < 1 ? "fell" : "rose"} by ${percent(Math.abs(nebula.light - 1))}`,
    );
  }
  if (b.ringSigma >= 1 && b.ringSigma > 2 * Math.max(0.25, a.ringSigma)) {
    doubts.push(`stars gained dark rings, ${b.ringSigma.toFixed(1)} standard deviations deep`);
  }
  const [fa, fb] = [a.fwhmPixels, b.fwhmPixels];
  if (linear && !changesStars && b.stars >= 5 && fb > 1.1 * fa) {
    doubts.push(`stars grew by ${percent(fb / fa - 1)}, from ${fa.toFixed(2)} to ${fb.toFixed(2)} pixels`);
  }
  if (linear && !changesStars && a.stars >= 20 && b.stars < 0.7 * a.stars) {
    doubts.push(`of ${a.stars} stars only ${b.stars} are left`);
  }
  const scale = starLight > 0.2 && !changesStars ? starLight : 1, fine = a.noiseByScale[0].sigma;
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
  if (linear && !changesStars && starLight > 0) {
    const rise = Math.max(...b.noiseByScale.map(({ sigma }, j) => sigma / a.noiseByScale[j].sigma / starLight - 1));
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
