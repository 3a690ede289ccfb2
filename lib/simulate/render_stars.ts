/** Stars on the sensor: pixel-integrated Moffat profiles that trail, jump, tilt and grow halos. */
import { square } from "./square.ts";
import { cosPortable, powPortable, sinPortable } from "../kernels/elementary.ts";
import { settle } from "../core/options.ts";

/** A star to draw. */
export interface StarImage {
  /** Column; the first pixel's centre is (0, 0). */
  readonly x: number;
  /** Row. */
  readonly y: number;
  /** Electrons in all, or one number for each of R, G, B when drawn on a mosaic. */
  readonly flux: number | readonly [number, number, number];
}

/** A place the image stood at during the exposure, against its nominal place. */
export interface MotionStep {
  /** Shift along x, pixels. */
  readonly dx: number;
  /** Shift along y, pixels. */
  readonly dy: number;
  /** Rotation about the frame's centre, from +x towards +y, degrees. */
  readonly rotationDegrees: number;
  /** Share of the exposure; the shares add up to 1. */
  readonly share: number;
}

/** Shape of a star's image. Lengths in pixels, directions from +x towards +y as stored. */
export interface PsfShape {
  /** Full width at half maximum in the middle of the field, before motion. */
  readonly fwhmPixels: number;
  /** Exponent of the Moffat profile (1969, A&A 3, 455); 4.765 is pure turbulence, real telescopes give 2.5 … 4. */
  readonly beta: number;
  /** √(1 − b²/a²) in the middle of the field, before motion. */
  readonly eccentricity: number;
  /** Direction of the long axis there. */
  readonly elongationDegrees: number;
  /** Growth of FWHM² from the middle to a corner by curved field, as a share; ≥ 0. */
  readonly fieldCurvature: number;
  /** Change of FWHM² from the middle to a corner by tilt, as a share. */
  readonly tilt: number;
  /** Direction in which the tilt makes stars larger. */
  readonly tiltDegrees: number;
  /** Radial ellipticity (a² − b²)/(a² + b²) at a corner, growing with the square of the distance. */
  readonly radialEllipticity: number;
  /** Share of the flux in a wide halo (dew, haze). */
  readonly haloShare: number;
  /** Width of the halo over the width of the star. */
  readonly haloScale: number;
  /** Where the image stood during the exposure; empty for no motion. */
  readonly motion: readonly MotionStep[];
}

/** A sharp, round star and no motion. */
export const psfShapeDefaults: PsfShape = Object.freeze({
  fwhmPixels: 2.6,
  beta: 3,
  eccentricity: 0,
  elongationDegrees: 0,
  fieldCurvature: 0,
  tilt: 0,
  tiltDegrees: 0,
  radialEllipticity: 0,
  haloShare: 0,
  haloScale: 5,
  motion: [],
});

/** Samples to draw on; also any single plane of an image. */
export interface StarCanvas {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** width × height samples, electrons. */
  readonly data: Float32Array | Float64Array;
}

/** Options of {@linkcode renderStars}. */
export interface RenderStarsOptions {
  /** Profiles are cut where they fall below this, electrons a pixel, though never inside `minimumRadiusFwhm`. */
  readonly cutElectrons: number;
  /** Least radius of a drawn star, in FWHM. */
  readonly minimumRadiusFwhm: number;
  /** Channel number (0 R, 1 G, 2 B) of each pixel of the 2 × 2 mosaic block in reading order; empty for mono. */
  readonly mosaic: readonly number[];
  /**
   * Column and row that rotation in `motion` turns about and field effects start from; empty for the canvas's middle.
   */
  readonly centre: readonly number[];
}

/** What {@linkcode renderStars} uses for an option left out: a cut far below any read noise. */
export const renderStarsDefaults: RenderStarsOptions = Object.freeze({
  cutElectrons: 0.01,
  minimumRadiusFwhm: 3,
  mosaic: [],
  centre: [],
});

const tableSize = 4096;

/** (1 − t)^β over t = w / (1 + w), w = (r/α)²: linear interpolation errs by less than 1e-7 of the peak. */
function profileTable(beta: number): Float64Array {
  const table = new Float64Array(tableSize + 2);
  for (let i = 0; i < tableSize; i++) table[i] = powPortable(1 - i / tableSize, beta);
  return table;
}

// Gauss–Legendre nodes and weights on a pixel from −½ to ½, for 1, 2 and 3 points (Abramowitz & Stegun table 25.4).
const nodes = [[], [0], [-0.28867513459481287, 0.28867513459481287], [-0.3872983346207417, 0, 0.3872983346207417]];
const weights = [[], [1], [0.5, 0.5], [5 / 18, 8 / 18, 5 / 18]];

/**
 * α over FWHM of a Moffat profile.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { moffatAlphaPerFwhm } from "faintlight/simulate";
 *
 * assert.ok(Math.abs(1 / moffatAlphaPerFwhm(3) - 1.019649) < 1e-6);
 * ```
 */
