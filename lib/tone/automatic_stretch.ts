/** Settings of a stretch, derived from the sky of the image. */
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { measureSky, type SkyLevel, type SkyPart } from "../measure/sky_level.ts";
import { quietNoise, starlet } from "../filters/starlet.ts";
import { quantile } from "../stats/median.ts";
import { normalQuantile } from "../stats/special_functions.ts";
import { type Curve, curveThrough, prepareCurve } from "./curve.ts";
import type { StretchAsinhOptions } from "./stretch_asinh.ts";
import { lightnessToLuminance, linearToSrgb } from "../core/colour_space.ts";

/** Options of {@linkcode automaticStretch}. */
export interface AutomaticStretchOptions {
  /** Share of pure sky that may fall below black, 0 … 0.5. */
  readonly clippedSkyShare: number;
  /** CIE lightness L* the sky shall have on the screen, 0 … 50. */
  readonly skyLightness: number;
  /** Largest standard deviation the sky's noise may have in the picture, 0 … 1. */
  readonly renderedNoise: number;
  /** Share of all samples that may lie above white, 0 … 0.1. */
  readonly clippedWhiteShare: number;
  /** Level to draw as white; NaN to find it. */
  readonly white: number;
  /** Where the sky is measured: a part that shows free sky, `darkest` to find one, null for the whole field. */
  readonly skyRegion: SkyPart;
}

/**
 * What {@linkcode automaticStretch} uses for an option left out: one sky sample in a thousand below black; a sky of
 * L* = 13, dark but clear of black on an sRGB screen; noise of at most 0.02, five steps of an 8-bit screen, where grain
 * begins to be seen at reading distance (our own judgement); one sample in ten thousand above white.
 */
export const automaticStretchDefaults: Readonly<AutomaticStretchOptions> = Object.freeze({
  clippedSkyShare: 0.001,
  skyLightness: 13,
  renderedNoise: 0.02,
  clippedWhiteShare: 0.0001,
  white: NaN,
  skyRegion: null,
});

/** How much deeper than asked black may lie for the sake of the noise: beyond that the sky is drawn darker. */
const DEEPER = 1.25;
/** Share of the target that the sky is drawn at where there is hardly any signal. */
const FAINT = 0.75;

/** Lightness that the middle sample of the field is drawn at, at most: half of the screen's range (CIE L*). */
const MIDDLE_LIGHTNESS = 50;

/** What {@linkcode automaticStretch} found. */
export interface AutomaticStretch {
  /** Ready for `stretchAsinh`. */
  readonly settings: StretchAsinhOptions;
  /** Sky of each channel, in the unit of the image. */
  readonly sky: readonly SkyLevel[];
  /** Where the sky is drawn, 0 … 1. */
  readonly renderedSky: number;
  /** Standard deviation of the grain at the sky's level in the picture, 0 … 1. */
  readonly renderedNoise: number;
  /** Facts a reader should know: what limited the stretch, and by how much. */
  readonly notes: readonly string[];
}

/**
 * Find a stretch that puts the sky where the eye wants it.
 *
 * The rule: black lies below the sky by as many standard deviations as leave `clippedSkyShare` of a pure sky under it;
 * white lies above all but `clippedWhiteShare` of the samples; the bend of the asinh curve is then solved so that the
 * sky is drawn with lightness `skyLightness`. Where that would render its grain (details of 1 to 8 pixels) larger than
 * `renderedNoise`, black is lowered by a quarter at most and the sky is drawn darker: the stretch goes no further than
 * the noise allows. Where even a straight line would render too much of it there is hardly any signal: black stays,
 * and white is raised until the sky is drawn at three quarters of what was asked. Where nebula fills the field and its
 * middle sample would be drawn lighter than half of the range (L* 50), the curve is bent less and all of it drawn
 * darker, for there is nothing left to see in a picture that is bright all over.
 *
 * In:  linear, sky gradient removed and channels made neutral; all channels share one curve.
 * Cost: thinned sorts, no pass over the image.
 *
 * @throws {TypeError} if the image is already a stretched picture
 * @throws {RangeError} if an option is out of range, or the image has no data
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { automaticStretch, measureSky, stretchAsinh } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(5);
 * const data = Float32Array.from({ length: 40000 }, (_, i) => 200 + 3 * random.gaussian() + (i % 1000 === 0 ? 9000 : 0));
 * const image = createImage({ width: 200, height: 200, unit: "adu", planes: [{ channel: "L", data }] });
 * const found = automaticStretch(image);
 * const [sky] = measureSky(stretchAsinh(image, found.settings));
 * assert.ok(Math.abs(sky.level - found.renderedSky) < 0.01);
 * assert.ok(found.renderedNoise <= 0.0201);
 * ```
 */
