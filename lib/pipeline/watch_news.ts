/** What a watch tells of the lights it has judged: one line each, faults as they begin and end, a focus that drifts. */
import type { FrameQuality } from "../measure/measure_frame.ts";
import type { Cause } from "../night/causes/cause.ts";
import { remedies } from "../night/causes/cause_rules.ts";
import { percent } from "../night/causes/evidence.ts";
import type { FrameDiagnosis } from "../night/diagnose_night.ts";
import type { NightRow } from "../night/night_row.ts";

/** Something to tell. */
export interface WatchNews {
  /**
   * `frame`: one line on a light; `warning`: something is wrong now; `relief`: it is over; `trouble`: a file that
   * cannot be used, or a calibration frame that is wrong; `calibration`: what the frames from here on are calibrated
   * with; `silence`: no new frame.
   */
  readonly kind: "frame" | "warning" | "relief" | "trouble" | "calibration" | "silence";
  /** The file; `""` for silence, calibration and trouble with the folder. */
  readonly file: string;
  /** The sentence. */
  readonly text: string;
}

/** What is wrong, said to somebody who can still do something about it. */
const plainWords: Readonly<Record<Cause, string>> = Object.freeze({
  "clear sky": "all is well",
  "cloud": "cloud is passing",
  "dew or haze": "dew on the optics, or haze",
  "defocus": "far out of focus",
  "focus drift": "the focus has drifted",
  "poor seeing": "the air boils, stars are wide",
  "low altitude": "the target stands low, stars are wide",
  "drift trailing": "stars trail in one direction",
  "field rotation": "stars trail round a point: the field turns",
  "guiding jump": "guiding jumped, every star is double",
  "wind shake": "the telescope shakes",
  "atmospheric dispersion": "the target stands low, the air draws stars out",
  "tilt": "the sensor is tilted",
  "curved field": "stars are drawn out in the corners",
  "lens cap or shutter closed": "no light gets in: the cap is on or the shutter closed",
  "twilight": "the sky is too bright",
  "moonlight": "the moon brightens the sky",
  "satellite or aircraft": "a satellite or aircraft crossed",
  "off target": "the telescope points beside the target",
  "something in the way": "something stands before a part of the field",
  "overexposed": "too bright for the sensor",
  "corrupt file": "the file is damaged",
  "duplicate": "the same frame once more",
  "wrong calibration": "the calibration does not fit",
});

/** What a frame alone shows, when there are none to compare it with; null when nothing is wrong. */
export function firstImpression(q: FrameQuality): Cause | null {
  const e2 = q.eccentricity ** 2;
  const ratio = 1 / Math.sqrt(1 - Math.min(0.999, e2));
  if (q.starCount < 3) return "lens cap or shutter closed";
  if (q.saturatedShare > 0.2) return "overexposed";
  if (q.doubling !== null) return "guiding jump";
  if (q.centralLevel < 0.8) return "defocus";
  return ratio > 1.35 && q.alignment > 0.6 ? "drift trailing" : null;
}

/** A light that has been judged. */
export interface JudgedRow {
  /** The light. */
  readonly row: NightRow;
  /** Its diagnosis. */
  readonly diagnosis: FrameDiagnosis;
  /** Whether there were too few others to compare it with. */
  readonly alone: boolean;
}

/** Remembers what has been told, so that a fault that goes on is told once. */
export interface NewsTeller {
  /** What to say of a light that has been judged. */
  readonly frame: (judged: JudgedRow) => WatchNews[];
  /** What to say of the focus, after the lights of a kind that are worth keeping. */
  readonly focus: (kind: string, kept: readonly NightRow[]) => WatchNews[];
}

/** Width of the stars in words. */
function widthText({ fwhmPixels, fwhmArcsec }: FrameQuality): string {
  if (!(fwhmPixels > 0)) return "no width";
  return `FWHM ${fwhmPixels.toFixed(2)} px${fwhmArcsec === null ? "" : ` (${fwhmArcsec.toFixed(1)} arcsec)`}`;
}

