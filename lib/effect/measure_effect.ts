/** What a step did to a picture, in numbers, and what it may have spoiled, in plain words. */
import { displayed } from "../core/display.ts";
import { type Image, isLinear, requireImage, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { rastersOf } from "../core/raster.ts";
import { starletGains } from "../filters/starlet.ts";
import { type Change, changeOf, knownOrNull } from "./change.ts";
import { effectDoubts, type EffectFindings, worstClipping } from "./effect_doubts.ts";
import { findHoles, holesUnknown } from "./find_holes.ts";
import { hueTurnDegrees } from "./hue_turn.ts";
import { type EffectSide, type MeasuredSide, measureSide } from "./measure_side.ts";
import { minimumNebulaBoxes, NebulaBoxes, nebulaUnknown } from "./nebula_flux.ts";
import { type Purpose, purposeDefaults } from "./purpose.ts";
import { starFluxRatio, starFluxUnknown } from "./star_flux_ratio.ts";

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
    /** Flux after over before, of the bright stars; null between linear data and a picture, or without stars. */
    readonly flux: number | null;
    /** Depth of the darkest ring about bright stars, in standard deviations of the sky; 0 for none. */
    readonly ring: Change;
    /** Dark holes that the step left beside bright stars; null unless both are linear. */
    readonly holes: number | null;
  };
  /** Range over the field of a surface of degree 2 through the free sky, in standard deviations of the pixel noise. */
  readonly flatness: Change;
  /**
   * Flux in fixed boxes on the nebula, above a sky that may slope: a polynomial through the same boxes of free sky
   * before and after, so that taking a gradient away is no change of the nebula.
   */
  readonly nebula: {
    /** How many boxes. */
    readonly boxes: number;
    /** Flux after over before, median over the boxes; null unless both are linear, or without a nebula. */
    readonly flux: number | null;
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
   * Largest change of a channel's share in the nebula's flux, as a factor; null without several channels or a nebula.
   */
  readonly colourFactor: number | null;
  /** What a reader should doubt, in plain words; empty when nothing stands out. */
  readonly doubts: readonly string[];
}

/** Everything that the ledger rests on. */
function compareSides(before: Image, after: Image, purpose: Purpose): EffectFindings {
  const a = measureSide(before, null);
  const b = measureSide(after, a.found);
  const linear = isLinear(before) && isLinear(after);
  const pictures = !isLinear(before) && !isLinear(after);
  const boxes = new NebulaBoxes(a, b);
  const seen = boxes.index.length >= minimumNebulaBoxes;
  const names = before.planes.map(({ channel }) => channel);
  const [rastersBefore, rastersAfter] = [rastersOf(before), rastersOf(after)];

  const stars = linear || pictures ? starFluxRatio(a.found, a.mean, b.mean) : starFluxUnknown;
  const starsOf = (c: number) => names.length === 1 ? stars : starFluxRatio(a.found, rastersBefore[c], rastersAfter[c]);
  const channels = seen && linear ? boxes.byChannel(names, starsOf) : [];
  const gains = names.map((name) => channels.find(({ channel }) => channel === name)?.nebula ?? 1);
  return {
    before: a.side,
    after: b.side,
    linear,
    pictures,
    purpose,
    starFlux: stars.ratio,
    nebula: seen && linear ? boxes.flux() : nebulaUnknown(boxes.index.length),
    channels,
    holes: linear ? findHoles(before, after, a.found, b.side.noise, gains) : holesUnknown,
    hueDegrees: seen && pictures && names.length === 3 ? hueOf(boxes, a, b) : NaN,
    colourFactor: seen && linear ? boxes.colourFactor() : NaN,
  };
}

const hueOf = ({ index }: NebulaBoxes, a: MeasuredSide, b: MeasuredSide): number =>
  hueTurnDegrees(index.map((i) => a.boxes.samples[i]), index.map((i) => b.boxes.samples[i]));

/**
 * Set an image beside what a step made of it and measure what changed: noise by scale, count and width of the stars,
 * dark rings, flatness of the sky, flux of the nebula in fixed boxes, clipped shares at both ends, hue and colour;
 * and say in plain words what may have been spoiled. Doubts are raised by these rules of our own:
 *
 * | doubt | raised when |
 * |---|---|
 * | clipped to black, to white | more than 0.5 %, 0.2 % of a picture's samples lie there, and more than before |
 * | nebula lost or gained flux | more than 2 % in a channel, twice its sky's doubt; not the stars' factor |
 * | stars gained dark rings | the darkest ring lies 1 standard deviation or more below, and twice as deep as before |
 * | a dark hole beside a star | a sector (2 to 6.8 FWHM) fell 3 sigma below what is beyond, linear data |
 * | stars grew | by more than 10 %, between linear data |
 * | the sky became less even | by more than a third, and by 0.3 standard deviations or more, between linear data |
 * | grain is gone | less than a tenth of the finest noise is left between images of one unit |
 * | noise rose | by more than a fifth at some scale against the flux of the stars, between linear data |
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
export function measureEffect(before: Image, after: Image, purpose: Partial<Purpose> = {}): Effect {
  requireImage("measureEffect", before, "before");
  requireImage("measureEffect", after, "after");
  const used = settle("measureEffect", purposeDefaults, purpose);
  requireSameSize("measureEffect", before, after);
  if (before.planes.length !== after.planes.length) {
    throw new RangeError(
      `measureEffect: images must have as many planes, but got ${before.planes.length} and ${after.planes.length}`,
    );
  }
  const found = compareSides(before, after, used);
  const change = (get: (side: EffectSide) => number): Change => changeOf(get(found.before), get(found.after));
  const clipping = (end: "atBlack" | "atWhite") =>
    change((side) => side.clipped.length === 0 ? NaN : worstClipping(side, end));
  return displayed("effect", {
    noise: found.before.noiseByScale.map(({ pixels }, j) => ({
      pixels,
      ...change((side) => side.noiseByScale[j].sigma),
    })),
    stars: {
      count: change((side) => side.stars),
      fwhm: change((side) => side.fwhmPixels),
      flux: knownOrNull(found.starFlux),
      ring: change((side) => side.ringSigma),
      holes: knownOrNull(found.holes.count),
    },
    flatness: change((side) => side.unevenness / (side.noiseByScale[0].sigma / starletGains[0])),
    nebula: {
      boxes: found.nebula.boxes,
      flux: knownOrNull(found.nebula.flux),
      scatter: knownOrNull(found.nebula.scatter),
      error: knownOrNull(found.nebula.error),
    },
    clipped: { black: clipping("atBlack"), white: clipping("atWhite"), missing: change((side) => side.missing) },
    hueDegrees: knownOrNull(found.hueDegrees),
    colourFactor: knownOrNull(found.colourFactor),
    doubts: effectDoubts(found),
  });
}
