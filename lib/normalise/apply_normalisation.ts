/** A normalisation surface applied to an image, and shown as one. */
import { allocatePlane, createImage, derive, type Image, requireLinear, type Unit } from "../core/image.ts";
import { evaluateNormalisation, type NormalisationSurface } from "../core/normalisation.ts";
import { settle } from "../core/options.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";

interface ApplyJob {
  readonly surface: NormalisationSurface;
  readonly plane: number;
  readonly width: number;
  readonly x: number;
  readonly y: number;
  readonly step: number;
  readonly from: number;
  readonly to: number;
  readonly source: Float32Array;
  readonly out: Float32Array;
  readonly variance: Float32Array | null;
  readonly outVariance: Float32Array | null;
}

/** Apply a surface to rows `from` to `to` of a plane; runs in a worker. */
export function applyNormalisationRows(job: ApplyJob): void {
  const { surface, plane, width, x, y, step, from, to, source, out, variance, outVariance } = job;
  // the surface is smooth: it is evaluated exactly where it is needed, a strip that stays in the cache at a time
  const rows = Math.max(1, Math.floor(65536 / width));
  const scale = new Float32Array(rows * width);
  const offset = new Float32Array(rows * width);
  for (let first = from; first < to; first += rows) {
    const count = Math.min(rows, to - first);
    const at = first * width;
    const size = count * width;
    evaluateNormalisation(surface, plane, { x, y: y + first * step, step, width, height: count }, scale, offset);
    for (let i = 0; i < size; i++) out[at + i] = source[at + i] * scale[i] + offset[i];
    if (variance !== null && outVariance !== null) {
      for (let i = 0; i < size; i++) outVariance[at + i] = variance[at + i] * scale[i] * scale[i];
    }
  }
}

const applyTask: PoolTask<ApplyJob, void> = {
  module: import.meta.url,
  name: "applyNormalisationRows",
  run: applyNormalisationRows,
};

/** Options of {@linkcode applyNormalisation}: where the image lies on the reference grid. */
export interface ApplyNormalisationOptions {
  /** Reference column of the image's first pixel. */
  readonly originX: number;
  /** Reference row of the image's first pixel. */
  readonly originY: number;
  /** Reference pixels a pixel of the image. */
  readonly scale: number;
}

/** Defaults of {@linkcode applyNormalisation}: the image lies on the reference's own grid. */
export const applyNormalisationDefaults: Readonly<ApplyNormalisationOptions> = Object.freeze({
  originX: 0,
  originY: 0,
  scale: 1,
});

/**
 * Bring an image that lies on the reference grid to the reference's level and contrast: sample × scale + offset.
 *
 * NaN stays NaN, variance follows the square of the factor. Cost: some nanoseconds a pixel, on all processors.
 *
 * @param image linear image on the reference grid (resampled)
 * @param surface from {@linkcode fitNormalisation}
 * @param options place on the reference grid, for a crop or another scale
 * @throws {TypeError} if the image is a finished picture or has another number of planes than the surface
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyNormalisation, constantImage } from "faintlight";
 *
 * const surface = {
 *   gridWidth: 1, gridHeight: 1, tilePixels: 8, scale: [Float32Array.of(2)], offset: [Float32Array.of(-1)],
 * };
 * assert.equal(applyNormalisation(constantImage(4, 4, 3), surface).planes[0].data[5], 5);
 * ```
 */
export function applyNormalisation(
  image: Image,
  surface: NormalisationSurface,
  options: Partial<ApplyNormalisationOptions> = {},
): Image {
  const used = settle("applyNormalisation", applyNormalisationDefaults, options);
  requireLinear("applyNormalisation", image);
  const { width, height } = image;
  if (image.planes.length !== surface.scale.length) {
    throw new TypeError(
      `applyNormalisation: image must have one plane for each of the surface's ${surface.scale.length}, but has ` +
        `${image.planes.length}`,
    );
  }
  if (!(used.scale > 0)) throw new RangeError(`applyNormalisation: scale must be > 0, but got ${used.scale}`);
  const planes = image.planes.map((plane) => ({ ...plane, data: allocatePlane(width, height) }));
  const variance = image.variance === null ? null : image.variance.map(() => allocatePlane(width, height));
  const { gridWidth, gridHeight, tilePixels, scale, offset } = surface;
  const band = Math.max(16, Math.ceil(height / 16));
  const jobs: ApplyJob[] = [];
  image.planes.forEach(({ data }, plane) => {
    for (let from = 0; from < height; from += band) {
      jobs.push({
        surface: { gridWidth, gridHeight, tilePixels, scale, offset },
        plane,
        width,
        x: used.originX,
        y: used.originY,
        step: used.scale,
        from,
        to: Math.min(height, from + band),
        source: data,
        out: planes[plane].data,
        variance: image.variance?.[plane] ?? null,
        outVariance: variance?.[plane] ?? null,
      });
    }
  });
  parallelMap(applyTask, jobs, { inline: width * height < 1 << 16 });
  const lists = (part: readonly Float32Array[]) => part.map((each) => Array.from(each));
  return derive(image, { planes, variance }, {
    step: "applyNormalisation",
    options: { ...used, surface: { gridWidth, gridHeight, tilePixels, scale: lists(scale), offset: lists(offset) } },
  });
}

/**
 * A surface as an image to look at: its offset or its factor on every pixel.
 *
 * @param surface from {@linkcode fitNormalisation}
 * @param width columns of the reference
 * @param height rows of the reference
 * @param part what to draw
 * @param unit unit of the reference, in which offsets are
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { normalisationImage } from "faintlight/parts";
 *
 * const surface = {
 *   gridWidth: 2, gridHeight: 1, tilePixels: 4, scale: [Float32Array.of(1, 1)], offset: [Float32Array.of(0, 4)],
 * };
 * assert.equal(normalisationImage(surface, 8, 4).planes[0].data[2], 0.5); // nodes lie at 1.5 and 5.5
 * ```
 */
export function normalisationImage(
  surface: NormalisationSurface,
  width: number,
  height: number,
  part: "offset" | "scale" = "offset",
  unit: Unit = "adu",
): Image {
  if (part !== "offset" && part !== "scale") {
    throw new RangeError(`normalisationImage: part must be offset or scale, but got ${part}`);
  }
  const planes = surface.scale.map((_, k) => {
    const scale = allocatePlane(width, height);
    const offset = allocatePlane(width, height);
    evaluateNormalisation(surface, k, { x: 0, y: 0, step: 1, width, height }, scale, offset);
    return { channel: surface.scale.length === 1 ? part : `${part} ${k}`, data: part === "scale" ? scale : offset };
  });
  return createImage({ width, height, planes, unit }, { step: "normalisationImage", options: { width, height, part } });
}
