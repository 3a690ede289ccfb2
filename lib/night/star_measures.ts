/** Stars of one frame against its group: flux, width, shape, trails. Every rule about stars reads these. */
import type { FieldRotation } from "../measure/field_map.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import type { Doubling } from "../stars/find_doubling.ts";
import { axisRatioOf } from "./axis_ratio.ts";
import { cornerTrail, frameRotation } from "./frame_rotation.ts";
import type { NightGroup } from "./night_group.ts";
import { findObstruction, type Obstruction } from "./obstruction.ts";
import { secondImage } from "./second_image.ts";
import type { SkyMeasures } from "./sky_measures.ts";
import { type StarFigures, starFigures } from "./star_figures.ts";
import type { Transparency } from "./transparency.ts";

/** A rotation of the field whose trail is longer than what the group has. */
export interface RotationTrail {
  /** The rotation. */
  readonly rotation: FieldRotation;
  /** Length of the trail in the farthest corner, pixels. */
  readonly cornerPixels: number;
}

/** One frame's stars against its group. */
export interface StarMeasures extends SkyMeasures {
  /** The stars compared with those of the group's clearest frames. */
  readonly transparency: Transparency;
  /** Flux of the stars over that of clear air at the frame's altitude, second images counted. */
  readonly fluxRatio: number;
  /** Whether flux is missing, all over the frame, beyond what a few stars scatter by. */
  readonly dimmed: boolean;
  /** A side that something in the way darkens; null when none is. */
  readonly obstruction: Obstruction | null;
  /** Weight in a stack over that of a clear frame: signal over noise, squared. */
  readonly relativeWeight: number;
  /** Width and shape of the stars of the field. */
  readonly figures: StarFigures;
  /** Long over short axis. */
  readonly axisRatio: number;
  /** Long over short axis that the group has. */
  readonly usualAxisRatio: number;
  /** FWHM over the group's. */
  readonly widthGrowth: number;
  /** Width along the short axis over the group's. */
  readonly shortGrowth: number;
  /** Whether the stars are round, and single, so that their width is no trail's. */
  readonly round: boolean;
  /** Growth of the width apart from a trail. */
  readonly growth: number;
  /** Whether the mean star is a ring. */
  readonly ring: boolean;
  /** A second image of every star; null when there is none. */
  readonly double: Doubling | null;
  /** A trail round a centre; null when there is none. */
  readonly trail: RotationTrail | null;
  /** Whether widths change over the field from one side to the other, beyond what the whole rig has. */
  readonly tilted: boolean;
}

/** Flux ratio below which flux is missing, and standard errors that it must be missing by. */
const minimumFluxRatio = 0.85;
const missingFluxErrors = 4;

/** Trail in a corner, over the group's FWHM, from which on it counts; and over what the group has (own). */
const minimumTrail = 0.7;
const minimumTrailGrowth = 1.5;

/** Level in the middle of the mean star over its ring below which it is one (own). */
const maximumRingCentre = 0.8;

/**
 * Tilt from which on a frame is tilted, its standard errors, and how far it must exceed the rig's own: a change of
 * FWHM² by 0.3 is one of the width by 14 % (own).
 */
const minimumTilt = 0.3;
const minimumTiltSignificance = 6;
const tiltBeyondRig = 0.2;

const isTilted = ({ fieldMap }: FrameQuality, group: NightGroup): boolean =>
  fieldMap.tiltSignificance > minimumTiltSignificance &&
  fieldMap.tilt > Math.max(minimumTilt, group.tilt + tiltBeyondRig);

function rotationTrail(quality: FrameQuality, group: NightGroup): RotationTrail | null {
  const rotation = frameRotation(quality);
  const cornerPixels = cornerTrail(quality, rotation);
  const limit = Math.max(
    minimumTrail * group.width.level,
    minimumTrailGrowth * group.rotation * group.width.level,
  );
  return rotation !== null && cornerPixels > limit ? { rotation, cornerPixels } : null;
}

/** Flux of the stars; where images are so far apart that the brighter one alone was matched, both are counted. */
function totalFluxRatio({ cleared }: Transparency, double: Doubling | null, group: NightGroup): number {
  const parted = double !== null && Math.hypot(double.dx, double.dy) > 2 * group.width.level;
  return cleared * (parted ? 1 + (double?.ratio ?? 0) : 1);
}

/** Measure a frame's stars against its group. */
export function measureStarsAgainst(sky: SkyMeasures, transparency: Transparency): StarMeasures {
  const { quality, group } = sky;
  const figures = starFigures(quality, transparency, group);
  const axisRatio = axisRatioOf(figures.shape);
  const widthGrowth = figures.fwhm / group.width.level;
  const shortGrowth = figures.short / group.short.level;
  const double = secondImage(quality, group);
  const trail = rotationTrail(quality, group);
  const tilted = isTilted(quality, group);
  const round = axisRatio < 1.25 && double === null;

  const fluxRatio = totalFluxRatio(transparency, double, group);
  // Where widths change over the field it is they that make stars pass for faint, or for none, on one side.
  const even = widthGrowth < 1.8 && axisRatio < 1.8 && trail === null && !tilted;
  const obstruction = even ? findObstruction(transparency.starFluxRatios, quality.width, quality.height) : null;
  const missing = fluxRatio < minimumFluxRatio && !(1 - fluxRatio < missingFluxErrors * transparency.error * fluxRatio);
  const signal = fluxRatio > 0 ? Math.min(1, fluxRatio) : 1;
  return {
    ...sky,
    transparency,
    fluxRatio,
    dimmed: missing && obstruction === null,
    obstruction,
    relativeWeight: (signal / sky.noiseRatio) ** 2,
    figures,
    axisRatio,
    usualAxisRatio: axisRatioOf(group.shape.level),
    widthGrowth,
    shortGrowth,
    round,
    growth: round ? widthGrowth : shortGrowth,
    ring: quality.centralLevel < maximumRingCentre,
    double,
    trail,
    tilted,
  };
}
