/** Opens a night: from a folder of raw frames to lights that are calibrated, measured, registered and judged. */
import { settle } from "../core/options.ts";
import { type Progress, silent } from "../core/progress.ts";
import { checkpointFolder, openAnswers, requireOwnFolder } from "../io/checkpoints.ts";
import { inLockedFolder } from "../io/folder_lock.ts";
import { readText } from "../io/digest_files.ts";
import { setUnpackFolder } from "../io/byte_source.ts";
import { listKnownFrames } from "../io/known_frames.ts";
import { type FrameList, requireFolder } from "../io/list_frames.ts";
import { outputFiles } from "../io/output_files.ts";
import { outputFolder } from "../io/output_folder.ts";
import { join } from "../io/paths.ts";
import type { DiagnoseNightOptions } from "../night/diagnose_night_options.ts";
import type { CalibrationMatch } from "../night/calibration_plan.ts";
import type { MatchCalibrationOptions } from "../night/match_calibration_options.ts";
import { type KindDecision, parseKindDecisions } from "../night/kind_decisions.ts";
import { type Decision, parseDecisions } from "../night/select_frames.ts";
import type { RegisterFramesOptions } from "../register/register_frames.ts";
import { checkCalibration, type CheckedCalibration } from "./check_calibration.ts";
import { judgeLights } from "./check_lights.ts";
import { resolveDecisions } from "./decide_frames.ts";
import { stoppable } from "./fence.ts";
import { givenMasters, type MastersToUse } from "./given_masters.ts";
import { type Calibrator, masterFiles, masterMaker } from "./master_maker.ts";
import { type Night, nightOf, type NightState, withDecisions } from "./night.ts";
import type { NightContext } from "./night_context.ts";
import { settleKinds } from "./settle_kinds.ts";
import { mendFrames } from "./mend_frames.ts";
import { remarkOnFiles } from "./remark_on_files.ts";
import { trimFrames } from "./trim_frames.ts";
import { libraryVersion } from "./version.ts";

/** Options of {@linkcode openNight}. */
export interface OpenNightOptions {
  /**
   * Folder that keeps the results; "automatic": `output/<name of the night's folder>` of the project, or of the working
   * directory without one. Never beside the raw frames.
   */
  readonly out: string;
  /** The person's word on single lights: decisions, or the path of a file with one a line; null for none. */
  readonly decisions: readonly Decision[] | string | null;
  /** Masters to use for all lights in place of matched ones; null leaves one away, what is left out is matched. */
  readonly masters: MastersToUse;
  /** How calibration frames are matched, see `matchCalibration`. */
  readonly calibration: Partial<MatchCalibrationOptions>;
  /** How lights are judged, see `diagnoseNight`. */
  readonly judge: Partial<DiagnoseNightOptions>;
  /** How lights are registered, see `registerFrames`. */
  readonly registration: Partial<Omit<RegisterFramesOptions, "reference" | "progress">>;
  /** Receives progress; the first report says where results are kept. Null for none. */
  readonly progress: Progress | null;
}

/** What {@linkcode openNight} uses for an option left out. */
export const openNightDefaults: OpenNightOptions = Object.freeze({
  out: "automatic",
  decisions: null,
  masters: Object.freeze({}),
  calibration: Object.freeze({}),
  judge: Object.freeze({}),
  registration: Object.freeze({}),
  progress: null,
});

/**
 * Open a night: list its frames, audit and match the calibration, make the masters, measure every light, register and
 * judge it, choose and weigh.
 *
 * Answers are kept in the output folder under the digest of their question: a second opening reads no pixels, a new
 * frame or another master asks its own questions only. Files are known by name, size and the time they were written.
 *
 * Cost: each light is read and measured once; of a night that is kept, a moment.
 *
 * @param folder the folder with the raw frames, subfolders included; nothing in it is changed
 * @throws {FrameError} if the folder is missing or cannot be listed
 * @throws {RangeError} if the output folder holds other things, or a decision fits several lights
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { openNight } from "faintlight";
 *
 * assert.throws(() => openNight("no such folder"), /no such folder: does not exist/);
 * ```
 */
export function openNight(folder: string, options: Partial<OpenNightOptions> = {}): Night {
  const used = settle("openNight", openNightDefaults, options);
  return inOutputFolder(folder, used, (named) => nightOf(judgeNight(lookAtNight(folder, named), named)));
}

/**
 * Work in the output folder of a night that no other run works in meanwhile; progress is its sign of life.
 *
 * @throws {RangeError} if another run holds it, it holds other things, or it cannot be written to
 */
export function inOutputFolder<O extends Pick<OpenNightOptions, "out" | "progress">, T>(
  folder: string,
  options: O,
  work: (options: O) => T,
): T {
  const out = outputFolder(folder, options.out);
  requireFolder(folder);
  requireOwnFolder(out);
  return inLockedFolder(out, (signOfLife) => {
    const progress: Progress = (event) => {
      signOfLife();
      options.progress?.(event);
    };
    return work({ ...options, out, progress });
  });
}

