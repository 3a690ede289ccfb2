/** The mean of an image's planes. */
import { allocatePlane, type Image } from "./image.ts";

/** Mean of the planes, sample by sample: a new plane, or the plane itself where there is only one. */
export function meanPlane({ planes, width, height }: Pick<Image, "planes" | "width" | "height">): Float32Array {
  const [first, ...others] = planes.map(({ data }) => data);
  if (others.length === 0) return first;
  const out = allocatePlane(width, height);
  const share = 1 / planes.length;
  if (others.length === 2) {
    const [second, third] = others;
    for (let i = 0; i < out.length; i++) out[i] = (first[i] + second[i] + third[i]) * share;
    return out;
  }
  for (let i = 0; i < out.length; i++) {
    let sum = first[i];
    for (let c = 0; c < others.length; c++) sum += others[c][i];
    out[i] = sum * share;
  }
  return out;
}
