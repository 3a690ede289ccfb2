/** Place and shape of crowded stars, each as it is with all others taken off. */
import { measureMoments, momentAt, momentFields } from "../kernels/moments.ts";
import { type Candidate, shapeVarianceOf } from "./candidate.ts";
import { minimumShapeSnr } from "./candidate_shapes.ts";
import {
  type Ellipse,
  ellipseArea,
  ellipseOf,
  gaussianFlux,
  gaussianHeight,
  longVariance,
  resolvedVariance,
  shortVariance,
} from "./ellipse.ts";
import type { ModelStar } from "./model_star.ts";
import { ellipseAt, momentList, setEntry } from "./moment_list.ts";
import type { Residual } from "./search_residual.ts";
import { skyLevelAt } from "./sky_mesh.ts";
import { addStar } from "./star_model.ts";

/** Stars measured at a time: their boxes stay in the cache. */
const batchSize = 256;

/** A row of boxes, one a star, side by side in one plane. */
interface BoxRow {
  /** Half the side of a box, even: the green pixels of a mosaic stay where they are. */
  readonly half: number;
  /** Side of a box. */
  readonly side: number;
  /** Boxes of a batch. */
  readonly plane: { readonly data: Float32Array; readonly width: number; readonly height: number };
}

/** Boxes of three sigma of a star half as long again as the frame's. */
function boxRow(frame: Ellipse): BoxRow {
  const half = 2 * Math.ceil(2.25 * Math.sqrt(longVariance(frame)) + 1);
  const side = 2 * half + 2;
  const width = batchSize * side;
  return { half, side, plane: { data: new Float32Array(width * side), width, height: side } };
}

/** The even column or row next to a place, in the middle of a star's box. */
const evenNear = (place: number): number => 2 * Math.round(place / 2);

/** Copy the surroundings of a star into box `k` and draw the star there again. */
function fillBox({ sampling, model, frame }: Residual, star: ModelStar, { half, side, plane }: BoxRow, k: number) {
  const { data, width, height } = sampling;
  const left = evenNear(star.drawn.x) - half;
  const top = evenNear(star.drawn.y) - half;
  const from = Math.max(0, left);
  const to = Math.min(width, left + side);
  for (let y = Math.max(0, top); y < Math.min(height, top + side); y++) {
    const at = (y - top) * plane.width + k * side + from - left;
    plane.data.set(data.subarray(y * width + from, y * width + to), at);
  }
  const x = star.drawn.x - left + k * side;
  const y = star.drawn.y - top;
  const reach = Math.min(star.reach, half * half / longVariance(frame));
  addStar(plane, model, { ...star.drawn, x, y }, 1, reach);
  return { x, y };
}

/** The star that a fitted one has become, with an ellipse of its own or the frame's. */
function deblendedStar(
  { frame, sky }: Residual,
  { drawn, snr, peak }: ModelStar,
  x: number,
  y: number,
  own: Ellipse | null,
): Candidate {
  const flux = gaussianFlux(drawn.height, drawn);
  const shape = own ?? frame;
  return {
    ...ellipseOf(shape),
    x,
    y,
    height: gaussianHeight(flux, shape),
    frameFlux: flux,
    peak,
    snr,
    background: skyLevelAt(sky, x, y),
    saturated: false,
    shaped: own !== null,
    shapeVariance: shapeVarianceOf(snr),
  };
}

/** Adaptive moments of a batch of stars, each in its box. */
function measureBatch(residual: Residual, batch: readonly ModelStar[], boxes: BoxRow): Candidate[] {
  const { sampling, frame } = residual;
  const { half, side, plane } = boxes;
  const list = momentList(batch.length);
  plane.data.fill(NaN);
  batch.forEach((star, k) => {
    const { x, y } = fillBox(residual, star, boxes, k);
    const e = setEntry(list, k, 2, { x, y, shape: star.drawn, background: 0 });
    list[e + momentAt.maximumShift] = Math.max(1.5, Math.sqrt(ellipseArea(frame)));
    list[e + momentAt.minimumVariance] = 0.1 * shortVariance(frame);
    list[e + momentAt.maximumVariance] = 4 * longVariance(frame);
    list[e + momentAt.iterations] = 12;
  });
  measureMoments({ ...plane, parity: sampling.parity }, resolvedVariance(sampling), list);
  return batch.map((star, k) => {
    const e = k * momentFields;
    const { x, y } = star.drawn;
    if (list[e + momentAt.converged] !== 1) return deblendedStar(residual, star, x, y, null);
    return deblendedStar(
      residual,
      star,
      list[e + momentAt.x] + evenNear(x) - half - k * side,
      list[e + momentAt.y] + evenNear(y) - half,
      ellipseAt(list, e),
    );
  });
}

/** Crowded stars with flux as fitted, place and shape as adaptive moments find them with all others taken off. */
export function deblendedShapes(residual: Residual, stars: readonly ModelStar[]): Map<ModelStar, Candidate> {
  const deblended = new Map<ModelStar, Candidate>();
  const boxes = boxRow(residual.frame);
  const bright = stars.filter((star) => star.snr >= minimumShapeSnr);
  for (let first = 0; first < bright.length; first += batchSize) {
    const batch = bright.slice(first, first + batchSize);
    measureBatch(residual, batch, boxes).forEach((candidate, k) => deblended.set(batch[k], candidate));
  }
  for (const star of stars) {
    if (!deblended.has(star)) {
      deblended.set(star, deblendedStar(residual, star, star.drawn.x, star.drawn.y, null));
    }
  }
  return deblended;
}
