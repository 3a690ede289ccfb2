/** The pixel grid a stack is made on, laid out in pixels of the reference frame. */
import { cropGeometry, type Geometry, type Point, rescaleGeometry } from "./geometry.ts";
import { applyTransform, type Transform } from "./transform.ts";

/** A grid of output pixels. Pixel (i, j) has its centre at reference pixel origin + scale · (i, j). */
export interface Canvas {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Centre of the first pixel, in pixels of the reference frame. */
  readonly origin: Point;
  /** Reference pixels a canvas pixel: 1 on the reference's own grid, 0.5 on one twice as fine. */
  readonly scale: number;
  /** Geometry that the stack will carry. */
  readonly geometry: Geometry;
}

/** Size, place and transform of a frame, for laying out a canvas. */
export interface FrameOutline {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Source pixel → reference pixel. */
  readonly transform: Transform;
}

/**
 * The reference frame's own grid; a mosaic's grid loses its Bayer pattern, because the stack is no mosaic.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { plainGeometry, referenceCanvas } from "faintlight/geometry";
 *
 * const canvas = referenceCanvas({ width: 8, height: 6, geometry: plainGeometry });
 * assert.deepEqual([canvas.width, canvas.scale], [8, 1]);
 * ```
 */
export function referenceCanvas(
  reference: { readonly width: number; readonly height: number; readonly geometry: Geometry },
): Canvas {
  const { width, height, geometry } = reference;
  return { width, height, origin: { x: 0, y: 0 }, scale: 1, geometry: { ...geometry, bayer: null } };
}

/**
 * The part of a canvas that starts at whole pixel (x, y) and has the size given; may reach beyond it (negative x, y).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { cropCanvas, plainGeometry, referenceCanvas } from "faintlight/geometry";
 *
 * const canvas = referenceCanvas({ width: 8, height: 6, geometry: plainGeometry });
 * assert.deepEqual(cropCanvas(canvas, 2, 1, 4, 4).origin, { x: 2, y: 1 });
 * ```
 */
export function cropCanvas(canvas: Canvas, x: number, y: number, width: number, height: number): Canvas {
  const { origin, scale, geometry } = canvas;
  return {
    width,
    height,
    origin: { x: origin.x + x * scale, y: origin.y + y * scale },
    scale,
    geometry: cropGeometry(geometry, { x, y }),
  };
}

/**
 * The same area with pixels `factor` times as wide (0.5 = twice as fine); the first pixel's corner stays.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { plainGeometry, referenceCanvas, rescaleCanvas } from "faintlight/geometry";
 *
 * const canvas = referenceCanvas({ width: 8, height: 6, geometry: plainGeometry });
 * assert.equal(rescaleCanvas(canvas, 0.5).width, 16);
 * ```
 */
export function rescaleCanvas(canvas: Canvas, factor: number): Canvas {
  if (!(factor > 0)) throw new RangeError(`rescaleCanvas: factor must be > 0, but got ${factor}`);
  const { width, height, origin, scale, geometry } = canvas;
  const half = (factor - 1) / 2 * scale;
  return {
    width: Math.max(1, Math.round(width / factor)),
    height: Math.max(1, Math.round(height / factor)),
    origin: { x: origin.x + half, y: origin.y + half },
    scale: scale * factor,
    geometry: rescaleGeometry(geometry, factor),
  };
}

/**
 * Points on the outline of a frame's pixel centres, beyond which nothing is interpolated; some a side, so that curves
 * count.
 */
function outline(frame: FrameOutline): Point[] {
  const { width, height, transform } = frame;
  const points: Point[] = [];
  const parts = 16;
  for (let i = 0; i <= parts; i++) {
    const u = i / parts * (width - 1);
    const v = i / parts * (height - 1);
    points.push(
      applyTransform(transform, u, 0),
      applyTransform(transform, u, height - 1),
      applyTransform(transform, 0, v),
      applyTransform(transform, width - 1, v),
    );
  }
  return points;
}

