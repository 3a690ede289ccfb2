/** How a curve is laid over an image: per channel, or on the mean of the channels with their colour kept. */
import { allocatePlane, type Image, type Plane } from "../core/image.ts";
import type { PreparedCurve } from "./curve.ts";

/** Settings of the drawing itself, shared by all stretches. Levels are in the unit of the input. */
export interface DrawSettings {
  /** Level drawn as 0. */
  readonly black: number;
  /** Level drawn as 1. */
  readonly white: number;
  /** Whether the curve acts on the mean of the channels and their differences follow, or on each channel. */
  readonly colour: "kept" | "channels";
  /** Up to this level above black colour differences get the local slope of the curve only, so that noise stays grey. */
  readonly greyBelow: number;
  /** From this level above black the ratios of the channels are kept in full. */
  readonly colourAbove: number;
}

/** Refuse settings that make no sense. */
export function requireDrawSettings(step: string, used: DrawSettings): void {
  const { black, white, colour, greyBelow, colourAbove } = used;
  if (!Number.isFinite(black)) throw new RangeError(`${step}: black must be a number, but got ${black}`);
  if (!(white > black && Number.isFinite(white))) {
    throw new RangeError(`${step}: white must be > ${black}, but got ${white}`);
  }
  if (colour !== "kept" && colour !== "channels") {
    throw new RangeError(`${step}: colour must be "kept" or "channels", but got ${JSON.stringify(colour)}`);
  }
  if (!(greyBelow >= 0)) throw new RangeError(`${step}: greyBelow must be ≥ 0, but got ${greyBelow}`);
  if (!(colourAbove >= greyBelow)) {
    throw new RangeError(`${step}: colourAbove must be ≥ ${greyBelow}, but got ${colourAbove}`);
  }
}

/** Gain of the colour differences where the mean is t: the ratio y / t, or the local slope below the colour levels. */
function colourGain(curve: PreparedCurve, t: number, y: number, from: number, full: number): number {
  if (!(t > 0)) {
    const slope = curve.slopeAt(0);
    return Number.isFinite(slope) ? slope : 0;
  }
  const ratio = y / t;
  if (t >= full) return ratio;
  const slope = Math.min(curve.slopeAt(t), ratio);
  if (t <= from) return slope;
  const u = (t - from) / (full - from), weight = u * u * (3 - 2 * u);
  return slope + (ratio - slope) * weight;
}

/**
 * Planes drawn through a curve. With colour kept, the mean I of the channels goes to y = f(I) and a channel to
 * y + k (x − I), so that the mean of the result is y; k = y / I where colour is full. A channel that would leave 0 … 1
 * pulls all three towards their mean, by no more than needed: hue stays, a bright core turns white.
 */
export function drawPlanes(image: Image, curve: PreparedCurve, used: DrawSettings): Plane[] {
  const { width, height, planes } = image;
  const { black, white, colour } = used;
  const scale = 1 / (white - black), size = width * height;
  const out = planes.map((plane) => ({ channel: plane.channel, data: allocatePlane(width, height) }));
  if (planes.length === 1 || colour === "channels") {
    planes.forEach((plane, index) => {
      const source = plane.data, target = out[index].data;
      for (let i = 0; i < size; i++) target[i] = curve.at((source[i] - black) * scale);
    });
    return out;
  }
  const from = used.greyBelow * scale, full = used.colourAbove * scale;
  const count = planes.length, share = 1 / count;
  const values = new Float64Array(count);
  for (let i = 0; i < size; i++) {
    let mean = 0;
    for (let c = 0; c < count; c++) {
      values[c] = (planes[c].data[i] - black) * scale;
      mean += values[c];
    }
    mean *= share;
    const y = curve.at(mean);
    const gain = colourGain(curve, mean, y, from, full);
    let low = 0, high = 0;
    for (let c = 0; c < count; c++) {
      const difference = gain * (values[c] - mean);
      values[c] = difference;
      if (difference < low) low = difference;
      if (difference > high) high = difference;
    }
    let keep = 1;
    if (y + high > 1) keep = (1 - y) / high;
    if (y + low < 0) keep = Math.min(keep, -y / low);
    for (let c = 0; c < count; c++) out[c].data[i] = y + keep * values[c];
  }
  return out;
}

/** The linear planes a drawing came from; exact to float32 where nothing was clamped. */
export function undrawPlanes(image: Image, curve: PreparedCurve, used: DrawSettings): Plane[] {
  const { width, height, planes } = image;
  const { black, white, colour } = used;
  const range = white - black, size = width * height;
  const out = planes.map((plane) => ({ channel: plane.channel, data: allocatePlane(width, height) }));
  if (planes.length === 1 || colour === "channels") {
    planes.forEach((plane, index) => {
      const source = plane.data, target = out[index].data;
      for (let i = 0; i < size; i++) target[i] = black + range * curve.inverseAt(source[i]);
    });
    return out;
  }
  const from = used.greyBelow / range, full = used.colourAbove / range;
  for (let i = 0; i < size; i++) {
    let y = 0;
    for (const plane of planes) y += plane.data[i];
    y /= planes.length;
    const t = curve.inverseAt(y), gain = colourGain(curve, t, y, from, full);
    planes.forEach((plane, c) => {
      out[c].data[i] = black + range * (gain > 0 ? t + (plane.data[i] - y) / gain : t);
    });
  }
  return out;
}