/** The line on a light. */
function frameLine(quality: FrameQuality, { diagnosis, alone }: JudgedRow, verdict: string): string {
  const flux = Number.isFinite(diagnosis.transparency) && !alone
    ? `, ${percent(diagnosis.transparency)} of the night's flux`
    : "";
  const sky = quality.background.toFixed(quality.background < 100 ? 1 : 0);
  return `${quality.starCount} stars, ${widthText(quality)}, sky ${sky} ADU${flux}: ${verdict}`;
}

/** What is wrong, on what numbers, and what helps. */
function warningText(impression: Cause | null, diagnosis: FrameDiagnosis): string {
  const first = impression ?? diagnosis.causes[0];
  const name = impression === null
    ? diagnosis.cause
    : impression === "lens cap or shutter closed"
    ? "no stars: cap, cloud, or far out of focus"
    : impression;
  const evidence = impression === null ? `; ${diagnosis.evidence}` : "";
  return `${plainWords[first]} (${name})${evidence}. What helps: ${remedies[first]}`;
}

const mean = (list: readonly number[]) => list.reduce((a, b) => a + b) / list.length;

/** Frames over which a focus is seen to drift. */
const focusFrames = 6;

/** Growth of the stars below which a drift that was told counts as over. */
const focusRestored = 1.05;

/**
 * A teller that has told nothing yet.
 *
 * @param focusGrowth growth of the stars over six frames that is told as a drift of the focus
 */
export function newsTeller(focusGrowth: number): NewsTeller {
  const faults = new Map<string, { cause: Cause; frames: number }>();
  const drifting = new Set<string>();

  const frame: NewsTeller["frame"] = (judged) => {
    const { row: { record, quality, problem }, diagnosis, alone } = judged;
    const { file, rig } = record;
    if (quality === null) return [{ kind: "trouble", file, text: `${problem ?? "cannot be measured"}` }];
    const impression = alone ? firstImpression(quality) : null;
    const verdict = impression === null ? diagnosis.verdict : "reject";
    const news: WatchNews[] = [{ kind: "frame", file, text: frameLine(quality, judged, verdict) }];
    // One telescope has one trouble: a fault is followed through all filters of a rig.
    const before = faults.get(rig);
    const cause = impression ?? diagnosis.causes[0];
    if (verdict === "keep") {
      faults.delete(rig);
      if (before === undefined) return news;
      const frames = `${before.frames} frame${before.frames === 1 ? "" : "s"}`;
      return [...news, { kind: "relief", file, text: `good again after ${frames} (${before.cause})` }];
    }
    if (before?.cause === cause) {
      before.frames++;
      return news;
    }
    faults.set(rig, { cause, frames: 1 });
    return [...news, { kind: "warning", file, text: warningText(impression, diagnosis) }];
  };

  const focus: NewsTeller["focus"] = (kind, kept) => {
    const last = kept.slice(-focusFrames);
    const widths = last.map((row) => row.quality?.fwhmPixels ?? NaN).filter((each) => each > 0);
    if (widths.length < focusFrames) return [];
    const before = mean(widths.slice(0, 2));
    const between = mean(widths.slice(2, 4));
    const now = mean(widths.slice(4));
    const growing = now > (1 + focusGrowth) * before && between > before && now > between;
    if (!growing) {
      if (now < focusRestored * before) drifting.delete(kind);
      return [];
    }
    if (drifting.has(kind)) return [];
    drifting.add(kind);
    return [{
      kind: "warning",
      file: last[last.length - 1].record.file,
      text: `stars have grown from ${before.toFixed(2)} to ${now.toFixed(2)} px over the last six frames: ` +
        "the focus may be drifting; focus again now, before frames are lost",
    }];
  };

  return { frame, focus };
}
