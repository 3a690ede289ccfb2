/** The sentences that the workbench offers for an image, with the library's own defaults. */
import { extractGradientDefaults } from "../background/extract_gradient.ts";
import { saturateDefaults } from "../colour/saturate.ts";
import type { Json } from "../core/options.ts";
import { deconvolveDefaults } from "../detail/deconvolve.ts";
import { enhanceDetailDefaults } from "../detail/enhance_detail.ts";
import { reduceNoiseDefaults } from "../detail/reduce_noise.ts";
import { reduceStarsDefaults } from "../stars/reduce_stars.ts";
import { applyCurveDefaults, mildContrast } from "../tone/apply_curve.ts";
import { equaliseAdaptiveHistogramDefaults } from "../tone/equalise_adaptive_histogram.ts";
import type { StretchSettings } from "../tone/stretch.ts";
import type { NumberPart, OptionPath, Sentence } from "./sentence.ts";

type JsonOptions = { readonly [name: string]: Json };

/** Options of a step as JSON holds them, the named ones alone. */
function optionsOf(defaults: object, names: readonly string[]): JsonOptions {
  const all = JSON.parse(JSON.stringify(defaults)) as Record<string, Json>;
  return Object.fromEntries(names.map((name) => [name, all[name]]));
}

const number = (
  label: string,
  path: OptionPath,
  range: readonly [number, number],
  more: Partial<Pick<NumberPart, "unit" | "scale" | "whole">> = {},
): NumberPart => ({ kind: "number", label, path, range, unit: "", scale: "even", whole: false, ...more });

/** A sentence whose options begin as the library has them. */
function sentence(
  step: string,
  defaults: object,
  names: readonly string[],
  rest: Pick<Sentence, "result" | "stage" | "parts"> & Partial<Sentence>,
): Sentence {
  const options = optionsOf(defaults, names);
  return { step, output: "", on: false, needsRealPixels: false, options, defaults: options, ...rest };
}

const gradient = sentence("extractGradient", extractGradientDefaults, ["model", "maximumDegree", "kind"], {
  output: "image",
  result: "even",
  stage: "linear",
  parts: [
    "Take away a gradient by ",
    {
      kind: "choice",
      label: "model of the gradient",
      path: ["model"],
      choices: [
        ["the model that fits best", "automatic"],
        ["a polynomial", "polynomial"],
        ["a polynomial with vignetting", "vignetting"],
        ["a thin-plate spline", "thin-plate"],
      ],
    },
    " of degree ",
    number("largest degree", ["maximumDegree"], [0, 4], { whole: true }),
    " at most, ",
    {
      kind: "choice",
      label: "how it is taken away",
      path: ["kind"],
      choices: [["subtracted", "additive"], ["divided", "multiplicative"]],
    },
    ".",
  ],
});

const neutral = sentence("neutraliseSky", {}, [], {
  result: "neutral",
  stage: "linear",
  // the sky of three channels is never of one colour before, and no nebula can be judged over a brown one
  on: true,
  parts: ["Bring the sky to grey."],
});

const deconvolution = sentence("deconvolve", deconvolveDefaults, ["iterations", "thresholdSigma", "strength"], {
  result: "deconvolved",
  stage: "linear",
  needsRealPixels: true,
  parts: [
    "Deconvolve by the stars' own profile: ",
    number("iterations", ["iterations"], [1, 40], { whole: true }),
    " iterations, residuals of ",
    number("threshold", ["thresholdSigma"], [1, 6]),
    " noises and more, ",
    number("strength", ["strength"], [0, 1]),
    " of the way.",
  ],
});

const noise = sentence("reduceNoise", reduceNoiseDefaults, ["thresholdSigma", "colourThresholdSigma", "grain"], {
  result: "denoised",
  stage: "linear",
  needsRealPixels: true,
  parts: [
    "Reduce noise below ",
    number("threshold", ["thresholdSigma"], [1, 6]),
    " sigma, in colour below ",
    number("threshold of colour", ["colourThresholdSigma"], [1, 8]),
    " sigma; ",
    number("grain", ["grain"], [0, 1]),
    " of the grain stays.",
  ],
});

const stars = sentence("reduceStars", reduceStarsDefaults, ["strength"], {
  result: "smallStars",
  stage: "linear",
  needsRealPixels: true,
  parts: ["Take ", number("strength", ["strength"], [0, 1]), " of their light from the stars."],
});

