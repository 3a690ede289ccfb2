/** The steps that a recipe and a record may name. */
import { addImages } from "../arithmetic/add_images.ts";
import { divideImages } from "../arithmetic/divide_images.ts";
import { mixImages, mixImagesDefaults } from "../arithmetic/mix_images.ts";
import { multiplyImages } from "../arithmetic/multiply_images.ts";
import { renameChannels } from "../arithmetic/rename_channels.ts";
import { selectChannels } from "../arithmetic/select_channels.ts";
import { subtractImages } from "../arithmetic/subtract_images.ts";
import { extractGradient, extractGradientDefaults } from "../background/extract_gradient.ts";
import { addLine, addLineDefaults } from "../colour/add_line.ts";
import { mixLuminance, mixLuminanceDefaults } from "../colour/mix_luminance.ts";
import { unmixLines, unmixLinesDefaults } from "../colour/unmix_lines.ts";
import { balanceStars, balanceStarsDefaults } from "../colour/balance_stars.ts";
import { blendLines, blendLinesDefaults } from "../colour/blend_lines.ts";
import { replaceLuminance, replaceLuminanceDefaults } from "../colour/replace_luminance.ts";
import { equaliseChannels, equaliseChannelsDefaults } from "../colour/equalise_channels.ts";
import { joinChannels } from "../colour/join_channels.ts";
import { limitGreen, limitGreenDefaults } from "../colour/limit_green.ts";
import { mapChannels, mapChannelsDefaults } from "../colour/map_channels.ts";
import { neutraliseSky } from "../colour/neutralise_sky.ts";
import { saturate, saturateDefaults } from "../colour/saturate.ts";
import { subtractContinuum, subtractContinuumDefaults } from "../colour/subtract_continuum.ts";
import { cropImage, cropImageDefaults } from "../stack/crop_image.ts";
import type { Purpose } from "../effect/purpose.ts";
import { enhanceDetail, enhanceDetailDefaults } from "../detail/enhance_detail.ts";
import { recombineStars, recombineStarsDefaults } from "../stars/recombine_stars.ts";
import { placeStarColours, placeStarColoursDefaults } from "../stars/place_star_colours.ts";
import { reduceNoise, reduceNoiseDefaults } from "../detail/reduce_noise.ts";
import { reduceStars, reduceStarsDefaults } from "../stars/reduce_stars.ts";
import { separateStars, separateStarsDefaults } from "../stars/separate_stars.ts";
import { deconvolve, deconvolveDefaults } from "../detail/deconvolve.ts";
import type { Recorded } from "../core/history.ts";
import type { Image } from "../core/image.ts";
import type { Json } from "../core/options.ts";
import { measureStarFluxRatios } from "../normalise/measure_star_flux_ratios.ts";
import { normalisationImage } from "../normalise/apply_normalisation.ts";
import { fitNormalisationDefaults, type FitNormalisationOptions } from "../normalise/fit_normalisation.ts";
import { normaliseLocal } from "../normalise/normalise_local.ts";
import { applyCurve, applyCurveDefaults } from "../tone/apply_curve.ts";
import { automaticStretch, automaticStretchDefaults } from "../tone/automatic_stretch.ts";
import { equaliseAdaptiveHistogram, equaliseAdaptiveHistogramDefaults } from "../tone/equalise_adaptive_histogram.ts";
import { matchHistogram, matchHistogramDefaults } from "../tone/match_histogram.ts";
import { stretchAsinh, stretchAsinhDefaults } from "../tone/stretch_asinh.ts";
import { stretchDefaults } from "../tone/stretch.ts";
import { stretchImage } from "../tone/stretch_image.ts";
import { stretchLog, stretchLogDefaults } from "../tone/stretch_log.ts";
import { stretchPower, stretchPowerDefaults } from "../tone/stretch_power.ts";
import { stretchRational, stretchRationalDefaults } from "../tone/stretch_rational.ts";
import { stretchSigmoid, stretchSigmoidDefaults } from "../tone/stretch_sigmoid.ts";

/** Results of a step by name; a step with one result names it `""`. */
export type StepResult = Readonly<Record<string, Recorded>>;

/** Options as JSON. */
export type StepOptions = { readonly [name: string]: Json };

/** A library function as recipes call it. */
export interface StepDefinition {
  /** Name of the function. */
  readonly step: string;
  /** What it is for, for a person. */
  readonly title: string;
  /** What it is meant to change, so that the ledger does not doubt it for that. */
  readonly purpose: Partial<Purpose>;
  /** Options that it takes, with the values of those left out; null stands for a value that has to be given. */
  readonly defaults: object;
  /** Results that are no further stage of the first input, and so missing when the step is left out. */
  readonly byProducts: readonly string[];
  /** Call it: values that go in, options as JSON. */
  readonly run: (inputs: readonly Recorded[], options: StepOptions) => StepResult;
}

