/** Flux of the nebula in boxes: what became of it, in all channels together and in each. */
import type { BackgroundSample, BackgroundSamples } from "../background/sample_background.ts";
import { type BackgroundSurface, fitSurface } from "../background/fit_surface.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { fitPolynomialSurface, polynomialSurfaceAt } from "../surfaces/polynomial_surface.ts";
import { type MeasuredSide, surfaceUnlessFilled } from "./measure_side.ts";
import type { StarFluxRatio } from "./star_flux_ratio.ts";

/** Boxes on the nebula, at most: the brightest. */
const maximumNebulaBoxes = 60;
/** Boxes a ratio needs. */
export const minimumNebulaBoxes = 4;
/** A box is on the nebula where its flux is this many times its own error … */
const minimumBoxSnr = 20;
/** … and this many times the spread of its pixels. */
const minimumFluxOverSpread = 0.5;
/** A channel with less than this share of the flux tells no colour. */
const minimumColourShare = 0.02;

/** What became of the nebula. */
export interface NebulaFlux {
  /** How many boxes. */
  readonly boxes: number;
  /** Flux after over before, median over the boxes; NaN unless both are linear, or without a nebula. */
  readonly flux: number;
  /** Scatter of that ratio over the boxes. */
  readonly scatter: number;
  /** Standard error of that ratio: what the sky under the nebula is unsure by. */
  readonly error: number;
}

/** No nebula shows, or its flux cannot be compared. */
export const nebulaUnknown = (boxes: number): NebulaFlux => ({ boxes, flux: NaN, scatter: NaN, error: NaN });

/** What became of one channel's flux. */
export interface ChannelFlux {
  /** Channel. */
  readonly channel: string;
  /** Flux of the nebula after over before. */
  readonly nebula: number;
  /** The same over what became of the flux of the stars there; NaN without stars. */
  readonly besideStars: number;
}

/** Flux of each box above the sky, channel by channel. */
type BoxFlux = (box: number, channel: number) => number;

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
  const surface = surfaceUnlessFilled(() => fitSurface({ ...boxes, channels: ["L"], samples }, { maximumDegree: 3 }));
  surfacesBefore.set(boxes, surface);
  return surface;
}

/**
 * Flux of the boxes of an image above its sky: a polynomial of one kind through boxes that showed free sky before the
 * step, the same for before and after. Whatever smooth flux a step adds or takes, boxes of sky and of nebula lose
 * alike; what it takes from the nebula alone is missed by none of the former.
 */
function boxFlux({ boxes, side }: MeasuredSide, sky: BackgroundSurface | null): BoxFlux {
  const { samples, width, height } = boxes;
  const levels = side.sky;
  if (sky === null) return (box, channel) => samples[box].levels[channel] - levels[channel];
  const { chosen: { model, degree } } = sky;
  const surfaces = levels.map((_, c) =>
    fitPolynomialSurface(
      sky.samples.flatMap(({ doubt }, i) =>
        doubt === "" && samples[i].doubt !== "no data"
          ? [{ x: samples[i].x, y: samples[i].y, value: samples[i].levels[c] }]
          : []
      ),
      { width, height, degree, radial: model === "vignetting" },
    )
  );
  return (box, channel) => {
    const { x, y, levels } = samples[box];
    return levels[channel] - polynomialSurfaceAt(surfaces[channel], x, y);
  };
}

/** Flux of the boxes on the nebula, before and after a step. */
export class NebulaBoxes {
  /** Boxes that stand clear of the sky before the step, brightest first. */
  readonly index: readonly number[];
  readonly #before: MeasuredSide;
  readonly #channels: number;
  readonly #sky: BackgroundSurface | null;
  readonly #fluxBefore: BoxFlux;
  readonly #fluxAfter: BoxFlux;

  constructor(before: MeasuredSide, after: MeasuredSide) {
    this.#before = before;
    this.#channels = before.side.sky.length;
    this.#sky = meanSurface(before.boxes);
    this.#fluxBefore = boxFlux(before, this.#sky);
    this.#fluxAfter = boxFlux(after, this.#sky);
    const samples = before.boxes.samples;
    const samplesAfter = after.boxes.samples;
    const errorOf = (s: BackgroundSample) => s.errors.reduce((sum, v) => sum + v, 0) / this.#channels;
    this.index = samples.flatMap((p, i) => {
      const flux = this.#mean(this.#fluxBefore, i);
      const clear = p.doubt !== "no data" && samplesAfter[i].doubt !== "no data" && flux > minimumBoxSnr * errorOf(p) &&
        flux > minimumFluxOverSpread * p.spreads[0];
      return clear ? [{ i, flux }] : [];
    }).sort((p, q) => q.flux - p.flux).slice(0, maximumNebulaBoxes).map(({ i }) => i);
  }

  /** Mean of the channels' fluxes in a box. */
  #mean(of: BoxFlux, box: number): number {
    let sum = 0;
    for (let c = 0; c < this.#channels; c++) sum += of(box, c) / this.#channels;
    return sum;
  }

  /** Of all channels together, box by box: a ratio of sums would be ruled by the brightest box. */
  flux(): NebulaFlux {
    const fluxes = this.index.map((i) => this.#mean(this.#fluxBefore, i));
    const ratios = this.index.map((i, k) => this.#mean(this.#fluxAfter, i) / fluxes[k]);
    const flux = median(ratios);
    return {
      boxes: this.index.length,
      flux,
      scatter: madSigmaFactor * median(ratios.map((r) => Math.abs(r - flux))),
      error: (this.#sky?.uncertainty[0] ?? 0) / median(fluxes),
    };
  }

  /**
   * Of each channel that shows the nebula.
   *
   * @param starsOf what became of a channel's stars
   */
  byChannel(channels: readonly string[], starsOf: (channel: number) => StarFluxRatio): ChannelFlux[] {
    const { samples } = this.#before.boxes;
    return channels.flatMap((channel, c) => {
      const seen = this.index.filter((i) => this.#fluxBefore(i, c) > minimumBoxSnr * samples[i].errors[c]);
      if (seen.length < minimumNebulaBoxes) return [];
      const stars = starsOf(c);
      const ratioOf = (i: number) => this.#fluxAfter(i, c) / this.#fluxBefore(i, c);
      return [{
        channel,
        nebula: median(seen.map(ratioOf)),
        besideStars: median(seen.map((i) => ratioOf(i) / stars.at(samples[i].x, samples[i].y))),
      }];
    });
  }

  /** A channel's share of the flux of all boxes. */
  #share(of: BoxFlux, channel: number): number {
    let own = 0;
    let all = 0;
    for (const i of this.index) {
      own += of(i, channel);
      for (let k = 0; k < this.#channels; k++) all += of(i, k);
    }
    return own / all;
  }

  /** Largest change of a channel's share in the flux, as a factor; NaN with one channel. */
  colourFactor(): number {
    if (this.#channels === 1) return NaN;
    let largest = 1;
    for (let c = 0; c < this.#channels; c++) {
      const was = this.#share(this.#fluxBefore, c);
      const is = this.#share(this.#fluxAfter, c);
      const factor = was > minimumColourShare && is > 0 ? is / was : 1;
      if (Math.abs(factor - 1) > Math.abs(largest - 1)) largest = factor;
    }
    return largest;
  }
}