/** The stretch: levels that were found in the whole image, any family of curve. */
function stretch(found: StretchSettings, unit: string): Sentence {
  const level = { unit, scale: "level" as const };
  const options = JSON.parse(JSON.stringify(found)) as JsonOptions;
  const { black, white } = found;
  const ratio = { scale: "ratio" as const };
  return sentence("stretchImage", {}, [], {
    result: "stretched",
    stage: "stretch",
    on: true,
    options,
    parts: [
      "Stretch by ",
      {
        kind: "choice",
        label: "family of the curve",
        path: ["curve"],
        choices: [
          ["an asinh", options.curve],
          ["a logarithm", { family: "log", bend: 1000 }],
          ["a power", { family: "power", exponent: 0.3 }],
          ["a ratio", { family: "rational", bias: 0.95 }],
          ["a sigmoid", { family: "sigmoid", contrast: 20, centre: 0.05 }],
        ],
      },
      " from black at ",
      number("black", ["black"], [black - (white - black) / 100, white], level),
      " to white at ",
      number("white", ["white"], [black, white], level),
      { kind: "family", family: "asinh", parts: [", bent by ", number("bend", ["curve", "bend"], [1, 1e5], ratio)] },
      { kind: "family", family: "log", parts: [", bent by ", number("bend", ["curve", "bend"], [1, 1e5], ratio)] },
      {
        kind: "family",
        family: "power",
        parts: [", exponent ", number("exponent", ["curve", "exponent"], [0.05, 2], ratio)],
      },
      {
        kind: "family",
        family: "rational",
        parts: [", one half goes to ", number("bias", ["curve", "bias"], [0.5, 0.999])],
      },
      {
        kind: "family",
        family: "sigmoid",
        parts: [
          ", contrast ",
          number("contrast", ["curve", "contrast"], [1, 60], ratio),
          " about ",
          number("centre", ["curve", "centre"], [0, 1]),
        ],
      },
      "; ",
      {
        kind: "choice",
        label: "what the curve acts on",
        path: ["colour"],
        choices: [["colour is kept", "kept"], ["each channel by itself", "channels"]],
      },
      ".",
    ],
  });
}

const point = (at: number): (string | NumberPart)[] => [
  number(`level of point ${at}`, ["curve", "points", at, 0], [0.01, 0.99]),
  " to ",
  number(`height of point ${at}`, ["curve", "points", at, 1], [0, 1]),
];

const curve = sentence("applyCurve", { ...applyCurveDefaults, curve: mildContrast }, ["on", "curve"], {
  result: "toned",
  stage: "finished",
  parts: [
    "Lay a curve over ",
    {
      kind: "choice",
      label: "what the curve acts on",
      path: ["on"],
      choices: [["the luminance", "luminance"], ["each channel", "channels"]],
    },
    ": ",
    ...point(1),
    " and ",
    ...point(2),
    ".",
  ],
});

const contrast = sentence(
  "equaliseAdaptiveHistogram",
  equaliseAdaptiveHistogramDefaults,
  ["tilesAlong", "clipLimit", "strength"],
  {
    result: "contrasted",
    stage: "finished",
    parts: [
      "Raise local contrast in ",
      number("tiles along the longer side", ["tilesAlong"], [1, 32], { whole: true }),
      " tiles, at most ",
      number("limit", ["clipLimit"], [1, 8], { scale: "ratio" }),
      " times, ",
      number("strength", ["strength"], [0, 1]),
      " of the way.",
    ],
  },
);

const detail = sentence("enhanceDetail", enhanceDetailDefaults, ["gains", "thresholdSigma"], {
  result: "detailed",
  stage: "finished",
  needsRealPixels: true,
  parts: [
    "Enhance detail: ",
    ...[0, 1, 2, 3, 4].flatMap((k): (string | NumberPart)[] => [
      number(`gain at ${2 ** k} pixels`, ["gains", k], [0.5, 3], { scale: "ratio" }),
      ` times at ${2 ** k}${k === 4 ? " pixels" : ", "}`,
    ]),
    ", from ",
    number("threshold", ["thresholdSigma"], [0, 6]),
    " sigma.",
  ],
});

const saturation = sentence("saturate", saturateDefaults, ["factor", "aboveSky"], {
  result: "saturated",
  stage: "finished",
  parts: [
    "Saturate colour ",
    number("factor", ["factor"], [0, 3]),
    " times, from ",
    number("distance above the sky", ["aboveSky"], [0, 10]),
    " noises above the sky.",
  ],
});

/** What can be done to an image, in the order of the light. */
export function sentencesFor(channels: number, found: StretchSettings, unit: string): readonly Sentence[] {
  const linear = [gradient, neutral, deconvolution, noise, stars];
  const finished = [curve, contrast, detail, saturation];
  const needsColour = [neutral, saturation];
  return [...linear, stretch(found, unit), ...finished].filter((each) => channels === 3 || !needsColour.includes(each));
}
