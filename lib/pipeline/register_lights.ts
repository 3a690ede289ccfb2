/** Brings the lights of a night onto one grid: chooses the reference and finds every frame's map to it. */
import type { FrameRecord } from "../core/frame_record.ts";
import { identityTransform, type Transform } from "../core/transform.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { matchStars, RegistrationError, type StarMatch } from "../register/match_stars.ts";
import type { NightContext } from "./night_context.ts";

/** A light that was measured. */
export interface MeasuredFrame {
  /** The file. */
  readonly record: FrameRecord;
  /** Its measurement. */
  readonly quality: FrameQuality;
}

/** Where a light lies against the reference. */
export interface Registration {
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

/** Registration of all lights of a night. */
export interface NightRegistration {
  /** The frame whose grid the stacks have. */
  readonly reference: FrameRecord;
  /** One entry a measured light, in the order given. */
  readonly frames: readonly Registration[];
  /** Rigs that could not be brought to the reference and keep a grid of their own: rig and its reference. */
  readonly apart: readonly { readonly rig: string; readonly reference: FrameRecord }[];
}

/**
 * How well a frame serves as reference: many stars that are small and round. Stars beyond 300 add nothing to a match; the
 * weight of width is that of a point source's depth (1 / FWHM²), that of shape the area of the axis ratio.
 */
function merit({ quality }: MeasuredFrame): number {
  const { starCount, fwhmPixels, eccentricity } = quality;
  if (!(fwhmPixels > 0)) return 0;
  const round = eccentricity >= 0 ? 1 - eccentricity ** 2 : 0;
  return Math.min(300, starCount) * round / fwhmPixels ** 2;
}

const best = (frames: readonly MeasuredFrame[]): MeasuredFrame => frames.reduce((a, b) => merit(b) > merit(a) ? b : a);

interface Found {
  readonly match: StarMatch | null;
  readonly note: string;
}

function match(frame: MeasuredFrame, reference: MeasuredFrame, seed: Transform | null, sameSensor: boolean): Found {
  try {
    const found = matchStars(frame.quality.stars, reference.quality.stars, {
      seed,
      sameSensor,
      sourceSize: frame.quality,
      referenceSize: reference.quality,
    });
    return { match: found, note: found.notes.join("; ") };
  } catch (error) {
    if (!(error instanceof RegistrationError)) throw error;
    return { match: null, note: error.message };
  }
}

/**
 * Register the lights of a night.
 *
 * All frames of a rig are matched to the rig's best frame, whatever their filter, each seeded with the map of the frame before.
 * A second rig is matched to the first one's reference, so that all stacks share a grid; where that fails it keeps its own.
 *
 * @param frames measured lights, at least one
 */
export function registerLights(context: NightContext, frames: readonly MeasuredFrame[]): NightRegistration {
  const rigs = [...new Set(frames.map((frame) => frame.record.rig))]
    .map((rig) => frames.filter((frame) => frame.record.rig === rig))
    .sort((a, b) => b.length - a.length);
  const main = best(rigs[0]);
  const results = new Map<MeasuredFrame, Registration>();
  const apart: { rig: string; reference: FrameRecord }[] = [];
  let done = 0;
  for (const group of rigs) {
    const own = best(group);
    const bridge = own.record.rig === main.record.rig ? null : match(own, main, null, false);
    const onMain = bridge === null || bridge.match !== null;
    if (!onMain) {
      apart.push({ rig: own.record.rig, reference: own.record });
      context.remark(
        `${own.record.rig}: could not be brought to the grid of ${main.record.file} (${bridge?.note}); its stacks keep a grid of their own`,
      );
    }
    const goal = onMain ? main : own;
    let seed: Transform | null = bridge?.match?.transform ?? null;
    const inTime = [...group].sort((a, b) => (a.record.dateUtc ?? "").localeCompare(b.record.dateUtc ?? ""));
    for (const frame of inTime) {
      const itself = frame === goal;
      const found: Found = itself ? { match: null, note: "reference" } : match(frame, goal, seed, bridge === null);
      if (found.match !== null) seed = found.match.transform;
      results.set(frame, {
        file: frame.record.file,
        reference: goal.record.file,
        transform: itself ? identityTransform : found.match?.transform ?? null,
        rmsPixels: itself ? 0 : found.match?.rmsPixels ?? NaN,
        matchedStars: itself ? frame.quality.starCount : found.match?.matched ?? 0,
        fluxRatio: itself ? 1 : found.match !== null && found.match.fluxRatio > 0 ? found.match.fluxRatio : null,
        note: found.note,
      });
      context.progress({ label: "registering frames", done: ++done, total: frames.length });
    }
  }
  return { reference: main.record, frames: frames.map((frame) => results.get(frame) as Registration), apart };
}