export const moffatAlphaPerFwhm = (beta: number): number => 0.5 / Math.sqrt(powPortable(2, 1 / beta) - 1);

/** What is the same for all stars of a canvas. */
interface Pen {
  readonly canvas: StarCanvas;
  readonly shape: PsfShape;
  readonly options: RenderStarsOptions;
  /** Centre of the field, and distance of a corner from it. */
  readonly xc: number;
  readonly yc: number;
  readonly corner: number;
  /** Ellipticity (cos 2φ, sin 2φ) of (a² − b²)/(a² + b²) in the middle of the field. */
  readonly e0x: number;
  readonly e0y: number;
  readonly tiltX: number;
  readonly tiltY: number;
  readonly alphaPerFwhm: number;
  readonly table: Float64Array;
  readonly steps: readonly (MotionStep & { readonly cos: number; readonly sin: number })[];
  /** Core and halo. */
  readonly parts: readonly { readonly share: number; readonly scale: number }[];
}

function penFor(canvas: StarCanvas, shape: PsfShape, options: RenderStarsOptions): Pen {
  const { width, height } = canvas;
  const xc = options.centre[0] ?? (width - 1) / 2;
  const yc = options.centre[1] ?? (height - 1) / 2;
  const axis2 = 1 - square(shape.eccentricity);
  const e0 = (1 - axis2) / (1 + axis2);
  const turn = shape.elongationDegrees * Math.PI / 90;
  const still: readonly MotionStep[] = [{ dx: 0, dy: 0, rotationDegrees: 0, share: 1 }];
  return {
    canvas,
    shape,
    options,
    xc,
    yc,
    corner: Math.sqrt(xc * xc + yc * yc) || 1,
    e0x: e0 * cosPortable(turn),
    e0y: e0 * sinPortable(turn),
    tiltX: shape.tilt * cosPortable(shape.tiltDegrees * Math.PI / 180),
    tiltY: shape.tilt * sinPortable(shape.tiltDegrees * Math.PI / 180),
    alphaPerFwhm: moffatAlphaPerFwhm(shape.beta),
    table: profileTable(shape.beta),
    steps: (shape.motion.length === 0 ? still : shape.motion).map((step) => ({
      ...step,
      cos: cosPortable(step.rotationDegrees * Math.PI / 180),
      sin: sinPortable(step.rotationDegrees * Math.PI / 180),
    })),
    parts: shape.haloShare > 0
      ? [{ share: 1 - shape.haloShare, scale: 1 }, { share: shape.haloShare, scale: shape.haloScale }]
      : [{ share: 1, scale: 1 }],
  };
}

/** An elliptical profile: quadratic form qxx x² + qxy x y + qyy y² of (r/α)², drawn out to a radius. */
interface Profile {
  readonly qxx: number;
  readonly qxy: number;
  readonly qyy: number;
  readonly fwhm: number;
  readonly radius: number;
}

/** One star: its core and its halo at every step of the motion. */
function drawStar(pen: Pen, star: StarImage): void {
  const { shape, options, xc, yc, corner, tiltX, tiltY } = pen;
  const dx = star.x - xc;
  const dy = star.y - yc;
  const u = dx / corner;
  const v = dy / corner;
  const rho2 = u * u + v * v;
  const size2 = Math.max(0.1, 1 + shape.fieldCurvature * rho2 + tiltX * u + tiltY * v);
  // radial ellipticity: (cos 2φ, sin 2φ) ρ² = (u² − v², 2uv)
  let ex = pen.e0x + shape.radialEllipticity * (u * u - v * v);
  let ey = pen.e0y + shape.radialEllipticity * 2 * u * v;
  const e = Math.sqrt(ex * ex + ey * ey);
  if (e > 0.95) {
    ex *= 0.95 / e;
    ey *= 0.95 / e;
  }
  const fluxes = typeof star.flux === "number" ? null : star.flux;
  if (fluxes !== null && options.mosaic.length !== 4) {
    throw new TypeError("renderStars: a star with three fluxes must come with option mosaic, but got none");
  }
  const flux = fluxes === null ? star.flux as number : Math.max(...fluxes);

  for (const part of pen.parts) {
    const fwhm = shape.fwhmPixels * Math.sqrt(size2) * part.scale;
    const alpha = fwhm * pen.alphaPerFwhm;
    // quadratic form of the ellipse whose axes have the geometric mean α
    const stretch = 1 / (alpha * alpha * Math.sqrt(1 - ex * ex - ey * ey));
    const peak = (shape.beta - 1) / (Math.PI * alpha * alpha);
    const ratio = flux * part.share * peak / options.cutElectrons;
    const reach = ratio > 1 ? alpha * Math.sqrt(powPortable(ratio, 1 / shape.beta) - 1) : 0;
    const profile: Profile = {
      qxx: (1 - ex) * stretch,
      qxy: -2 * ey * stretch,
      qyy: (1 + ex) * stretch,
      fwhm,
      radius: Math.max(reach, options.minimumRadiusFwhm * fwhm),
    };
    for (const step of pen.steps) {
      const x = xc + step.cos * dx - step.sin * dy + step.dx;
      const y = yc + step.sin * dx + step.cos * dy + step.dy;
      addProfile(pen, profile, [x, y], peak * part.share * step.share, star.flux);
    }
  }
}