/**
 * The canvas grown, on its own raster, until it holds every pixel for which a frame has data.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { identityTransform, plainGeometry, referenceCanvas, unionCanvas } from "faintlight/geometry";
 *
 * const canvas = referenceCanvas({ width: 8, height: 6, geometry: plainGeometry });
 * assert.equal(unionCanvas(canvas, [{ width: 12, height: 6, transform: identityTransform }]).width, 12);
 * ```
 */
export function unionCanvas(canvas: Canvas, frames: readonly FrameOutline[]): Canvas {
  let x0 = 0;
  let y0 = 0;
  let x1 = canvas.width - 1;
  let y1 = canvas.height - 1;
  for (const frame of frames) {
    for (const p of outline(frame)) {
      const x = (p.x - canvas.origin.x) / canvas.scale;
      const y = (p.y - canvas.origin.y) / canvas.scale;
      x0 = Math.min(x0, Math.ceil(x - 1e-6));
      y0 = Math.min(y0, Math.ceil(y - 1e-6));
      x1 = Math.max(x1, Math.floor(x + 1e-6));
      y1 = Math.max(y1, Math.floor(y + 1e-6));
    }
  }
  return cropCanvas(canvas, x0, y0, x1 - x0 + 1, y1 - y0 + 1);
}

/**
 * The largest upright rectangle of canvas pixels that lies in at least `share` of the frames (1 = in all of them). The
 * search runs on cells of `cellPixels` canvas pixels, so up to that much is given away at each side of a slanting
 * edge.
 *
 * @throws {RangeError} if no cell lies in that share of the frames
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { identityTransform, intersectionCanvas, plainGeometry, referenceCanvas } from "faintlight/geometry";
 *
 * const canvas = referenceCanvas({ width: 8, height: 6, geometry: plainGeometry });
 * const frame = { width: 8, height: 6, transform: identityTransform, inverse: identityTransform };
 * assert.equal(intersectionCanvas(canvas, [frame]).width, 8);
 * ```
 */
export function intersectionCanvas(
  canvas: Canvas,
  frames: readonly (FrameOutline & { readonly inverse: Transform })[],
  share: number = 1,
  cellPixels: number = 8,
): Canvas {
  const { origin, scale } = canvas;
  const columns = Math.ceil(canvas.width / cellPixels);
  const rows = Math.ceil(canvas.height / cellPixels);
  const counts = new Uint16Array((columns + 1) * (rows + 1));
  const border = (cells: number, limit: number) => Math.min(cells * cellPixels, limit) - 0.5;
  for (const { inverse, width, height } of frames) {
    for (let j = 0, at = 0; j <= rows; j++) {
      for (let i = 0; i <= columns; i++, at++) {
        const x = origin.x + border(i, canvas.width) * scale;
        const y = origin.y + border(j, canvas.height) * scale;
        const p = applyTransform(inverse, x, y);
        const slack = 1e-6;
        if (p.x >= -0.5 - slack && p.y >= -0.5 - slack && p.x <= width - 0.5 + slack && p.y <= height - 0.5 + slack) {
          counts[at]++;
        }
      }
    }
  }
  const needed = Math.ceil(share * frames.length - 1e-9);
  const tall = new Int32Array(columns);
  let best = { area: 0, x: 0, y: 0, w: 0, h: 0 };
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const a = j * (columns + 1) + i;
      const b = a + columns + 1;
      const inside = Math.min(counts[a], counts[a + 1], counts[b], counts[b + 1]) >= needed;
      tall[i] = inside ? tall[i] + 1 : 0;
    }
    for (let i = 0; i < columns; i++) {
      let low = tall[i];
      for (let k = i; k < columns && low > 0; k++) {
        low = Math.min(low, tall[k]);
        const area = low * (k - i + 1);
        if (area > best.area) best = { area, x: i, y: j - low + 1, w: k - i + 1, h: low };
      }
    }
  }
  if (best.area === 0) {
    throw new RangeError(
      `intersectionCanvas: ${needed} of ${frames.length} frames must overlap somewhere, but they do nowhere; ` +
        "use a smaller share",
    );
  }
  const x = best.x * cellPixels;
  const y = best.y * cellPixels;
  return cropCanvas(
    canvas,
    x,
    y,
    Math.min(best.w * cellPixels, canvas.width - x),
    Math.min(best.h * cellPixels, canvas.height - y),
  );
}
