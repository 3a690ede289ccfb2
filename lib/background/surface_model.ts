/** Models of the sky: polynomials, a spline or a mesh, each with its share, fitted to samples of one channel. */
import { fitThinPlate } from "../surfaces/fit_thin_plate.ts";
import {
  fitPolynomialSurface,
  type PolynomialSurface,
  polynomialSurfaceAt,
  renderPolynomialSurface,
  type SurfacePoint,
} from "../surfaces/polynomial_surface.ts";
import { renderThinPlate } from "../surfaces/render_thin_plate.ts";
import { type ThinPlate, thinPlateAt } from "../surfaces/thin_plate.ts";
import { fitMesh, meshAt, meshPlane, type MeshSurface } from "./mesh_surface.ts";
import type { BackgroundSample, SampledField, SampleValue } from "./sample_background.ts";

/** A kind of surface. */
export interface SurfaceKind {
  /**
   * Polynomial; the same with the fourth power of the distance from the middle of the field, which vignetting has;
   * thin-plate spline; or a mesh of the boxes themselves.
   */
  readonly model: "polynomial" | "vignetting" | "thin-plate" | "mesh";
  /** Total degree of a polynomial, without the fourth power; for a spline that of the polynomial under it. */
  readonly degree: number;
  /** Smoothing of a spline, by generalised cross-validation, coordinates in pixels; 0 for others. */
  readonly smoothing: number;
}

/** A kind and its share of a surface. */
export interface SurfacePart extends SurfaceKind {
  /** Its share of the surface; those of all parts add up to 1. */
  readonly share: number;
}

/** A spline may take at most this share of the samples as its degrees of freedom: a sky is smoother than a nebula. */
const maximumSplineFreedomShare = 0.3;

/** What is no polynomial, and how much of it. */
type BentPart = (MeshSurface | { readonly kind: "thin-plate"; readonly spline: ThinPlate }) & {
  readonly share: number;
};
/** Model of one channel: the polynomials of all parts added up, and the other parts. */
export interface SurfaceModel {
  /** The polynomials of all parts, added up by their shares. */
  readonly polynomial: PolynomialSurface;
  /** Splines and meshes. */
  readonly bent: readonly BentPart[];
}

/** Height of a model at one place. */
export const surfaceModelAt = ({ polynomial, bent }: SurfaceModel, x: number, y: number): number =>
  bent.reduce(
    (sum, each) => sum + each.share * (each.kind === "mesh" ? meshAt(each, x, y) : thinPlateAt(each.spline, x, y)),
    polynomialSurfaceAt(polynomial, x, y),
  );

/** A model at every pixel. */
export function renderSurfaceModel({ polynomial, bent }: SurfaceModel, width: number, height: number): Float32Array {
  const out = renderPolynomialSurface(polynomial);
  for (const each of bent) {
    const plane = each.kind === "mesh" ? meshPlane(each) : renderThinPlate(each.spline, width, height).data;
    for (let i = 0; i < out.length; i++) out[i] += each.share * plane[i];
  }
  return out;
}

/** level + slope × (model − centre). */
const rescaled = ({ polynomial, bent }: SurfaceModel, level: number, slope: number, centre: number): SurfaceModel => ({
  polynomial: {
    ...polynomial,
    coefficients: polynomial.coefficients.map((c, k) => slope * c + (k === 0 ? level - slope * centre : 0)),
  },
  bent: bent.map((each) => ({ ...each, share: slope * each.share })),
});

/** Fit one spline, over a polynomial that takes what a spline would bend for at a high price. */
function fitSpline(
  points: readonly SurfacePoint[],
  low: PolynomialSurface | null,
  smoothing: number,
): ThinPlate {
  const rest = points.map(({ x, y, value }) => low === null ? value : value - polynomialSurfaceAt(low, x, y));
  return fitThinPlate(points.map((p) => p.x), points.map((p) => p.y), rest, {
    smoothing: Number.isNaN(smoothing) ? "gcv" : smoothing,
    maximumDegreesOfFreedom: maximumSplineFreedomShare,
  });
}

/**
 * Fit each part and add them up by their shares; NaN as the smoothing of a spline lets generalised cross-validation
 * choose it.
 *
 * @param index the samples it is fitted to
 * @throws {RangeError} if there are too few samples for a part
 */
export function fitSurfaceModel(
  field: SampledField,
  parts: readonly SurfacePart[],
  index: readonly number[],
  value: SampleValue,
): SurfaceModel {
  const { samples, width, height } = field;
  const bent: BentPart[] = [];
  const points = index.map((i) => ({ x: samples[i].x, y: samples[i].y, value: value(samples[i]) }));
  let degree = 0;
  const coefficients = new Array<number>(15).fill(0);
  const add = (fitted: PolynomialSurface, share: number): void => {
    degree = Math.max(degree, fitted.degree);
    fitted.coefficients.forEach((c, k) => coefficients[k] += share * c);
  };

  for (const { model, degree: own, smoothing, share } of parts) {
    if (model === "mesh") {
      const slope = fitPolynomialSurface(points, { width, height, degree: 1 });
      bent.push({ ...fitMesh(field, index, value, (x, y) => polynomialSurfaceAt(slope, x, y)), share });
    } else if (model === "thin-plate") {
      const low = own === 0 ? null : fitPolynomialSurface(points, { width, height, degree: own });
      bent.push({ kind: "thin-plate", spline: fitSpline(points, low, smoothing), share });
      if (low !== null) add(low, share);
    } else {
      add(fitPolynomialSurface(points, { width, height, degree: own, radial: model === "vignetting" }), share);
    }
  }
  coefficients.length = (degree + 1) * (degree + 2) / 2;
  return { polynomial: { kind: "polynomial", width, height, degree, coefficients }, bent };
}

/** One shape for all channels: the mean of the channels is fitted, and each channel takes a multiple of it. */
export function fitSharedShape(
  field: SampledField,
  parts: readonly SurfacePart[],
  free: readonly number[],
  values: readonly SampleValue[],
): SurfaceModel[] {
  const mean = (s: BackgroundSample) => values.reduce((sum, value) => sum + value(s), 0) / values.length;
  const shape = fitSurfaceModel(field, parts, free, mean);
  const at = free.map((i) => surfaceModelAt(shape, field.samples[i].x, field.samples[i].y));
  const centre = at.reduce((a, b) => a + b, 0) / at.length;
  return values.map((_, c) => {
    let top = 0;
    let bottom = 0;
    let level = 0;
    free.forEach((i, k) => {
      const v = values[c](field.samples[i]);
      top += (at[k] - centre) * v;
      bottom += (at[k] - centre) * (at[k] - centre);
      level += v / free.length;
    });
    return rescaled(shape, level, bottom > 0 ? top / bottom : 0, centre);
  });
}

/** A kind in words. */
export const describeSurfaceKind = (c: SurfaceKind): string =>
  c.model === "polynomial"
    ? [
      "a constant",
      "a plane",
      "a polynomial of degree 2",
      "a polynomial of degree 3",
      "a polynomial of degree 4",
    ][c.degree]
    : c.model === "vignetting"
    ? `a polynomial of degree ${c.degree} with vignetting`
    : c.model === "mesh"
    ? "a mesh of the boxes"
    : `a thin-plate spline with smoothing ${c.smoothing.toPrecision(2)}`;
