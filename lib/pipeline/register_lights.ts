/** Brings the lights of a night onto one grid: chooses the reference and finds every frame's map to it. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { Point } from "../core/geometry.ts";
import { chainTransforms, type Transform } from "../core/transform.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { matchStars, type StarMatch } from "../register/match_stars.ts";
import { type FrameRegistration, registerFrames, type RegisterFramesOptions } from "../register/register_frames.ts";
import { RegistrationError } from "../register/registration_error.ts";
import { readCalibratedLight } from "./calibrate_light.ts";
import type { Calibrator } from "./master_maker.ts";
import { digestIn, type NightContext } from "./night_context.ts";

/** A light that was measured. */
export interface MeasuredFrame {
  /** The file. */
  readonly record: FrameRecord;
  /** Its measurement. */
  readonly quality: FrameQuality;
  /** Its calibration. */
  readonly calibrator: Calibrator;
}

/** Where a light lies against the reference. */
export interface LightRegistration {
  /** Path of the file. */
  readonly file: string;
  /** Path of the reference. */
  readonly reference: string;
  /** Pixel of the file → pixel of the reference; null when it could not be found. */
  readonly transform: Transform | null;
  /** Residual of the matched stars, reference pixels; NaN without a map. */
  readonly rmsPixels: number;
  /** Stars matched. */
  readonly matchedStars: number;
  /** Flux of its stars over that of the same stars of its rig's reference; null when not known. */
  readonly fluxRatio: number | null;
  /** Why there is no map, or what to doubt about it. */
  readonly note: string;
}

/**
 * How well a frame serves as reference: many stars that are small and round. Stars beyond 300 add nothing to a match;
 * the weight of width is that of a point source's depth (1 / FWHM²), that of shape the area of the axis ratio.
 */
function merit({ starCount, fwhmPixels, eccentricity }: FrameQuality): number {
  if (!(fwhmPixels > 0)) return 0;
  const round = eccentricity >= 0 ? 1 - eccentricity ** 2 : 0;
  return Math.min(300, starCount) * round / fwhmPixels ** 2;
}

/** Frames of one rig at one size: one focal length, one sensor. */
interface Setup {
  readonly frames: readonly MeasuredFrame[];
  readonly reference: MeasuredFrame;
  readonly found: readonly FrameRegistration[];
}

function registerSetup(
  context: NightContext,
  frames: readonly MeasuredFrame[],
  options: Partial<RegisterFramesOptions>,
): Setup {
  const inTime = [...frames].sort((a, b) => (a.record.dateUtc ?? "").localeCompare(b.record.dateUtc ?? ""));
  const { reference, frames: found } = registerFrames(
    inTime.map(({ record, quality, calibrator }) => ({
      width: quality.width,
      height: quality.height,
      stars: quality.stars,
      merit: merit(quality),
      // the pixels of a mosaic correlate with its own pattern, so a colour frame is placed by its stars or not at all
      ...(record.bayer === null && record.planes === 1
        ? {
          image: () => readCalibratedLight({ path: record.path, bayer: null, correction: calibrator.correction() }),
        }
        : {}),
    })),
    { ...options, progress: context.progress },
  );
  return { frames: inTime, reference: inTime[reference], found };
}

const centreOf = ({ width, height }: FrameQuality): Point => ({ x: (width - 1) / 2, y: (height - 1) / 2 });

function matchAcross(frame: MeasuredFrame, goal: MeasuredFrame, seed: Transform | null): StarMatch | RegistrationError {
  try {
    return matchStars(frame.quality, goal.quality, { initialTransform: seed, expected: { sameSensor: false } });
  } catch (error) {
    if (!(error instanceof RegistrationError)) throw error;
    return error;
  }
}

/**
 * Register the lights of a night; an earlier answer about the same lights is taken as it is.
 *
 * The frames of a rig are registered together, whatever their filter (see `registerFrames`). The reference of the rig
 * with the most frames gives the grid of all stacks: another rig's frames are matched to it as well, each from where
 * its own rig's map says, and a rig that shows no part of that field keeps a grid of its own.
 *
 * @param frames measured lights, at least one
 * @returns one entry a light, in the order given
 */
export function registerLights(
  context: NightContext,
  frames: readonly MeasuredFrame[],
  options: Partial<RegisterFramesOptions>,
): readonly LightRegistration[] {
  const lights = frames.map(({ record, calibrator }) => [record.file, digestIn(context, record), calibrator.key]);
  const { places, remarks } = context.checkpoints.once("registration", { lights, options }, () => {
    const remarks: string[] = [];
    const places = findPlaces({ ...context, remark: (text) => remarks.push(text) }, frames, options);
    return { places, remarks };
  });
  remarks.forEach(context.remark);
  return places;
}

function findPlaces(
  context: NightContext,
  frames: readonly MeasuredFrame[],
  options: Partial<RegisterFramesOptions>,
): LightRegistration[] {
  const key = ({ record }: MeasuredFrame) => JSON.stringify([record.rig, record.width, record.height, record.binning]);
  const setups = [...new Set(frames.map(key))]
    .map((each) => frames.filter((frame) => key(frame) === each))
    .sort((a, b) => b.length - a.length)
    .map((group) => registerSetup(context, group, options));
  const main = setups[0].reference;
  const results = new Map<MeasuredFrame, LightRegistration>();
  for (const setup of setups) {
    const { reference } = setup;
    const bridge = reference === main ? null : matchAcross(reference, main, null);
    if (bridge instanceof RegistrationError) {
      context.remark(
        `${reference.record.rig}: could not be brought to the grid of ${main.record.file} (${bridge.message}); ` +
          "its stacks keep a grid of their own",
      );
    }
    setup.frames.forEach((frame, at) => {
      const own = setup.found[at];
      const place: LightRegistration = {
        file: frame.record.file,
        reference: reference.record.file,
        transform: own.transform,
        rmsPixels: own.rmsPixels ?? NaN,
        matchedStars: own.matchedStars,
        fluxRatio: own.fluxRatio !== null && own.fluxRatio > 0 ? own.fluxRatio : null,
        note: own.notes.join("; "),
      };
      if (bridge === null || bridge instanceof RegistrationError) {
        results.set(frame, place);
        return;
      }
      const across = own.transform === null
        ? null
        : chainTransforms(own.transform, bridge.transform, centreOf(frame.quality));
      const direct = across === null || frame === reference ? bridge : matchAcross(frame, main, across);
      const matched = across !== null && !(direct instanceof RegistrationError);
      results.set(frame, {
        ...place,
        reference: main.record.file,
        transform: matched ? direct.transform : across,
        rmsPixels: matched ? direct.rmsPixels : place.rmsPixels,
        matchedStars: matched ? direct.matchedStars : place.matchedStars,
        note: matched && direct.notes.length > 0 ? [place.note, ...direct.notes].join("; ") : place.note,
      });
    });
  }
  return frames.map((frame) => results.get(frame) as LightRegistration);
}