export function automaticStretch(image: Image, options: Partial<AutomaticStretchOptions> = {}): AutomaticStretch {
  const used = settle("automaticStretch", automaticStretchDefaults, options);
  requireLinear("automaticStretch", image);
  const refuse = (rule: string, value: number) => new RangeError(`automaticStretch: ${rule}, but got ${value}`);
  const { clippedSkyShare, skyLightness, renderedNoise, clippedWhiteShare } = used;
  if (!(clippedSkyShare > 0 && clippedSkyShare < 0.5)) {
    throw refuse("clippedSkyShare must lie inside 0 … 0.5", clippedSkyShare);
  }
  if (!(skyLightness > 0 && skyLightness < 50)) throw refuse("skyLightness must lie inside 0 … 50", skyLightness);
  if (!(renderedNoise > 0 && renderedNoise < 1)) throw refuse("renderedNoise must lie inside 0 … 1", renderedNoise);
  if (!(clippedWhiteShare >= 0 && clippedWhiteShare <= 0.1)) {
    throw refuse("clippedWhiteShare must lie within 0 … 0.1", clippedWhiteShare);
  }
  const notes: string[] = [];
  const sky = measureSky(image, used.skyRegion);
  const levels = sky.map((each) => each.level).filter((each) => each === each);
  if (levels.length === 0) throw refuse("the image must hold data", NaN);
  const level = levels.reduce((a, b) => a + b, 0) / levels.length;
  const spread = Math.max(...levels) - Math.min(...levels);
  // The widest noise decides, so that no channel loses more than the share.
  let noise = Math.max(...sky.map((each) => each.noise).filter((each) => each === each));
  if (spread > noise) {
    notes.push(`the sky is not neutral: the channels differ by ${spread.toPrecision(3)}, more than its noise`);
  }
  const white = used.white === used.white ? used.white : whiteOf(image, clippedWhiteShare);
  if (!(white > level)) throw refuse(`white must lie above the sky, ${level}`, white);
  if (!(noise > 0)) {
    // A noiseless picture: a thousandth of its range stands for the noise, so that the sky is not drawn as pure black.
    noise = (white - level) / 1000;
    notes.push("the sky has no noise; a thousandth of the range stands for it");
  }
  // What the eye sees as noise is grain of up to some eight pixels; a spread that is wider belongs to a nebula or a
  // gradient.
  const grain = Math.min(
    noise,
    Math.max(...image.planes.map(({ data }) => grainOf(data, image.width, image.height))) || noise,
  );
  const z = -normalQuantile(clippedSkyShare);
  const target = linearToSrgb(lightnessToLuminance(skyLightness));
  // Where nebula is taken for noise nothing lies as low as that noise would have it: black need not lie lower than the
  // data.
  const lowest = Math.min(...image.planes.map(({ data }) => quantile(data, clippedSkyShare)).filter((v) => v === v));
  if (level - lowest < 0.7 * z * noise && level > lowest) {
    noise = (level - lowest) / z;
    notes.push("the darkest parts hold structure, no free sky; black lies at the lowest samples");
  }
  let top = white;
  /** The curve for sky drawn at y with black at depth sigmas, and the noise it renders. */
  const solve = (y: number, depth: number): { curve: Curve; rendered: number; black: number } => {
    const black = level - depth * noise;
    const t = (level - black) / (top - black);
    const curve: Curve = y > t ? curveThrough("asinh", t, y) : { kind: "asinh", bend: 1e-4 };
    return { curve, rendered: prepareCurve(curve).slopeAt(t) * grain / (top - black), black };
  };
  let drawn = target;
  let depth = z;
  let found = solve(drawn, depth);
  if (found.rendered > renderedNoise) {
    depth = z * Math.min(DEEPER, Math.sqrt(found.rendered / renderedNoise));
    found = solve(drawn, depth);
    const straight = depth * noise / (top - found.black);
    if (solve(straight, depth).rendered > renderedNoise) {
      // Hardly any signal: even the straight line shows too much grain. Black stays, and white is raised until the line
      // draws the sky at three quarters of what was asked.
      depth = z;
      top = Math.max(white, level - z * noise + z * noise / (FAINT * target));
      drawn = z * noise / (top - level + z * noise);
      found = solve(drawn, depth);
      notes.push(`there is hardly any signal above the noise: white was raised to ${top.toPrecision(4)}`);
    } else if (found.rendered > renderedNoise) {
      let low = straight;
      let high = target;
      for (let k = 0; k < 50; k++) {
        drawn = (low + high) / 2;
        if (solve(drawn, depth).rendered > renderedNoise) high = drawn;
        else low = drawn;
      }
      drawn = low;
      found = solve(drawn, depth);
    }
    notes.push(
      `the noise limits the stretch: the sky is drawn at ${drawn.toFixed(3)} instead of ${target.toFixed(3)}, ` +
        `with black ${depth.toFixed(1)} sigma below it`,
    );
  }
  const half = linearToSrgb(lightnessToLuminance(MIDDLE_LIGHTNESS));
  const samples = image.planes.map(({ data }) => quantile(data, 0.5)).filter((v) => v === v);
  const middle = (samples.reduce((a, b) => a + b, 0) / samples.length - found.black) / (top - found.black);
  if (middle > 0 && middle < half && prepareCurve(found.curve).at(middle) > half) {
    const curve = curveThrough("asinh", middle, half);
    const sky = (level - found.black) / (top - found.black);
    found = { ...found, curve, rendered: prepareCurve(curve).slopeAt(sky) * grain / (top - found.black) };
    notes.push(
      `nebula fills the field: half of it is drawn below ${half.toFixed(3)}, and the sky at ${
        prepareCurve(curve).at(sky).toFixed(3)
      }`,
    );
  }
  const bend = found.curve.kind === "asinh" ? found.curve.bend : 1;
  const range = top - found.black;
  const t = (level - found.black) / range;
  return {
    settings: Object.freeze({
      black: found.black,
      white: top,
      bend,
      colour: "kept" as const,
      // Colour differences of the sky are noise; three sigma above it they are an object's.
      greyBelow: level - found.black,
      colourAbove: level - found.black + 3 * noise,
    }),
    sky,
    renderedSky: prepareCurve(found.curve).at(t),
    renderedNoise: found.rendered,
    notes,
  };
}

/** Standard deviation of the grain of 1 to 8 pixels, in the middle of a plane, at most 2048 pixels each way. */
function grainOf(data: Float32Array, width: number, height: number): number {
  const w = Math.min(width, 2048);
  const h = Math.min(height, 2048);
  const x0 = (width - w) >> 1;
  const y0 = (height - h) >> 1;
  const middle = new Float32Array(w * h);
  for (let y = 0; y < h; y++) middle.set(data.subarray((y0 + y) * width + x0, (y0 + y) * width + x0 + w), y * w);
  let square = 0;
  for (const noise of quietNoise(starlet(middle, w, h, 4).scales, w, h)) square += noise ** 2;
  return Math.sqrt(square);
}

/** Level above which the given share of the samples lies, the highest over the channels. */
function whiteOf(image: Image, share: number): number {
  let white = -Infinity;
  for (const { data } of image.planes) {
    const level = quantile(data, 1 - share);
    if (level > white) white = level;
  }
  return white;
}
