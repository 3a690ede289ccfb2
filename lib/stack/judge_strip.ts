/** Which samples of a strip take part: the outlier test, or the noise test for one or two of them. */
import type { Region } from "../core/geometry.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { type Centres, groupedPixels, moderatedCentres, moderatedVerdicts } from "../kernels/moderate.ts";
import { type NoiseModel, noiseVerdicts, type Strip, verdict } from "../kernels/rejection.ts";
import { priorFreedom } from "../stats/moderated_limit.ts";
import { scatterOver } from "./frame_scatter.ts";
import type { TilePlan } from "./tile_plan.ts";

/** Verdicts of one plane: the outlier test, and for one or two samples the noise test. */
export function judgeStrip(plan: TilePlan, plane: number, area: Region, strip: Strip, verdicts: Uint8Array): void {
  const { frames } = plan;
  const scatter = plan.scatter[plane];
  const { count } = strip;
  if (plan.rejection === "none") {
    for (let at = 0; at < verdicts.length; at++) {
      verdicts[at] = strip.samples[at] === strip.samples[at] ? verdict.keep : verdict.missing;
    }
    return;
  }
  const model: NoiseModel = {
    skyVariance: Float64Array.from(frames, (frame) => (frame.noise[plane] * frame.factor[plane]) ** 2),
    perUnit: Float64Array.from(frames, (frame) => frame.perUnit[plane]),
    sky: plan.sky[plane],
    seeing: plan.seeing,
  };
  if (frames.length > 2) {
    const padded = groupedPixels(plan.largest);
    const room = Array.from({ length: 3 }, () => borrowPlane(padded));
    const [base, level, tolerance] = room;
    if (scatter !== null) {
      scatterOver(scatter, { width: plan.canvasWidth, height: plan.canvasHeight }, area, base, level);
    }
    const noise = scatter === null
      ? { base: null, level: null, perUnit: 0, prior: 0, ratios: new Float32Array(frames.length).fill(1) }
      : { base, level, perUnit: scatter.perUnit, prior: priorFreedom, ratios: scatter.ratios };
    const data = borrowPlane(3 * padded);
    const centres = moderatedCentres(strip, noise, plan.limits, data);
    structureAround(centres, area.width, count, plan.structure, tolerance);
    moderatedVerdicts(strip, centres, tolerance, noise.ratios, verdicts);
    for (const each of [...room, data]) returnPlane(each);
  }
  noiseVerdicts(strip, model, plan.noiseLimit, plan.pairLimit, 2, verdicts);
}

/**
 * Errors of the centre that the range of nine of them stays below in 99.9 % of sky (mean 2.97, Tippett 1925; own
 * draws).
 */
const quietRange = 5.5;

/**
 * What seeing, guiding and registration may do to a sample: flux goes back and forth between neighbours, so the more
 * the centres differ around a pixel, the more may its samples. Noise of the centres themselves does not count.
 */
function structureAround(centres: Centres, width: number, count: number, share: number, out: Float32Array): void {
  const { data, plane } = centres;
  const height = count / width;
  const low = new Float32Array(width);
  const high = new Float32Array(width);
  for (let y = 0; y < height; y++) {
    const here = y * width;
    const up = y > 0 ? here - width : here;
    const down = y + 1 < height ? here + width : here;
    // Extremes of each column of three, then of three columns.
    for (let x = 0; x < width; x++) {
      const a = data[up + x];
      const b = data[here + x];
      const c = data[down + x];
      const less = a < b ? a : b;
      const more = a < b ? b : a;
      low[x] = c < less ? c : less;
      high[x] = c > more ? c : more;
    }
    for (let x = 0; x < width; x++) {
      const l = x > 0 ? x - 1 : x;
      const r = x + 1 < width ? x + 1 : x;
      const a = low[l];
      const b = low[x];
      const c = low[r];
      const less = a < b ? a : b;
      const d = high[l];
      const e = high[x];
      const f = high[r];
      const more = d > e ? d : e;
      const range = (f > more ? f : more) - (c < less ? c : less) - quietRange * data[2 * plane + here + x];
      out[here + x] = range > 0 ? share * range : 0;
    }
  }
}
