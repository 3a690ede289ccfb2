/** How a frame's level and contrast differ from a reference's, from place to place. */
import { type Image, requireLinear, requireSameSize } from "../core/image.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import { settle } from "../core/options.ts";
import { identityTransform, invertTransform, type Transform } from "../core/transform.ts";
import { weightedMedian } from "../stats/median.ts";
import { type ChannelReader, channelReaders } from "./channel_reader.ts";
import { findCloud, type StarFluxRatio } from "./find_cloud.ts";
import { type NormalisationReference, prepareNormalisation, type ReferencePlane } from "./prepare_normalisation.ts";
import { type OffsetShape, smoothOffsets } from "./smooth_offsets.ts";
import { fullestTile, tileDifferences } from "./tile_differences.ts";

/** Options of {@linkcode fitNormalisation}. */
export interface FitNormalisationOptions {
  /** Frame pixel → reference pixel; `null` when the frame lies on the reference's grid. */
  readonly transform: Transform | null;
  /**
   * Flux of the frame over that of the reference, one number or one a plane: the flux ratio of the matched stars.
   * `null` takes it from `starFluxRatios`, and without those as 1.
   */
  readonly fluxRatio: number | readonly number[] | null;
  /** Ratios of single stars; with 30 or more of them thin cloud is looked for. */
  readonly starFluxRatios: readonly StarFluxRatio[] | null;
  /** Least change of the ratio over the field that is taken for cloud rather than error. */
  readonly cloudShare: number;
  /** Least share of a tile's samples that must be left for it to count. */
  readonly minimumSamplesShare: number;
  /** How the offsets are smoothed: a thin-plate spline whose stiffness the data choose, a plane, or one constant. */
  readonly shape: OffsetShape;
}

/**
 * Defaults of {@linkcode fitNormalisation}: a change of transparency below 1 % over the field is within what flux
 * ratios of a few dozen stars tell; a tile that is two thirds star or gap knows too little of its sky.
 */
export const fitNormalisationDefaults: Readonly<FitNormalisationOptions> = Object.freeze({
  transform: null,
  fluxRatio: null,
  starFluxRatios: null,
  cloudShare: 0.01,
  minimumSamplesShare: 0.33,
  shape: "spline",
});

/** What the fit of one plane found. */
export interface NormalisationPlaneFit {
  /** Channel. */
  readonly channel: string;
  /** Factor at the centre of the field. */
  readonly scale: number;
  /** Tiles that counted. */
  readonly tiles: number;
  /** Effective number of coefficients of the offset. */
  readonly degreesOfFreedom: number;
  /** Scatter of the tiles about the surface, reference unit. */
  readonly scatter: number;
  /** Largest less smallest offset over the nodes, reference unit. */
  readonly range: number;
}

