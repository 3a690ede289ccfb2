/** A night as a person holds it: a plain frozen table; pixels stay on disk until somebody asks for them. */
import type { Masters } from "../calibrate/prepare_correction.ts";
import { type Displayed, displayed } from "../core/display.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { Transform } from "../core/transform.ts";
import type { FrameList, UnreadableFrame } from "../io/list_frames.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import type { CalibrationFinding } from "../night/calibration_finding.ts";
import type { Verdict } from "../night/causes/cause.ts";
import type { NightFinding } from "../night/diagnose_night.ts";
import type { CalibrationMatch, CalibrationRow } from "../night/calibration_plan.ts";
import type { Decision } from "../night/select_frames.ts";
import type { SelectionEffect } from "../night/weight_frames.ts";
import type { CheckedCalibration } from "./check_calibration.ts";
import {
  type CheckedLight,
  type CheckedNight,
  chooseLights,
  type JudgedNight,
  type JudgeSettings,
} from "./check_lights.ts";
import type { Calibrator, GivenMasters, MasterMaker } from "./master_maker.ts";
import type { NightContext } from "./night_context.ts";

/** One light of a night: its frame record, what was measured, and what is to be done with it. */
export interface Light extends FrameRecord {
  /** Its measurement; null when it could not be read. */
  readonly quality: FrameQuality | null;
  /** What is done with it. */
  readonly verdict: Verdict;
  /** What went wrong, or "clear sky". */
  readonly cause: string;
  /** The numbers that say so. */
  readonly evidence: string;
  /** What to do about it the next time. */
  readonly remedy: string;
  /** Whose word the verdict is. */
  readonly decidedBy: "report" | "person";
  /** Pixel of the light → pixel of the reference; null when it could not be registered. */
  readonly transform: Transform | null;
  /** Stars matched with the reference. */
  readonly matchedStars: number;
  /** Residual of the matched stars, reference pixels; null without any. */
  readonly rmsPixels: number | null;
  /** Flux of its stars over the mean of the kept lights of its stack; null when not registered. */
  readonly fluxRatio: number | null;
  /** Part in its stack, mean 1 over the lights kept; 0 when left out. */
  readonly weight: number;
  /** Name of the stack it belongs to. */
  readonly stack: string;
  /** What calibrates it. */
  readonly match: NightMatch;
}

/** A light that goes into a stack: it was measured and registered. */
export interface UsableLight extends Light {
  /** What was measured of it. */
  readonly quality: FrameQuality;
  /** From its pixels to those of the reference. */
  readonly transform: Transform;
  /** Residual of the matched stars, pixels; null when the map was found without stars. */
  readonly rmsPixels: number | null;
}

/** Which calibration frames belong to which lights, and the masters made of them. */
export interface NightMatch extends CalibrationMatch {
  /** Masters that calibrate these lights; made once, read when asked for. */
  readonly masters: MatchMasters;
}

/** Every master that calibrates the lights of one match; what there is none of is null. */
export interface MatchMasters extends Required<Masters> {
  /** What is missing, second best or was replaced. */
  readonly notes: readonly string[];
}

/** A calibration file: used or not, and why. */
export interface NightCalibration extends CalibrationRow {
  /** What its pixels say against it; null for nothing. */
  readonly finding: CalibrationFinding | null;
}

/** A night: calibrated, measured, registered and judged. It shows itself: timeline, what is not kept, calibration. */
export interface Night extends Displayed {
  /** The night's folder. */
  readonly folder: string;
  /** One entry a light file that can be read, in the order of their groups. */
  readonly lights: readonly Light[];
  /** Those with a weight. */
  readonly usable: readonly UsableLight[];
  /** Which sets calibrate which lights. */
  readonly matches: readonly NightMatch[];
  /** One row a calibration file. */
  readonly calibration: readonly NightCalibration[];
  /** The light whose grid all others are brought to; null when no light could be registered. */
  readonly reference: Light | null;
  /** Faults that a whole rig has. */
  readonly findings: readonly NightFinding[];
  /** By stack: what leaving lights out costs in depth and gains in sharpness. */
  readonly effects: Readonly<Record<string, SelectionEffect>>;
  /** Files that could not be read. */
  readonly unreadable: readonly UnreadableFrame[];
  /** Remarks. */
  readonly notes: readonly string[];
  /** Where results are kept; enters no record. */
  readonly out: string;
}

/** What stands behind a night's table. */
export interface NightState {
  /** Where things are and what was answered before. */
  readonly context: NightContext;
  /** The folder's files. */
  readonly list: FrameList;
  /** Calibration, matched and judged. */
  readonly calibration: CheckedCalibration;
  /** Makes the masters. */
  readonly maker: MasterMaker;
  /** Masters that the person gave for each match. */
  readonly given: readonly GivenMasters[];
  /** What calibrates each match. */
  readonly calibrators: readonly Calibrator[];
  /** How lights are judged. */
  readonly settings: JudgeSettings;
  /** The report's word. */
  readonly judged: JudgedNight;
  /** The person's word, each about one file by its whole name. */
  readonly decisions: readonly Decision[];
  /** Both together. */
  readonly checked: CheckedNight;
  /** Remarks so far. */
  readonly notes: readonly string[];
  /** Files that the person looks at; null for all. */
  readonly selected: ReadonlySet<string> | null;
}

