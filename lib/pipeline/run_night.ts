/** The main job: a folder of raw frames in, stacks and a finished picture out, with tables, report and record. */
import { namesInWords } from "../core/names_in_words.ts";
import { settle } from "../core/options.ts";
import type { Progress } from "../core/progress.ts";
import { claimRun } from "../io/checkpoints.ts";
import type { FrameList } from "../io/list_frames.ts";
import type { KindDecision } from "../night/kind_decisions.ts";
import type { Decision } from "../night/select_frames.ts";
import type { NightReport } from "../view/report.ts";
import { reportHtml } from "../view/report_html.ts";
import { requireSpace } from "./disk_space.ts";
import type { RunStep } from "./finish_picture.ts";
import { makePictures, placeStacks, type Stopwatch } from "./make_pictures.ts";
import { type Night, nightOf, type NightState, stateOf } from "./night.ts";
import { nightReport, nightSummary } from "./night_report.ts";
import { writeCalibrationTable, writeLightTables } from "./night_tables.ts";
import { inOutputFolder, judgeNight, type ListedNight, lookAtNight, openNightDefaults } from "./open_night.ts";
import type { NightContext } from "./night_context.ts";
import type { Recipe } from "./recipe.ts";
import { requireUnchanged } from "./require_unchanged.ts";
import { filesOf, stackFilters, type Stacks } from "./stack_night.ts";
import { libraryVersion } from "./version.ts";

/** Options of {@linkcode runNight}. */
export interface RunNightOptions {
  /**
   * The output folder, made when it is not there; "automatic": `output/<name of the night's folder>` of the project, or
   * of the working directory.
   */
  readonly out: string;
  /** Processing steps; null for those that the filters call for. */
  readonly recipe: Recipe | null;
  /**
   * What the person decided about single lights, against the verdict or with it: decisions, or the path of a file with
   * one a line; null for none.
   */
  readonly decisions: readonly Decision[] | string | null;
  /** Receives progress; null for none. */
  readonly progress: Progress | null;
  /** Receives remarks for the person; null for none. */
  readonly remark: ((text: string) => void) | null;
}

/** What {@linkcode runNight} uses for an option left out. */
export const runNightDefaults: RunNightOptions = Object.freeze({
  out: "automatic",
  recipe: null,
  decisions: null,
  progress: null,
  remark: null,
});

/** What came of it. */
export interface NightRun {
  /** The night as it was judged. */
  readonly night: Night;
  /** Its stacks by name. */
  readonly stacks: Stacks;
  /** What each step of the recipe did, by its id. */
  readonly steps: Readonly<Record<string, RunStep>>;
  /** The main findings in sentences. */
  readonly summary: readonly string[];
  /** What to look at first. */
  readonly files: readonly { readonly file: string; readonly meaning: string }[];
  /** Lights that went into a stack. */
  readonly usableFrames: number;
  /** What `report.html` shows, as data: for a notebook. */
  readonly report: NightReport;
}

/** Notes how long each part of a run takes. */
function stopwatch(): { readonly time: Stopwatch; readonly log: () => string } {
  const began = performance.now();
  const times: [string, number][] = [];
  const seconds = (since: number) => Math.round(performance.now() - since) / 1000;
  return {
    time: (name, work) => {
      const start = performance.now();
      const result = work();
      times.push([name, seconds(start)]);
      return result;
    },
    log: () => `${JSON.stringify({ seconds: Object.fromEntries(times), total: seconds(began) }, null, 2)}\n`,
  };
}

/** Files named in a remark. */
const fewNames = (names: readonly string[]): string => namesInWords(names, 4);

/** Claim the output folder for this night, or refuse it, before any work is done; say what was damaged in it. */
function claimOutput({ context: { out, output, digests, remark }, list }: ListedNight): void {
  const inputs = list.records.map(({ file }) => digests.get(file) ?? "");
  claimRun(out, { version: libraryVersion, inputs }, remark);
  const damaged = output.damaged();
  if (damaged.length === 0) return;
  const one = damaged.length === 1;
  remark(
    `${fewNames(damaged)}: ${one ? "is" : "are"} not as the last run left ${one ? "it" : "them"} ` +
      `(missing, cut or changed) and ${one ? "is" : "are"} made again`,
  );
}

/** Take away what an earlier run of the same folder made and this one did not. */
function removeObsolete({ output, remark }: NightContext): void {
  const removed = output.removeOthers();
  if (removed.length > 0) remark(`${fewNames(removed)}: made by an earlier run, not by this one, and taken away`);
}

