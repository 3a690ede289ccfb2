/** How a curve is laid over planes: per channel, or on the mean of the channels with their colour kept. */
import { allocatePlane, type Image, type Plane } from "../core/image.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { type CurveFunctions, curveOf, type CurveParameters } from "./curve.ts";
import type { StretchLevels } from "./stretch.ts";

/** Gain of the colour differences where the mean is t: the ratio y / t, or the local slope below the colour levels. */
function colourGain(curve: CurveFunctions, t: number, y: number, from: number, full: number): number {
  if (!(t > 0)) {
    const slope = curve.slopeAt(0);
    return Number.isFinite(slope) ? slope : 0;
  }
  const ratio = y / t;
  if (t >= full) return ratio;
  const slope = Math.min(curve.slopeAt(t), ratio);
  if (t <= from) return slope;
  const u = (t - from) / (full - from);
  const weight = u * u * (3 - 2 * u);
  return slope + (ratio - slope) * weight;
}

/** What rows are drawn with. */
interface RowSettings {
  readonly curve: CurveParameters;
  readonly used: StretchLevels;
  readonly width: number;
}

/** Draws rows of planes through a curve. */
export function stretchRows(band: Band<RowSettings>): void {
  const { used, width } = band.parameters;
  const curve = curveOf(band.parameters.curve);
  const { black, white, colour } = used;
  const { read, write: out } = openBand(band);
  const planes = read as Float32Array[];
  const count = planes.length;
  const scale = 1 / (white - black);
  const start = band.from * width;
  const end = band.to * width;
  if (count === 1 || colour === "channels") {
    for (let c = 0; c < count; c++) {
      const source = planes[c];
      const target = out[c];
      for (let i = start; i < end; i++) target[i] = curve.at((source[i] - black) * scale);
    }
    return;
  }
  const from = used.greyBelow * scale;
  const full = used.colourAbove * scale;
  const share = 1 / count;
  const values = new Float64Array(count);
  for (let i = start; i < end; i++) {
    let mean = 0;
    for (let c = 0; c < count; c++) {
      values[c] = (planes[c][i] - black) * scale;
      mean += values[c];
    }
    mean *= share;
    const y = curve.at(mean);
    const gain = colourGain(curve, mean, y, from, full);
    let low = 0;
    let high = 0;
    for (let c = 0; c < count; c++) {
      const difference = gain * (values[c] - mean);
      values[c] = difference;
      if (difference < low) low = difference;
      if (difference > high) high = difference;
    }
    let keep = 1;
    if (y + high > 1) keep = (1 - y) / high;
    if (y + low < 0) keep = Math.min(keep, -y / low);
    for (let c = 0; c < count; c++) out[c][i] = y + keep * values[c];
  }
}

const drawTask: PoolTask<Band<RowSettings>, void> = { module: import.meta.url, name: "stretchRows", run: stretchRows };

/** Takes rows of planes back through a curve. */
export function unstretchRows(band: Band<RowSettings>): void {
  const { used, width } = band.parameters;
  const curve = curveOf(band.parameters.curve);
  const { black, white, colour } = used;
  const { read, write: out } = openBand(band);
  const planes = read as Float32Array[];
  const count = planes.length;
  const range = white - black;
  const start = band.from * width;
  const end = band.to * width;
  if (count === 1 || colour === "channels") {
    for (let c = 0; c < count; c++) {
      const source = planes[c];
      const target = out[c];
      for (let i = start; i < end; i++) target[i] = black + range * curve.inverseAt(source[i]);
    }
    return;
  }
  const from = used.greyBelow / range;
  const full = used.colourAbove / range;
  for (let i = start; i < end; i++) {
    let y = 0;
    for (let c = 0; c < count; c++) y += planes[c][i];
    y /= count;
    const t = curve.inverseAt(y);
    const gain = colourGain(curve, t, y, from, full);
    for (let c = 0; c < count; c++) out[c][i] = black + range * (gain > 0 ? t + (planes[c][i] - y) / gain : t);
  }
}

const undrawTask: PoolTask<Band<RowSettings>, void> = {
  module: import.meta.url,
  name: "unstretchRows",
  run: unstretchRows,
};

function overRows(
  task: PoolTask<Band<RowSettings>, void>,
  image: Image,
  curve: CurveParameters,
  { black, white, colour, greyBelow, colourAbove }: StretchLevels,
): Plane[] {
  const parameters = curveOf(curve); // refuses what is no curve before memory is taken
  const { width, height, planes } = image;
  const out = planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  overBands(
    task,
    height,
    width * planes.length,
    planes.map(({ data }) => data),
    out.map(({ data }) => data),
    { curve: parameters, used: { black, white, colour, greyBelow, colourAbove }, width },
  );
  return out;
}

/**
 * Planes drawn through a curve. With colour kept, the mean I of the channels goes to y = f(I) and a channel to
 * y + k (x − I), so that the mean of the result is y; k = y / I where colour is full. A channel that would leave 0 … 1
 * pulls all three towards their mean, by no more than needed: hue stays, a bright core turns white.
 */
export const stretchPlanes = (image: Image, curve: CurveParameters, used: StretchLevels): Plane[] =>
  overRows(drawTask, image, curve, used);

/** The linear planes a drawing came from; exact to float32 where nothing was clamped. */
export const unstretchPlanes = (image: Image, curve: CurveParameters, used: StretchLevels): Plane[] =>
  overRows(undrawTask, image, curve, used);