/** A night whose files are known, before anything is measured. */
export interface ListedNight {
  readonly context: NightContext;
  readonly list: FrameList;
  readonly notes: string[];
  /** What the person decided about single lights. */
  readonly decisions: readonly Decision[];
}

/** Paths of the person's machine are no part of a table or a record. */
const withoutFolder = (night: FrameList): FrameList => ({
  ...night,
  unreadable: night.unreadable.map((each) => ({ ...each, message: each.message.replaceAll(`${night.folder}/`, "") })),
});

/** Find a night's files and the answers that are kept. */
export function lookAtNight(
  folder: string,
  options: Pick<OpenNightOptions, "out" | "progress" | "decisions"> & {
    readonly remark?: (text: string) => void;
    /** What frames are for, where a record says so; without it the decisions do. */
    readonly kinds?: readonly KindDecision[];
    /** Given the files before any is copied. */
    readonly beforeCopies?: (list: FrameList) => void;
  },
): ListedNight {
  const { progress: given, remark = () => {} } = options;
  const decisionText = typeof options.decisions === "string" ? readText(options.decisions) : "";
  const decisions = typeof options.decisions === "string"
    ? parseDecisions(decisionText, options.decisions)
    : options.decisions ?? [];
  const progress = stoppable(given ?? silent);
  const { out } = options;
  progress({ label: `results are kept in ${out}`, done: 0, total: 1 });
  const { list, digests, stamps } = listKnownFrames(folder, out, libraryVersion, progress);
  // nothing is written but below the output folder
  setUnpackFolder(join(out, checkpointFolder, "unpacked"));
  const notes: string[] = [];
  const tell = (text: string): void => {
    notes.push(text);
    remark(text);
  };
  const context: NightContext = {
    folder,
    out,
    // what was damaged and made again is no fact about the night
    checkpoints: openAnswers(out, libraryVersion, remark),
    digests,
    stamps,
    copies: new Map(),
    output: outputFiles(out),
    progress,
    remark: tell,
  };
  const settled = settleKinds(context, list, options.kinds ?? parseKindDecisions(decisionText));
  options.beforeCopies?.(settled);
  return { context, list: withoutFolder(mendFrames(context, trimFrames(context, settled))), notes, decisions };
}

/** What a person should know of the files before anything is measured. */
function remarkOnList({ context: { remark }, list }: ListedNight): void {
  remarkOnFiles(remark, list.notes.map(({ file, note }) => ({ file, text: note })));
  for (const { message } of list.unreadable) remark(message);
  for (const { file, kind } of list.records) {
    if (kind !== "unknown") continue;
    remark(
      `${file}: left out, because neither header, folder nor pixels say what it is; ` +
        `a line "light ${file}" (or dark, flat, bias, flat-dark) in the decisions file does`,
    );
  }
}

/** Calibrate, measure, register, judge, choose and weigh the lights of a night that was listed. */
export function judgeNight(
  listed: ListedNight,
  used: Omit<OpenNightOptions, "out" | "progress" | "decisions">,
  onCalibration: (calibration: CheckedCalibration) => void = () => {},
): NightState {
  const { context, list, notes } = listed;
  remarkOnList(listed);
  const calibration = checkCalibration(context, list.records, used.calibration);
  onCalibration(calibration);
  const { matches } = calibration.plan;
  for (const { group, notes } of matches) for (const note of notes) context.remark(`${group.name}: ${note}`);
  const maker = masterMaker(masterFiles(context));
  const given = matches.map((match) => givenMasters("openNight", used.masters, match));
  const calibrators = matches.map((match, at) => maker.calibratorFor(match, given[at]));
  const settings = { registration: used.registration, judge: used.judge };
  const start = { context, list, calibration, maker, given, settings, notes, selected: null };
  return judgeAgain(start, calibrators, listed.decisions);
}

/** Judge the lights of a night as its calibrators make them. */
export function judgeAgain(
  state: Omit<NightState, "calibrators" | "judged" | "decisions" | "checked">,
  calibrators: readonly Calibrator[],
  decisions: readonly Decision[],
): NightState {
  const { context, calibration, notes } = state;
  const judged = judgeLights(context, lightsOf(calibration.plan.matches, calibrators), state.settings);
  const checked = { lights: [], findings: [], effects: {} };
  const files = judged.lights.map(({ record }) => record.file);
  const whole = resolveDecisions("openNight", decisions, files);
  return withDecisions({ ...state, calibrators, judged, decisions: [], checked, notes }, whole);
}

const lightsOf = (matches: readonly CalibrationMatch[], calibrators: readonly Calibrator[]) =>
  matches.flatMap(({ group }, at) => group.lights.map((record) => ({ record, calibrator: calibrators[at] })));