const states = new WeakMap<Night, NightState>();

/**
 * What stands behind a night.
 *
 * @throws {TypeError} if it is none of `openNight`
 */
export function stateOf(step: string, night: Night): NightState {
  const state = states.get(night);
  if (state === undefined) {
    throw new TypeError(`${step}: night must come from openNight, but got ${typeof night}; a copy has lost its files`);
  }
  return state;
}

/** Lights that the person looks at. */
export const selectedLights = ({ checked, selected }: NightState): readonly CheckedLight[] =>
  selected === null ? checked.lights : checked.lights.filter(({ record }) => selected.has(record.file));

/** The night's table over what stands behind it. */
export function nightOf(state: NightState): Night {
  const { context, list, calibration, calibrators, checked, notes } = state;
  const matches = calibration.plan.matches.map((match, at) => matchOf(match, calibrators[at]));
  const matchOfFile = new Map(
    matches.flatMap((match) => match.group.lights.map((record) => [record.file, match] as const)),
  );
  const means = meanFluxes(checked.lights);
  const all = checked.lights.map((light) =>
    lightOf(light, matchOfFile.get(light.record.file) as NightMatch, means.get(light.stack) ?? null)
  );
  const lights = state.selected === null ? all : all.filter(({ file }) => state.selected?.has(file));
  const referenceFile = checked.lights.find(({ registration }) => registration !== null)?.registration?.reference;
  const night: Night = Object.freeze(displayed("night", {
    folder: list.folder,
    lights: Object.freeze(lights),
    usable: Object.freeze(lights.filter(isUsable)),
    matches: Object.freeze(matches),
    calibration: Object.freeze(
      calibration.plan.rows.map((row) =>
        Object.freeze({ ...row, finding: calibration.findings.find(({ file }) => file === row.file) ?? null })
      ),
    ),
    reference: all.find(({ file }) => file === referenceFile) ?? null,
    findings: checked.findings,
    effects: checked.effects,
    unreadable: list.unreadable,
    notes: Object.freeze([...new Set(notes)]),
    out: context.out,
  }));
  states.set(night, state);
  return night;
}

const isUsable = (light: Light): light is UsableLight =>
  light.weight > 0 && light.quality !== null && light.transform !== null;

/** Mean flux ratio of the kept lights of each stack. */
function meanFluxes(lights: readonly CheckedLight[]): Map<string, number> {
  const ratios = new Map<string, number[]>();
  for (const { stack, weight, registration } of lights) {
    const ratio = registration?.fluxRatio ?? null;
    if (weight > 0 && ratio !== null) ratios.set(stack, [...ratios.get(stack) ?? [], ratio]);
  }
  return new Map([...ratios].map(([stack, list]) => [stack, list.reduce((sum, each) => sum + each, 0) / list.length]));
}

function lightOf(light: CheckedLight, match: NightMatch, meanFlux: number | null): Light {
  const { record, quality, registration, diagnosis, decidedByPerson, weight, stack } = light;
  const ratio = registration?.fluxRatio ?? null;
  const rms = registration?.rmsPixels ?? NaN;
  return Object.freeze({
    ...record,
    quality,
    verdict: diagnosis.verdict,
    cause: diagnosis.cause,
    evidence: diagnosis.evidence,
    remedy: diagnosis.remedy,
    decidedBy: decidedByPerson ? "person" : "report",
    transform: registration?.transform ?? null,
    matchedStars: registration?.matchedStars ?? 0,
    rmsPixels: Number.isFinite(rms) ? rms : null,
    fluxRatio: ratio === null || meanFlux === null ? null : ratio / meanFlux,
    weight,
    stack,
    match,
  });
}

/** A match whose masters are read when they are asked for, not when the table is looked at. */
function matchOf(match: CalibrationMatch, calibrator: Calibrator): NightMatch {
  let known: MatchMasters | undefined;
  const masters = {
    get: () => known ??= Object.freeze({ ...calibrator.masters(), notes: match.notes }),
    enumerable: false,
  };
  return Object.freeze(Object.defineProperty({ ...match }, "masters", masters)) as NightMatch;
}

/** The night after the person's word has changed: weights and choice anew, nothing is measured. */
export function withDecisions(state: NightState, decisions: readonly Decision[]): NightState {
  const notes: string[] = [];
  const context = { ...state.context, remark: (text: string) => notes.push(text) };
  const checked = chooseLights(context, state.judged, decisions);
  notes.forEach(state.context.remark);
  return { ...state, decisions, checked, notes: [...state.notes, ...notes] };
}