/** A surface with the evidence behind it. */
export interface FittedNormalisation extends NormalisationSurface {
  /** One entry a plane. */
  readonly planes: readonly NormalisationPlaneFit[];
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

function checkOptions(used: Readonly<FitNormalisationOptions>): void {
  const { minimumSamplesShare, cloudShare, shape } = used;
  if (!(minimumSamplesShare > 0 && minimumSamplesShare <= 1)) {
    throw new RangeError(
      `fitNormalisation: minimumSamplesShare must be above 0 and at most 1, but got ${minimumSamplesShare}`,
    );
  }
  if (!(cloudShare >= 0)) throw new RangeError(`fitNormalisation: cloudShare must be ≥ 0, but got ${cloudShare}`);
  if (!["spline", "plane", "constant"].includes(shape)) {
    throw new RangeError(`fitNormalisation: shape must be spline, plane or constant, but got ${shape}`);
  }
}

const isPrepared = (value: Image | NormalisationReference): value is NormalisationReference => "tilePixels" in value;

/** Factor of one plane at the centre of the field, and at a place of the reference. */
interface PlaneContrast {
  readonly centre: number;
  readonly at: (x: number, y: number) => number;
}

/** The factor of each plane: from the flux ratio that is given or that the stars show, sloped where cloud is found. */
function contrastOf(
  used: Readonly<FitNormalisationOptions>,
  { width, height }: NormalisationReference,
  notes: string[],
): (plane: number) => PlaneContrast {
  const { fluxRatio, starFluxRatios, cloudShare } = used;
  const starRatio = starFluxRatios === null ? NaN : weightedMedian(
    Float64Array.from(starFluxRatios, (each) => each.ratio),
    Float64Array.from(starFluxRatios, (each) => each.weight ?? 1),
  );
  const cloud = starFluxRatios === null ? null : findCloud(starFluxRatios, width, height, cloudShare);
  if (cloud !== null) {
    notes.push(`transparency changes by ${(100 * cloud.share).toFixed(1)} % over the field: the factor follows it`);
  }
  if (fluxRatio === null && !(starRatio > 0)) {
    notes.push("no flux ratio was given: contrast is left as it is, only the level is matched");
  }
  const size = Math.max(width, height) / 2;
  return (plane) => {
    const given = typeof fluxRatio === "number" || fluxRatio === null ? fluxRatio : fluxRatio[plane];
    const ratio = given ?? (starRatio > 0 ? starRatio : 1);
    if (!(ratio > 0)) throw new RangeError(`fitNormalisation: fluxRatio must be > 0, but got ${ratio}`);
    const centre = 1 / ratio;
    if (cloud === null) return { centre, at: () => centre };
    const { b, c } = cloud;
    return { centre, at: (x, y) => centre * Math.exp(-b * (x - width / 2) / size - c * (y - height / 2) / size) };
  };
}

/** Smallest number of samples that tell a tile's level. */
const minimumTileSamples = 8;

/** What the planes of a frame share. */
interface FrameFit {
  readonly grid: NormalisationReference;
  /** Reference pixel → frame pixel. */
  readonly inverse: Transform;
  readonly used: Readonly<FitNormalisationOptions>;
  /** Receives doubts. */
  readonly notes: string[];
}

/** Factors and offsets of one plane at the nodes, and what they rest on. */
interface FittedPlane {
  readonly scale: Float32Array;
  readonly offset: Float32Array;
  readonly plane: NormalisationPlaneFit;
}

function fitPlane(
  reader: ChannelReader,
  reference: ReferencePlane,
  contrast: PlaneContrast,
  { grid, inverse, used, notes }: FrameFit,
): FittedPlane {
  const { gridWidth, gridHeight, tilePixels } = grid;
  const minimumSamples = Math.max(minimumTileSamples, used.minimumSamplesShare * fullestTile(reference));
  const levels = tileDifferences(reader, reference, inverse, contrast.at, minimumSamples);
  if (levels.length === 0) {
    throw new RangeError(
      `fitNormalisation: frame and reference must share sky, but no tile of channel ${reader.channel} has enough ` +
        "samples; check the transform",
    );
  }
  const all = gridWidth * gridHeight;
  if (levels.length < all / 2) {
    notes.push(`${reader.channel}: only ${levels.length} of ${all} tiles could be compared`);
  }
  const { nodes, degreesOfFreedom, scatter } = smoothOffsets(levels, grid, used.shape);
  const place = (k: number) => (tilePixels - 1) / 2 + k * tilePixels;
  let low = Infinity;
  let high = -Infinity;
  for (const each of nodes) {
    low = Math.min(low, each);
    high = Math.max(high, each);
  }
  return {
    scale: Float32Array.from(nodes, (_, at) => contrast.at(place(at % gridWidth), place(Math.floor(at / gridWidth)))),
    offset: Float32Array.from(nodes, (each) => -each),
    plane: {
      channel: reader.channel,
      scale: contrast.centre,
      tiles: levels.length,
      degreesOfFreedom,
      scatter,
      range: high - low,
    },
  };
}

/**
 * Find how a frame's level and contrast differ from a reference's, from place to place.
 *
 * The stars' flux fixes the factor. The frame times the factor less the reference is then all sky: its median over
 * each tile (stars left out, outliers cut), weighted by its error, is smoothed by a thin-plate spline whose stiffness
 * generalised cross-validation chooses. The nebula is in both and cancels. Published relatives: Alard & Lupton (1998,
 * ApJ 503, 325); background matching of the Stripe 82 coadds (Annis et al. 2014, ApJ 794, 120). The factor varies over
 * the field only when 30 or more stars show a significant slope of more than `cloudShare`.
 *
 * The frame need not be resampled: with `transform` its nearest samples are looked up. A colour mosaic gives three
 * planes. Cost: 4096 samples a tile, 30 ms a plane of any size, and the reference once.
 *
 * @param image linear frame, calibrated
 * @param reference image on the reference grid, or one made ready by {@linkcode prepareNormalisation}, which has a
 * choice of tiles and of what counts as star
 * @param options transform, flux ratio, stars, shape
 * @returns the surface on the reference grid with its evidence
 * @throws {TypeError} if an image is a finished picture or the channels differ in number
 * @throws {RangeError} if an option is out of range, sizes differ without a transform, or no tile has enough samples
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, fitNormalisation } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const reference = constantImage(256, 192, 100);
 * const data = Float32Array.from({ length: 256 * 192 }, (_, i) => 0.8 * 100 + 0.05 * (i % 256));
 * const frame = createImage({ width: 256, height: 192, unit: "adu", planes: [{ channel: "L", data }] });
 * const surface = fitNormalisation(frame, reference, { fluxRatio: 0.8 });
 * assert.equal(surface.scale[0][0], 1.25);
 * assert.ok(Math.abs(surface.planes[0].range - 1.25 * 0.05 * 192) < 0.5); // five nodes, 48 px apart
 * ```
 */
export function fitNormalisation(
  image: Image,
  reference: Image | NormalisationReference,
  options: Partial<FitNormalisationOptions> = {},
): FittedNormalisation {
  const used = settle("fitNormalisation", fitNormalisationDefaults, options);
  checkOptions(used);
  requireLinear("fitNormalisation", image);
  const grid = isPrepared(reference) ? reference : prepareNormalisation(reference);
  if (used.transform === null) requireSameSize("fitNormalisation", image, grid);
  const readers = channelReaders(image);
  if (readers.length !== grid.planes.length) {
    throw new TypeError(
      `fitNormalisation: image must have as many channels as the reference, ${grid.planes.length}, but has ` +
        `${readers.length}`,
    );
  }
  const notes: string[] = [];
  const contrast = contrastOf(used, grid, notes);
  const inverse = used.transform === null ? identityTransform : invertTransform(used.transform);
  const frame: FrameFit = { grid, inverse, used, notes };
  const fitted = readers.map((reader, k) => fitPlane(reader, grid.planes[k], contrast(k), frame));
  return {
    gridWidth: grid.gridWidth,
    gridHeight: grid.gridHeight,
    tilePixels: grid.tilePixels,
    scale: fitted.map(({ scale }) => scale),
    offset: fitted.map(({ offset }) => offset),
    planes: fitted.map(({ plane }) => plane),
    notes,
  };
}
