/** A stretch derived from the sky of the image. */
import { lightnessToLuminance, linearToSrgb } from "../core/colour_space.ts";
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { SkyPart } from "../measure/sky_level.ts";
import { normalQuantile } from "../stats/special_functions.ts";
import { asinhCurve, type Curve } from "./curve.ts";
import { curveThrough } from "./curve_through.ts";
import type { Stretch } from "./stretch.ts";
import { measureForStretch, type StretchMeasures } from "./stretch_measures.ts";

/** Options of {@linkcode automaticStretch}. */
export interface AutomaticStretchOptions {
  /** Share of pure sky that may fall below black, 0 … 0.5. */
  readonly clippedSkyShare: number;
  /** CIE lightness L* the sky shall have on the screen, 0 … 50. */
  readonly skyLightness: number;
  /** Largest standard deviation the sky's noise may have in the picture, 0 … 1. */
  readonly maximumDrawnNoise: number;
  /** Share of all samples that may lie above white, 0 … 0.1. */
  readonly clippedWhiteShare: number;
  /** Level to draw as white; "automatic" lies above all but `clippedWhiteShare` of the samples. */
  readonly white: number | "automatic";
  /** Where the sky is measured: a part that shows free sky, `darkest` to find one, null for the whole field. */
  readonly skyRegion: SkyPart;
  /**
   * What the stretch rests on; "automatic" measures it. A part of an image is stretched as the whole by the whole's.
   */
  readonly measures: StretchMeasures | "automatic";
}

/**
 * What {@linkcode automaticStretch} uses for an option left out: one sky sample in a thousand below black; a sky of
 * L* = 13, dark but clear of black on an sRGB screen; noise of at most 0.02, five steps of an 8-bit screen, where grain
 * begins to be seen at reading distance (our own judgement); one sample in ten thousand above white.
 */
export const automaticStretchDefaults: Readonly<AutomaticStretchOptions> = Object.freeze({
  clippedSkyShare: 0.001,
  skyLightness: 13,
  maximumDrawnNoise: 0.02,
  clippedWhiteShare: 0.0001,
  white: "automatic",
  skyRegion: null,
  measures: "automatic",
});

/** Black may lie this many times as deep as asked for the sake of the noise: beyond that the sky is drawn darker. */
const maximumDepthFactor = 1.25;
/** Share of the target that the sky is drawn at where there is hardly any signal. */
const faintSkyShare = 0.75;
/** Lightness that the median of the field is drawn at, at most: half of the screen's range (CIE L*). */
const maximumMedianLightness = 50;

/** Refuse options out of range. */
function requireStretchOptions(used: AutomaticStretchOptions): void {
  const refuse = (rule: string, value: unknown) => new RangeError(`automaticStretch: ${rule}, but got ${value}`);
  const { clippedSkyShare, skyLightness, maximumDrawnNoise, clippedWhiteShare, white } = used;
  if (!(clippedSkyShare > 0 && clippedSkyShare < 0.5)) {
    throw refuse("clippedSkyShare must lie inside 0 … 0.5", clippedSkyShare);
  }
  if (!(skyLightness > 0 && skyLightness < 50)) throw refuse("skyLightness must lie inside 0 … 50", skyLightness);
  if (!(maximumDrawnNoise > 0 && maximumDrawnNoise < 1)) {
    throw refuse("maximumDrawnNoise must lie inside 0 … 1", maximumDrawnNoise);
  }
  if (!(clippedWhiteShare >= 0 && clippedWhiteShare <= 0.1)) {
    throw refuse("clippedWhiteShare must lie within 0 … 0.1", clippedWhiteShare);
  }
  if (white !== "automatic" && !Number.isFinite(white)) {
    throw refuse('white must be a number or "automatic"', JSON.stringify(white));
  }
}

/** The sky between black and white. */
interface SkyTones {
  /** Mean level of the channels' skies. */
  readonly level: number;
  /** Noise by which black is placed. */
  readonly noise: number;
  /** Noise that the eye sees: grain of up to some eight pixels; a wider spread belongs to a nebula or a gradient. */
  readonly grain: number;
  /** Level drawn as 1. */
  readonly white: number;
  /** Standard deviations of a pure sky that leave the share asked for below them. */
  readonly depth: number;
}