/** Let the masters appear where the output contract wants them; those that no measurement asked for are made now. */
function placeMasters({ context: { output }, calibrators, maker }: NightState): void {
  for (const { correction } of calibrators) correction();
  for (const { file, path } of maker.files()) if (path !== null) output.place(path, file);
}

/**
 * Run a night from raw frames to the picture: `openNight`, `stackNight`, the recipe, and the files of the output
 * folder.
 *
 * Whatever can be done is done: files that cannot be read become rows of the table, missing calibration a remark.
 * Results of finished stages are kept in the output folder with their digests, so that a stopped run goes on where it
 * was, and a night that was opened or stacked before is not measured again. Files may be added, changed and taken away
 * between two runs into one folder, and decisions and recipe too: what they concern is made anew, and what was damaged.
 * The folder ends as a new one would.
 *
 * @param folder the night's folder, subfolders included; nothing in it is changed
 * @throws {FrameError} if the folder is missing or cannot be listed
 * @throws {RangeError} if the output folder holds other things, another run works in it, the results will not fit, or
 * a file changes meanwhile
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { runNight } from "faintlight";
 *
 * assert.throws(() => runNight("no such folder"), /no such folder/);
 * ```
 */
export function runNight(folder: string, options: Partial<RunNightOptions> = {}): NightRun {
  return runNightAs(folder, options);
}

/**
 * {@linkcode runNight}, where a record says what frames are for.
 *
 * @param kinds left out, headers, folders, pixels and the decisions say it
 */
export function runNightAs(
  folder: string,
  options: Partial<RunNightOptions>,
  kinds?: readonly KindDecision[],
): NightRun {
  const used = settle("runNight", runNightDefaults, options);
  return inOutputFolder(folder, used, (named) => runInFolder(folder, named, kinds));
}

/** Run a night in an output folder that is ours. */
function runInFolder(
  folder: string,
  { recipe, decisions, ...used }: RunNightOptions,
  kinds: readonly KindDecision[] | undefined,
): NightRun {
  const remark = used.remark ?? (() => {});
  const { time, log } = stopwatch();
  const beforeCopies = ({ records }: FrameList) => requireSpace(used.out, records, remark);
  const listed = time("scan", () => lookAtNight(folder, { ...used, decisions, remark, kinds, beforeCopies }));
  const { output } = listed.context;
  claimOutput(listed);

  const night = time(
    "open",
    () =>
      nightOf(
        judgeNight(listed, openNightDefaults, ({ plan }) => writeCalibrationTable(output, plan.rows)),
      ),
  );
  const state = stateOf("runNight", night);
  time("masters", () => placeMasters(state));
  writeLightTables(output, state.checked.lights, listed.list.unreadable);

  requireUnchanged(listed.context, listed.list.records, false);

  const unmade: string[] = [];
  const stacks = time("stack", () =>
    stackFilters(night, {}, (name, fact) => {
      const text = `no stack of ${name}, because ${fact}; look at its lights in frames.csv and leave out what is odd`;
      unmade.push(text);
      remark(text);
    }));
  // from here on the night's files are not read any more
  requireUnchanged(listed.context, listed.list.records, true);
  const stacked = Object.values(stacks).map(filesOf);
  placeStacks(output, stacked);
  const pictures = makePictures(state, stacked, recipe, time);

  const leftOut = [...unmade, ...pictures.finished.flatMap((each) => each.leftOut)];
  const files = [
    ...pictures.files,
    ["report.html", "the night, the stacks, every step and what it did"],
    ["frames.csv", "every light with its numbers, verdict, cause and remedy"],
  ] as const;
  const report = time("report", () => {
    const made = nightReport({
      night: state.list,
      plan: state.calibration.plan,
      calibration: state.calibration.findings,
      masters: state.maker.files(),
      checked: state.checked,
      stacks: stacked,
      finished: pictures.finished,
      picture: pictures.web,
      files,
      leftOut,
      remark,
    });
    output.write("report.html", reportHtml(made));
    return made;
  });
  output.write("log.json", log());
  removeObsolete(listed.context);
  if (stacked.length === 0 && unmade.length === 0) {
    remark("no light could be used, so there is no picture; report.html says why");
  }
  return {
    night,
    stacks,
    steps: Object.fromEntries(pictures.finished.flatMap(({ results }) => results.map((each) => [each.id, each]))),
    summary: [...nightSummary(state.checked, stacked, listed.list.unreadable.length), ...leftOut],
    files: files.map(([file, meaning]) => ({ file, meaning })),
    usableFrames: stacked.reduce((sum, stack) => sum + stack.lights.length, 0),
    report,
  };
}