function imagesIn(step: string, inputs: readonly Recorded[], least: number): readonly Image[] {
  const images = inputs.filter((value): value is Image => "planes" in value && "unit" in value);
  if (images.length !== inputs.length || images.length < least) {
    throw new TypeError(
      `${step}: inputs must be at least ${least} images, but got ${images.length} of ${inputs.length}`,
    );
  }
  return images;
}

type Options = Readonly<Record<string, never>>;
/** Each step checks its own options, names and values, so JSON may be passed to it as it is. */
const passed = (options: StepOptions): Options => options as Options;

const one = (
  step: string,
  title: string,
  defaults: object,
  call: (image: Image, options: Options) => Image,
  purpose: Partial<Purpose> = {},
): StepDefinition => ({
  step,
  title,
  purpose,
  defaults,
  byProducts: [],
  run: (inputs, options) => ({ "": call(imagesIn(step, inputs, 1)[0], passed(options)) }),
});
const two = (
  step: string,
  title: string,
  defaults: object,
  call: (a: Image, b: Image, options: Options) => Image,
  purpose: Partial<Purpose> = {},
): StepDefinition => ({
  step,
  title,
  purpose,
  defaults,
  byProducts: [],
  run: (inputs, options) => {
    const [a, b] = imagesIn(step, inputs, 2);
    return { "": call(a, b, passed(options)) };
  },
});

const arithmetic = (
  step: string,
  title: string,
  call: (a: Image, b: Image | number) => Image,
): StepDefinition => ({
  step,
  title,
  purpose: { changesStars: true, changesColour: true },
  defaults: { number: 0 },
  byProducts: [],
  run: (inputs, options) => {
    const [a, b = null] = imagesIn(step, inputs, 1);
    return { "": call(a, b ?? Number(options.number)) };
  },
});

