/** What one image tells by itself, before it is compared with another. */
import { type BackgroundSamples, sampleBackground } from "../background/sample_background.ts";
import { type BackgroundSurface, fitSurface } from "../background/fit_surface.ts";
import { type Image, isLinear } from "../core/image.ts";
import type { Raster } from "../core/raster.ts";
import { scaleNoise, starlet } from "../filters/starlet.ts";
import { measureSky } from "../measure/sky_level.ts";
import { detectStars, type StarList } from "../stars/detect_stars.ts";
import { type ClippedShare, measureClipping } from "../tone/measure_clipping.ts";
import { ringDepth } from "./star_rings.ts";

/** Noise at one scale. */
export interface ScaleNoise {
  /** Scale, pixels. */
  readonly pixels: number;
  /** Standard deviation of the noise in the details of that scale, mean of the channels. */
  readonly sigma: number;
}

/** What was measured of one image. Levels are in its unit. */
export interface EffectSide {
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

/** What an image tells whatever it is compared with. */
interface MeasuredAlone {
  readonly side: Omit<EffectSide, "ringSigma">;
  readonly skyNoise: number;
  readonly found: StarList;
  readonly boxes: BackgroundSamples;
}

/** One side of a comparison. */
export interface MeasuredSide extends MeasuredAlone {
  /** Its numbers. */
  readonly side: EffectSide;
  /** Mean of its channels. */
  readonly mean: Raster;
}

/** Scales of the starlet that noise is measured at. */
const scales = 5;
/** Columns and rows in the middle of the field that noise is measured in, at most. */
const maximumNoisePixels = 2048;

/** Images are values, so one that was measured need not be again: what a step gave is what the next one takes. */
const measuredBefore = new WeakMap<Image, MeasuredAlone>();

/** The middle of a raster, at most 2048 pixels each way. */
function centralPart({ data, width, height }: Raster): Raster {
  const w = Math.min(width, maximumNoisePixels);
  const h = Math.min(height, maximumNoisePixels);
  if (w === width && h === height) return { data, width, height };
  const x0 = (width - w) >> 1;
  const y0 = (height - h) >> 1;
  const out = new Float32Array(w * h);
  for (let y = 0; y < h; y++) out.set(data.subarray((y0 + y) * width + x0, (y0 + y) * width + x0 + w), y * w);
  return { data: out, width: w, height: h };
}

/** Mean of the channels; the sum is divided, so that numbers stay what they were when measures were first taken. */
function channelMean({ planes, width, height }: Image): Raster {
  if (planes.length === 1) return { data: planes[0].data, width, height };
  const data = new Float32Array(planes[0].data.length);
  for (let i = 0; i < data.length; i++) {
    let sum = 0;
    for (const plane of planes) sum += plane.data[i];
    data[i] = sum / planes.length;
  }
  return { data, width, height };
}

/** A surface, or null for a field without sky. */
export function surfaceUnlessFilled(fit: () => BackgroundSurface): BackgroundSurface | null {
  try {
    return fit();
  } catch (cause) {
    if (cause instanceof RangeError) return null;
    throw cause;
  }
}

function measureAlone(image: Image, mean: Raster): MeasuredAlone {
  const { width, height } = image;
  // The measuring functions take linear data; here they only look, so a picture is handed to them as it is.
  const open: Image = { ...image, unit: "adu", geometry: { ...image.geometry, bayer: null } };
  const grey: Image = { ...open, planes: [{ channel: "L", data: mean.data }], variance: null };
  const centre = centralPart(mean);
  const noiseByScale = starlet(centre.data, centre.width, centre.height, scales).scales.map((detail, j) => ({
    pixels: 2 ** j,
    sigma: scaleNoise(detail),
  }));
  const found = detectStars(grey, { maximumStars: 5000 });
  const sky = measureSky(open);
  const [greySky] = measureSky(grey);
  const bowl = surfaceUnlessFilled(() =>
    fitSurface(sampleBackground(grey, { boxesAlong: 16 }), { model: "polynomial", maximumDegree: 2 })
  );
  const shares = measureClipping(image);
  return {
    side: {
      sky: sky.map((each) => each.level),
      noise: sky.map((each) => each.noise),
      noiseByScale,
      unevenness: bowl === null ? NaN : bowl.ranges[0],
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

/**
 * Measure one side.
 *
 * @param places stars about which rings are looked for; null for the image's own
 */
export function measureSide(image: Image, places: StarList | null): MeasuredSide {
  const mean = channelMean(image);
  const alone = measuredBefore.get(image) ?? measureAlone(image, mean);
  measuredBefore.set(image, alone);
  const ringSigma = ringDepth(mean, places ?? alone.found, alone.skyNoise);
  return { ...alone, side: { ...alone.side, ringSigma }, mean };
}
