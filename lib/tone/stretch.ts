/** A stretch as a value: the curve, the levels it runs between, and how colour follows. */
import { settle } from "../core/options.ts";
import type { SkyLevel } from "../measure/sky_level.ts";
import { asinhCurve, type Curve, curveOf, type CurveParameters } from "./curve.ts";

/** Levels of a stretch and how colour follows, shared by all curves. Levels are in the unit of the linear image. */
export interface StretchLevels {
  /** Level drawn as 0. */
  readonly black: number;
  /** Level drawn as 1. */
  readonly white: number;
  /** Whether the curve acts on the mean of the channels and their differences follow, or on each channel. */
  readonly colour: "kept" | "channels";
  /**
   * Up to this level above black colour differences get the local slope of the curve only, so that noise stays grey.
   */
  readonly greyBelow: number;
  /** From this level above black the ratios of the channels are kept in full. */
  readonly colourAbove: number;
}

/** A stretch by hand: a curve, as a value or as its family and parameters, and its levels. */
export interface StretchSettings extends StretchLevels {
  /** The curve, for black … white taken as 0 … 1. */
  readonly curve: CurveParameters;
}

/** A stretch that was found, with what it rests on: it serves wherever settings do. */
export interface Stretch extends StretchLevels {
  /** The curve, for black … white taken as 0 … 1. */
  readonly curve: Curve<"asinh">;
  /** Sky of each channel, in the unit of the image. */
  readonly sky: readonly SkyLevel[];
  /** Where the sky is drawn, 0 … 1. */
  readonly drawnSky: number;
  /** Standard deviation of the grain at the sky's level in the picture, 0 … 1. */
  readonly drawnNoise: number;
  /** Facts a reader should know: what limited the stretch, and by how much. */
  readonly notes: readonly string[];
}

/**
 * What a stretch by hand uses for what is left out: full scale of 16 bits, a bend at 1/1000 of it, colour kept
 * everywhere.
 */
export const stretchDefaults: Readonly<StretchSettings> = Object.freeze({
  curve: asinhCurve(1000),
  black: 0,
  white: 65535,
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
});

/** What a found stretch holds besides its settings. */
const foundNames: readonly string[] = ["sky", "drawnSky", "drawnNoise", "notes"];

/** The settings of a stretch, complete: what was found beside them is left out, and what is unknown refused. */
export function stretchSettings(step: string, stretch: Partial<StretchSettings> | Stretch): Readonly<StretchSettings> {
  if (typeof stretch !== "object" || stretch === null) {
    throw new TypeError(
      `${step}: stretch must be an object with curve, black and white, or "automatic", but got ${
        JSON.stringify(stretch)
      }; see automaticStretch`,
    );
  }
  const given = Object.fromEntries(Object.entries(stretch).filter(([name]) => !foundNames.includes(name)));
  const used = settle(step, stretchDefaults, given as Partial<StretchSettings>);
  requireStretchLevels(step, used);
  return Object.freeze({ ...used, curve: curveOf(used.curve) });
}

/** Refuse levels that make no sense. */
export function requireStretchLevels(step: string, used: StretchLevels): void {
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

/** What a plot draws of a curve, a stretch or a plain function: level in the image's unit → 0 … 1. */
export function drawnLevels(
  curve: CurveParameters | Pick<StretchSettings, "curve" | "black" | "white"> | ((level: number) => number),
): (level: number) => number {
  if (typeof curve === "function") return curve;
  if ("family" in curve) return curveOf(curve).at;
  const { black, white } = curve;
  const { at } = curveOf(curve.curve);
  return (level) => at((level - black) / (white - black));
}
