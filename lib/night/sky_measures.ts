/** Sky and number of stars of one frame against its group: what can be told before its stars are looked at. */
import type { FrameQuality } from "../measure/measure_frame.ts";
import { percent, tenth } from "./causes/evidence.ts";
import type { DiagnoseNightOptions } from "./diagnose_night_options.ts";
import type { NightGroup } from "./night_group.ts";
import type { NightRow } from "./night_row.ts";

/**
 * What a frame with hardly any stars looks like: no frame of its group shows stars; as dark as without light; brighter
 * than the night; neither.
 */
export type StarlessSky = "incomparable" | "closed" | "bright" | "covered";

/** One frame's sky against its group. */
export interface SkyMeasures {
  /** The frame. */
  readonly row: NightRow;
  /** Its measurement. */
  readonly quality: FrameQuality;
  /** The frames it is compared with. */
  readonly group: NightGroup;
  /** The limits. */
  readonly options: DiagnoseNightOptions;
  /** Noise over the group's, at equal airmass. */
  readonly noiseRatio: number;
  /** Sky over the group's, at equal airmass; NaN where the level without light is not known. */
  readonly skyRatio: number;
  /** The sky in words. */
  readonly skyEvidence: string;
  /** Number of stars, sky and noise in words. */
  readonly starlessEvidence: string;
  /** How a frame with hardly any stars looks; null where there are stars. */
  readonly starless: StarlessSky | null;
}

/** Below this many stars in most frames of a group there is nothing to compare with. */
const minimumGroupStars = 3;

/** Share of the group's number of stars below which a frame has hardly any (own). */
const fewStarsShare = 0.05;

/** The same as dark as without light, where the sensor's own glow and hot clusters may pass for a few stars (own). */
const fewStarsShareInDark = 0.3;

/** Noise, and sky, over the group's from which on a frame without stars is bright (own). */
const brightNoiseRatio = 2.2;
const brightSkyRatio = 5;

/** Without a dark, noise over the group's below which a frame without stars is as dark as without light (own). */
const closedNoiseRatio = 0.9;

/**
 * Whether the level is that of a frame without light: closer to it than 0.3 of a pixel's noise, to which the sky is
 * known many times over, or than a tenth of the night's sky.
 */
function isAtDarkLevel({ background, noise }: FrameQuality, darkLevel: number | null, group: NightGroup): boolean {
  return darkLevel !== null &&
    background - darkLevel < Math.max(0.3 * noise, 0.1 * (group.background.level - darkLevel));
}

/** Measure a frame's sky against its group. */
export function measureSkyAgainst(
  row: NightRow,
  quality: FrameQuality,
  group: NightGroup,
  options: DiagnoseNightOptions,
): SkyMeasures {
  // What the sky gains towards the horizon is the air's; noise follows as its root.
  const airGlow = group.airGlow(row.record.airmass);
  const noiseRatio = quality.noise / group.noise.level / Math.sqrt(airGlow);
  const darkLevel = row.darkLevel ?? null;
  const skyRatio = darkLevel === null
    ? NaN
    : (quality.background - darkLevel) / Math.max(1e-9, group.background.level - darkLevel) / airGlow;
  const skyEvidence = Number.isFinite(skyRatio)
    ? `sky ${tenth(skyRatio)} times the night's`
    : `background ${tenth(quality.background)}, night ${tenth(group.background.level)}`;

  const atDarkLevel = isAtDarkLevel(quality, darkLevel, group);
  const share = atDarkLevel && noiseRatio < 1 ? fewStarsShareInDark : fewStarsShare;
  const few = quality.starCount < Math.max(3, share * group.starCount);
  const closed = atDarkLevel ||
    (darkLevel === null && noiseRatio < closedNoiseRatio && quality.background < group.background.level);
  const bright = noiseRatio > brightNoiseRatio || skyRatio > brightSkyRatio;
  const kind = group.starCount < minimumGroupStars ? "incomparable" : closed ? "closed" : bright ? "bright" : "covered";
  return {
    row,
    quality,
    group,
    options,
    noiseRatio,
    skyRatio,
    skyEvidence,
    starlessEvidence: `${starCounts(quality, group)}; ${skyEvidence}, noise ${percent(noiseRatio)} of the night's`,
    starless: few ? kind : null,
  };
}

/** Number of stars and that of the group, in words. */
export const starCounts = ({ starCount }: FrameQuality, group: NightGroup): string =>
  `${starCount} stars, night ${Math.round(group.starCount)}`;