const definitions: readonly StepDefinition[] = [
  arithmetic("addImages", "Image sum", addImages),
  arithmetic("subtractImages", "Image difference", subtractImages),
  arithmetic("multiplyImages", "Image product", multiplyImages),
  arithmetic("divideImages", "Image quotient", divideImages),
  {
    step: "mixImages",
    title: "Image mixture",
    purpose: { changesStars: true, changesColour: true },
    defaults: { share: mixImagesDefaults.share },
    byProducts: [],
    run: (inputs, options) => {
      const [a, b, mask = null] = imagesIn("mixImages", inputs, 2);
      return { "": mixImages(a, b, { ...passed(options), mask }) };
    },
  },
  one("selectChannels", "Channel selection", { names: null }, (image, { names }) => selectChannels(image, names), {
    changesColour: true,
  }),
  one("renameChannels", "Channel renaming", { names: null }, (image, { names }) => renameChannels(image, names)),
  one("cropImage", "Crop to common coverage", cropImageDefaults, cropImage),
  {
    step: "extractGradient",
    title: "Background gradient extraction",
    purpose: {},
    defaults: extractGradientDefaults,
    byProducts: ["surface"],
    run: (inputs, options) => {
      const { image, surface } = extractGradient(imagesIn("extractGradient", inputs, 1)[0], passed(options));
      return { image, surface: surface.image };
    },
  },
  {
    step: "separateStars",
    title: "Star separation",
    purpose: { changesStars: true },
    defaults: separateStarsDefaults,
    byProducts: ["stars"],
    run: (inputs, options) => {
      const { starless, stars } = separateStars(imagesIn("separateStars", inputs, 1)[0], passed(options));
      return { starless, stars };
    },
  },
  two("recombineStars", "Star recombination", recombineStarsDefaults, recombineStars, { changesStars: true }),
  {
    step: "reduceStars",
    title: "Star reduction",
    purpose: { changesStars: true },
    defaults: reduceStarsDefaults,
    byProducts: [],
    run: (inputs, options) => {
      const [image, stars = null] = imagesIn("reduceStars", inputs, 1);
      return { "": reduceStars(image, { stars, ...passed(options) }) };
    },
  },
  one("reduceNoise", "Noise reduction", reduceNoiseDefaults, reduceNoise),
  one("deconvolve", "Deconvolution", deconvolveDefaults, deconvolve, { changesStars: true }),
  one("enhanceDetail", "Detail enhancement", enhanceDetailDefaults, enhanceDetail, { changesStars: true }),
  one("balanceStars", "Star colour balance", balanceStarsDefaults, balanceStars, {
    changesStars: true,
    changesColour: true,
  }),
  one("neutraliseSky", "Sky neutralisation", {}, (image) => neutraliseSky(image), {
    changesStars: true,
    changesColour: true,
  }),
  one("equaliseChannels", "Channel equalisation", equaliseChannelsDefaults, equaliseChannels, {
    changesStars: true,
    changesColour: true,
  }),
  one("limitGreen", "Green limit", limitGreenDefaults, limitGreen, { changesStars: true, changesColour: true }),
  {
    step: "joinChannels",
    title: "Channel joining",
    purpose: { changesColour: true },
    defaults: { channels: null },
    byProducts: [],
    run: (inputs) => ({ "": joinChannels(imagesIn("joinChannels", inputs, 1)) }),
  },
  one("mapChannels", "Narrowband channel mapping", mapChannelsDefaults, mapChannels, {
    changesStars: true,
    changesColour: true,
  }),
  two("blendLines", "Narrowband channel mapping", blendLinesDefaults, blendLines, {
    changesStars: true,
    changesColour: true,
  }),
  two("replaceLuminance", "Luminance replacement", replaceLuminanceDefaults, replaceLuminance, {
    changesStars: true,
    changesColour: true,
  }),
  two("mixLuminance", "Luminance mixture", mixLuminanceDefaults, mixLuminance, { changesStars: true }),
  two("addLine", "Line joined to colour", addLineDefaults, addLine, { changesColour: true }),
  one("unmixLines", "Line unmixing", unmixLinesDefaults, unmixLines, { changesStars: true, changesColour: true }),
  two("subtractContinuum", "Continuum subtraction", subtractContinuumDefaults, subtractContinuum),
  one("saturate", "Saturation", saturateDefaults, saturate, { changesStars: true, changesColour: true }),
  one(
    "automaticStretch",
    "Stretch",
    automaticStretchDefaults,
    (image, options) => stretchImage(image, automaticStretch(image, options)),
  ),
  one("stretchImage", "Stretch", stretchDefaults, (image, options) => stretchImage(image, options)),
  one("stretchAsinh", "Stretch", stretchAsinhDefaults, stretchAsinh),
  one("stretchLog", "Stretch", stretchLogDefaults, stretchLog),
  one("stretchPower", "Stretch", stretchPowerDefaults, stretchPower),
  one("stretchRational", "Stretch", stretchRationalDefaults, stretchRational),
  one("stretchSigmoid", "Stretch", stretchSigmoidDefaults, stretchSigmoid),
  one(
    "applyCurve",
    "Tone curve",
    { curve: null, ...applyCurveDefaults },
    (image, { curve, ...options }) => applyCurve(image, curve, options),
  ),
  two("matchHistogram", "Histogram matching", matchHistogramDefaults, matchHistogram),
  one("equaliseAdaptiveHistogram", "Adaptive contrast", equaliseAdaptiveHistogramDefaults, equaliseAdaptiveHistogram),
  two("placeStarColours", "Star colours", placeStarColoursDefaults, placeStarColours, {
    changesStars: true,
    changesColour: true,
  }),
  {
    step: "normaliseLocal",
    title: "Local normalisation",
    purpose: { changesStars: true },
    defaults: fitNormalisationDefaults,
    byProducts: ["surface"],
    run: (inputs, options) => {
      const [image, reference] = imagesIn("normaliseLocal", inputs, 2);
      const given: Partial<FitNormalisationOptions> = passed(options);
      // Contrast follows the stars that both show unless a ratio was given.
      const stars = given.fluxRatio === undefined ? measureStarFluxRatios(image, reference) : [];
      const found = normaliseLocal(image, reference, stars.length < 5 ? given : { ...given, starFluxRatios: stars });
      return { "": found.image, surface: normalisationImage(found.surface, image.width, image.height) };
    },
  },
];

const steps: ReadonlyMap<string, StepDefinition> = new Map(definitions.map((each) => [each.step, each]));

/** Names of all steps. */
export const stepNames: readonly string[] = Object.freeze([...steps.keys()]);

/**
 * The step of a name.
 *
 * @throws {TypeError} if there is none; the message lists those there are
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { findStep } from "faintlight/extend";
 *
 * assert.equal(findStep("cropImage").title, "Crop to common coverage");
 * ```
 */
export function findStep(step: string): StepDefinition {
  const found = steps.get(step);
  if (found === undefined) {
    throw new TypeError(`findStep: step must be one of ${stepNames.join(", ")}, but got "${step}"`);
  }
  return found;
}