/** Read the sky off the measures; what is odd about it goes to the notes. */
function skyTones(measures: StretchMeasures, used: AutomaticStretchOptions, notes: string[]): SkyTones {
  const { sky, darkest } = measures;
  const levels = sky.map((each) => each.level).filter((each) => each === each);
  if (levels.length === 0) throw new RangeError("automaticStretch: the image must hold data, but got none");
  const level = levels.reduce((a, b) => a + b, 0) / levels.length;
  const spread = Math.max(...levels) - Math.min(...levels);
  // The widest noise decides, so that no channel loses more than the share.
  let noise = Math.max(...sky.map((each) => each.noise).filter((each) => each === each));
  if (spread > noise) {
    notes.push(`the sky is not neutral: the channels differ by ${spread.toPrecision(3)}, more than its noise`);
  }
  const white = used.white === "automatic" ? measures.white : used.white;
  if (!(white > level)) {
    throw new RangeError(`automaticStretch: white must lie above the sky, ${level}, but got ${white}`);
  }
  if (!(noise > 0)) {
    // A noiseless picture: a thousandth of its range stands for the noise, so that the sky is not drawn as pure black.
    noise = (white - level) / 1000;
    notes.push("the sky has no noise; a thousandth of the range stands for it");
  }
  const grain = Math.min(noise, measures.grain || noise);
  const depth = -normalQuantile(used.clippedSkyShare);
  // Where nebula is taken for noise nothing lies as low as that noise would have it: black need not lie lower than the
  // data.
  if (level - darkest < 0.7 * depth * noise && level > darkest) {
    noise = (level - darkest) / depth;
    notes.push("the darkest parts hold structure, no free sky; black lies at the lowest samples");
  }
  return { level, noise, grain, white, depth };
}

/** A curve with its ends. */
interface Drawing {
  readonly curve: Curve<"asinh">;
  readonly black: number;
  readonly white: number;
  /** Standard deviation of the grain as it is drawn at the sky's level. */
  readonly drawnNoise: number;
}

/** The drawing with the sky at y, black at depth standard deviations below it, and white. */
function drawSkyAt(y: number, { level, noise, grain }: SkyTones, depth: number, white: number): Drawing {
  const black = level - depth * noise;
  const t = (level - black) / (white - black);
  const curve = y > t ? curveThrough("asinh", [t, y]) : asinhCurve(1e-4);
  return { curve, black, white, drawnNoise: curve.slopeAt(t) * grain / (white - black) };
}

/** The drawing with the sky as light as asked, or as the noise allows. */
function drawWithinNoise(
  tones: SkyTones,
  { skyLightness, maximumDrawnNoise }: AutomaticStretchOptions,
  notes: string[],
): Drawing {
  const { level, noise, white } = tones;
  const target = linearToSrgb(lightnessToLuminance(skyLightness));
  const asked = drawSkyAt(target, tones, tones.depth, white);
  if (!(asked.drawnNoise > maximumDrawnNoise)) return asked;

  const say = (drawn: number, depth: number) =>
    notes.push(
      `the noise limits the stretch: the sky is drawn at ${drawn.toFixed(3)} instead of ${target.toFixed(3)}, ` +
        `with black ${depth.toFixed(1)} sigma below it`,
    );
  const depth = tones.depth * Math.min(maximumDepthFactor, Math.sqrt(asked.drawnNoise / maximumDrawnNoise));
  const deeper = drawSkyAt(target, tones, depth, white);
  const straight = depth * noise / (white - deeper.black);
  if (drawSkyAt(straight, tones, depth, white).drawnNoise > maximumDrawnNoise) {
    // Hardly any signal: even the straight line shows too much grain. Black stays, and white is raised until the line
    // draws the sky at three quarters of what was asked.
    const below = tones.depth * noise;
    const top = Math.max(white, level - below + below / (faintSkyShare * target));
    const drawn = below / (top - level + below);
    notes.push(`there is hardly any signal above the noise: white was raised to ${top.toPrecision(4)}`);
    say(drawn, tones.depth);
    return drawSkyAt(drawn, tones, tones.depth, top);
  }
  if (!(deeper.drawnNoise > maximumDrawnNoise)) {
    say(target, depth);
    return deeper;
  }
  let low = straight;
  let high = target;
  for (let k = 0; k < 50; k++) {
    const drawn = (low + high) / 2;
    if (drawSkyAt(drawn, tones, depth, white).drawnNoise > maximumDrawnNoise) high = drawn;
    else low = drawn;
  }
  say(low, depth);
  return drawSkyAt(low, tones, depth, white);
}