/** Add a profile of a given peak, integrated over each pixel, times the flux of the pixel's band. */
function addProfile(
  pen: Pen,
  profile: Profile,
  [x, y]: readonly [number, number],
  amplitude: number,
  flux: StarImage["flux"],
): void {
  const { canvas: { data, width, height }, table, options: { mosaic } } = pen;
  const { qxx, qxy, qyy, fwhm, radius } = profile;
  const x0 = Math.max(0, Math.ceil(x - radius));
  const x1 = Math.min(width - 1, Math.floor(x + radius));
  const y0 = Math.max(0, Math.ceil(y - radius));
  const y1 = Math.min(height - 1, Math.floor(y + radius));
  // three points a pixel and axis in the core, two in the wings, one far out
  const core2 = square(2.5 * fwhm);
  const wings2 = square(7 * fwhm);
  const radius2 = radius * radius;
  for (let py = y0; py <= y1; py++) {
    const oy = py - y;
    for (let px = x0; px <= x1; px++) {
      const ox = px - x;
      const r2 = ox * ox + oy * oy;
      if (r2 > radius2) continue;
      const points = r2 < core2 ? 3 : r2 < wings2 ? 2 : 1;
      const node = nodes[points];
      const weight = weights[points];
      let sum = 0;
      for (let j = 0; j < points; j++) {
        const sy = oy + node[j];
        const row = qyy * sy * sy;
        for (let i = 0; i < points; i++) {
          const sx = ox + node[i];
          const w = qxx * sx * sx + qxy * sx * sy + row;
          const at = tableSize * (w / (1 + w));
          const k = at | 0;
          sum += weight[i] * weight[j] * (table[k] + (table[k + 1] - table[k]) * (at - k));
        }
      }
      data[py * width + px] += amplitude * (typeof flux === "number" ? flux : flux[mosaic[(py & 1) * 2 + (px & 1)]]) *
        sum;
    }
  }
}

/**
 * Add stars to a canvas. A star's flux is spread as an elliptical Moffat profile integrated over each pixel
 * (Gauss–Legendre, 3 × 3 points in the core), once for each step of the motion; flux off the canvas is lost.
 *
 * Cost: about 1 µs a star's core and 10 ns a further pixel, times the steps of the motion.
 *
 * @param canvas receives electrons, added to what is there
 * @param stars where and how bright
 * @param spread shape of a star's image
 * @param options cuts and mosaic
 * @throws {RangeError} if the FWHM is not above 0, β not above 1, or an eccentricity not in [0, 1)
 * @throws {TypeError} if a star has three fluxes and the canvas is no mosaic
 *
 * @example The flux of a star arrives on the canvas
 * ```ts
 * import assert from "node:assert/strict";
 * import { renderStars } from "faintlight/simulate";
 *
 * const canvas = { width: 101, height: 101, data: new Float32Array(101 * 101) };
 * renderStars(canvas, [{ x: 50.3, y: 49.8, flux: 1000 }], { fwhmPixels: 3 }, { minimumRadiusFwhm: 12 });
 * const sum = canvas.data.reduce((total, each) => total + each, 0);
 * assert.ok(Math.abs(sum - 1000) < 1);
 * ```
 */
export function renderStars(
  canvas: StarCanvas,
  stars: readonly StarImage[],
  spread: Partial<PsfShape> = {},
  options: Partial<RenderStarsOptions> = {},
): void {
  const shape = settle("renderStars", psfShapeDefaults, spread);
  const { cutElectrons, minimumRadiusFwhm, mosaic, centre } = settle("renderStars", renderStarsDefaults, options);
  if (!(shape.fwhmPixels > 0)) throw new RangeError(`renderStars: fwhmPixels must be > 0, but got ${shape.fwhmPixels}`);
  if (!(shape.beta > 1)) throw new RangeError(`renderStars: beta must be > 1, but got ${shape.beta}`);
  if (!(shape.eccentricity >= 0 && shape.eccentricity < 1)) {
    throw new RangeError(`renderStars: eccentricity must lie in [0, 1), but got ${shape.eccentricity}`);
  }
  const pen = penFor(canvas, shape, { cutElectrons, minimumRadiusFwhm, mosaic, centre });
  for (const star of stars) drawStar(pen, star);
}
