/** How unsure the shape of a fitted sky is. */
import { leaveBlocksOut, unlessTooFew } from "./field_blocks.ts";
import { fitSurfaceModel, type SurfaceModel, surfaceModelAt, type SurfacePart } from "./surface_model.ts";
import type { SampledField, SampleValue } from "./sample_background.ts";

/** Standard error of a surface's shape where it is largest over the samples' places (Buckland et al. 1997, eq. 9). */
export function surfaceUncertainty(
  field: SampledField,
  parts: readonly SurfacePart[],
  index: readonly number[],
  value: SampleValue,
): number {
  const { samples } = field;
  const n = samples.length;
  /** Values at all samples' places less their mean: a constant is no error of the shape. */
  const shapeOf = (model: SurfaceModel): Float64Array => {
    const at = Float64Array.from(samples, ({ x, y }) => surfaceModelAt(model, x, y));
    const mean = at.reduce((a, b) => a + b, 0) / n;
    return at.map((v) => v - mean);
  };
  const left = leaveBlocksOut(field, index).flatMap(({ rest }) => {
    const model = unlessTooFew(() => fitSurfaceModel(field, parts, rest, value));
    return model === null ? [] : [shapeOf(model)];
  });
  const alone = parts.map((part) => ({
    share: part.share,
    at: shapeOf(fitSurfaceModel(field, [{ ...part, share: 1 }], index, value)),
  }));
  let largest = 0;
  for (let i = 0; i < n; i++) {
    const mean = left.reduce((sum, at) => sum + at[i], 0) / left.length;
    const whole = alone.reduce((sum, { share, at }) => sum + share * at[i], 0);
    const jackknife = left.length < 2
      ? 0
      : left.reduce((sum, at) => sum + (at[i] - mean) ** 2, 0) * (left.length - 1) / left.length;
    const between = alone.reduce((sum, { share, at }) => sum + share * (at[i] - whole) ** 2, 0);
    largest = Math.max(largest, jackknife + between);
  }
  return Math.sqrt(largest);
}