/** Where nebula fills the field, bend the curve less, so that half of it is drawn below half of the range. */
function holdMedian(
  drawing: Drawing,
  { level, grain }: SkyTones,
  fieldMedian: number,
  notes: string[],
): Drawing {
  const { curve, black, white } = drawing;
  const half = linearToSrgb(lightnessToLuminance(maximumMedianLightness));
  const t = (fieldMedian - black) / (white - black);
  if (!(t > 0 && t < half && curve.at(t) > half)) return drawing;
  const held = curveThrough("asinh", [t, half]);
  const sky = (level - black) / (white - black);
  notes.push(
    `nebula fills the field: half of it is drawn below ${half.toFixed(3)}, and the sky at ${held.at(sky).toFixed(3)}`,
  );
  return { ...drawing, curve: held, drawnNoise: held.slopeAt(sky) * grain / (white - black) };
}

/**
 * Find a stretch that puts the sky where the eye wants it.
 *
 * The rule: black lies below the sky by as many standard deviations as leave `clippedSkyShare` of a pure sky under it;
 * white lies above all but `clippedWhiteShare` of the samples; the bend of the asinh curve is then solved so that the
 * sky is drawn with lightness `skyLightness`. Where that would render its grain (details of 1 to 8 pixels) larger than
 * `maximumDrawnNoise`, black is lowered by a quarter at most and the sky is drawn darker: the stretch goes no further
 * than the noise allows. Where even a straight line would render too much of it there is hardly any signal: black
 * stays, and white is raised until the sky is drawn at three quarters of what was asked. Where nebula fills the field
 * and its middle sample would be drawn lighter than half of the range (L* 50), the curve is bent less and all of it
 * drawn darker, for there is nothing left to see in a picture that is bright all over.
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
 * import { automaticStretch, measureSky, stretchImage } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(5);
 * const data = Float32Array.from(
 *   { length: 40000 },
 *   (_, i) => 200 + 3 * random.gaussian() + (i % 1000 === 0 ? 9000 : 0),
 * );
 * const image = createImage({ width: 200, height: 200, unit: "adu", planes: [{ channel: "L", data }] });
 * const found = automaticStretch(image);
 * const [sky] = measureSky(stretchImage(image, found));
 * assert.ok(Math.abs(sky.level - found.drawnSky) < 0.01);
 * assert.ok(found.drawnNoise <= 0.0201);
 * ```
 */
export function automaticStretch(image: Image, options: Partial<AutomaticStretchOptions> = {}): Stretch {
  const used = settle("automaticStretch", automaticStretchDefaults, options);
  requireLinear("automaticStretch", image);
  requireStretchOptions(used);
  const measures = used.measures === "automatic" ? measureForStretch(image, used) : used.measures;
  const notes: string[] = [];
  const tones = skyTones(measures, used, notes);
  const { curve, black, white, drawnNoise } = holdMedian(
    drawWithinNoise(tones, used, notes),
    tones,
    measures.median,
    notes,
  );
  const above = tones.level - black;
  return Object.freeze({
    curve,
    black,
    white,
    colour: "kept",
    // Colour differences of the sky are noise; three sigma above it they are an object's.
    greyBelow: above,
    colourAbove: above + 3 * tones.noise,
    sky: measures.sky,
    drawnSky: curve.at(above / (white - black)),
    drawnNoise,
    notes,
  });
}
