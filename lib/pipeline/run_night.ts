/** The main job: a folder of raw frames in, stacks and a finished picture out, with tables, report and record. */
import { commonRegion } from "../stack/crop_image.ts";
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { canonicalJson } from "../core/options.ts";
import { silent } from "../core/progress.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { setUnpackFolder } from "../io/byte_source.ts";
import { checkpointFolder, openCheckpoints } from "../io/checkpoints.ts";
import { digestFiles, existsFile, freeBytes, readBytes } from "../io/digest_files.ts";
import { encodePng16 } from "../io/png.ts";
import { type FrameList, listFrames } from "../io/list_frames.ts";
import { writeWhole } from "../io/write_whole.ts";
import { join } from "../io/paths.ts";
import { remedies } from "../night/causes/cause_rules.ts";
import type { CalibrationMatch, CalibrationRow } from "../night/calibration_plan.ts";
import type { Decision } from "../night/select_frames.ts";
import type { Progress } from "../core/progress.ts";
import { checkCalibration } from "./check_calibration.ts";
import {
  checkLights,
  frameColumns,
  type FrameRow,
  frameRow,
  registrationColumns,
  registrationRow,
} from "./check_lights.ts";
import { captionPicture } from "../view/caption_picture.ts";
import { reportHtml } from "../view/report_html.ts";
import type { NightReport } from "../view/report.ts";
import type { EncodedPicture } from "../view/sheet.ts";
import type { CheckedNight } from "./check_lights.ts";
import { csvText } from "./csv.ts";
import { defaultRecipe } from "./default_recipe.ts";
import { type FinishedPicture, finishPicture } from "./finish_picture.ts";
import { type MasterFile, masterFiles, masterMaker } from "./make_masters.ts";
import { digestIn, type NightContext, safeName } from "./night_context.ts";
import { nightReport, nightSummary } from "./night_report.ts";
import { readRecord, recordText } from "./record.ts";
import { type StackedNight, stackLights } from "./stack_lights.ts";
import { libraryVersion } from "./version.ts";
import type { Recipe } from "./recipe.ts";

/** What to run. */
export interface RunNightOptions {
  /** The night's folder. */
  readonly folder: string;
  /** The output folder; made when it is not there. */
  readonly out: string;
  /** Processing steps; null or left out for those that the filters call for. */
  readonly recipe?: Recipe | null;
  /** What the person decided about single lights, against the verdict or with it; none when left out. */
  readonly decisions?: readonly Decision[];
  /** Receives progress. */
  readonly progress?: Progress;
  /** Receives remarks for the person. */
  readonly remark?: (text: string) => void;
}

/** What came of it. */
export interface NightRun {
  /** The main findings in sentences. */
  readonly summary: readonly string[];
  /** What to look at first. */
  readonly files: readonly { readonly file: string; readonly meaning: string }[];
  /** Lights that went into a stack. */
  readonly usableFrames: number;
  /** What `report.html` shows, as data: for a notebook. */
  readonly report: NightReport;
}

const calibrationColumns = ["file", "kind", "filter", "exposure_s", "temperature_c", "used", "reason"] as const;

const calibrationCells = (row: CalibrationRow) => ({
  file: row.file,
  kind: row.kind,
  filter: row.filter,
  exposure_s: row.exposureSeconds,
  temperature_c: row.temperatureC,
  used: row.used ? "yes" : "no",
  reason: row.reason,
});

/** Most of the area given up for full coverage; beyond, pixels with fewer frames are kept. */
const mostAreaLost = 0.25;

/** Share of the frames that must cover a pixel when full coverage would cost too much. */
const partialCoverage = 0.7;

/** The part of the field that is worth a picture. */
function pictureRegion(coverages: readonly Image[], remark: (text: string) => void): Region {
  const { width, height } = coverages[0];
  const full = commonRegion(coverages, 1);
  if (full.width * full.height >= (1 - mostAreaLost) * width * height) return full;
  const wider = commonRegion(coverages, partialCoverage);
  if (wider.width * wider.height <= full.width * full.height) return full;
  remark(`the picture is cropped to what ${partialCoverage * 100} % of the frames cover: the field turned or drifted`);
  return wider;
}

/** Stacks that go into one picture: those of one rig, by channel. */
interface PictureGroup {
  readonly rig: string;
  readonly stacks: readonly StackedNight[];
}

function pictureGroups(stacks: readonly StackedNight[]): PictureGroup[] {
  const rigs = [...new Set(stacks.map((stack) => stack.rig))];
  const depth = (group: PictureGroup) => group.stacks.reduce((sum, stack) => sum + stack.totalExposureSeconds, 0);
  return rigs.map((rig) => ({
    rig,
    stacks: stacks.filter((stack) => stack.rig === rig).sort((a, b) => b.totalExposureSeconds - a.totalExposureSeconds),
  })).sort((a, b) => depth(b) - depth(a));
}

const longDate = (session: string): string => {
  const [year, month, day] = session.split("-").map(Number);
  const names = "January February March April May June July August September October November December".split(" ");
  return month >= 1 ? `${day} ${names[month - 1]} ${year}` : session;
};

function caption(image: Image, group: PictureGroup): EncodedPicture {
  const lights = group.stacks.flatMap((stack) => stack.lights);
  return captionPicture(image, {
    object: lights.map((light) => light.record.object).find((name) => name !== "") ?? "",
    totalExposureSeconds: group.stacks.reduce((sum, stack) => sum + stack.totalExposureSeconds, 0),
    filters: group.stacks.map((stack) => ({ name: stack.channel, seconds: stack.totalExposureSeconds })),
    rig: group.rig,
    date: longDate(lights.map((light) => light.record.session).find((session) => session !== "") ?? ""),
  });
}

/** Columns, rows of the tables of a run, written as soon as they are known. */
function writeTables(context: NightContext, night: FrameList, checked: CheckedNight): void {
  const unreadable = night.unreadable.map((each): FrameRow => ({
    file: each.file,
    weight: 0,
    verdict: "reject",
    cause: "corrupt file",
    evidence: each.message,
    remedy: remedies["corrupt file"],
  }));
  const rows = [...checked.lights.map(frameRow), ...unreadable].sort((a, b) =>
    String(a.file) < String(b.file) ? -1 : 1
  );
  writeWhole(join(context.out, "frames.csv"), csvText(frameColumns, rows));
  writeWhole(join(context.out, "registration.csv"), csvText(registrationColumns, checked.lights.map(registrationRow)));
  const transforms = Object.fromEntries(
    checked.lights.map(({ record, registration }) => [record.file, registration?.transform ?? null] as const),
  );
  writeWhole(join(context.out, "registration.json"), `${canonicalJson(transforms)}\n`);
}

/**
 * Float planes written for each channel (stack, halves, weight, counts, each with what it carries: 16; results of
 * steps: 26), and for each filter (masters: 12), and bytes for sheets and report; counted on the demo nights.
 */
const planesAChannel = 42;
const planesAFilter = 12;
const bytesForSheets = 40e6;

/** Bytes a run will write at most, told before it starts. */
export function bytesNeeded(records: readonly FrameRecord[]): number {
  const lights = records.filter((record) => record.kind === "light");
  const kinds = new Map(lights.map((record) => [JSON.stringify([record.rig, record.filter, record.bayer]), record]));
  let bytes = 0;
  for (const { width, height, bayer, planes } of kinds.values()) {
    const channels = bayer !== null || planes === 3 ? 3 : 1;
    bytes += 4 * width * height * (planesAChannel * channels + planesAFilter);
  }
  return kinds.size === 0 ? 0 : bytes + bytesForSheets;
}

/** Refuse a run whose results will not fit, before any work is done. */
function requireSpace(out: string, records: readonly FrameRecord[], remark: (text: string) => void): void {
  const needed = bytesNeeded(records);
  const free = freeBytes(out);
  const megabytes = (bytes: number) => `${Math.ceil(bytes / 1e6)} MB`;
  if (needed > free) {
    throw new RangeError(
      `${out}: the results need up to ${megabytes(needed)}, but ${
        megabytes(free)
      } are free; make room or name another folder with --out`,
    );
  }
  if (needed > 0) remark(`the results will take up to ${megabytes(needed)} of ${megabytes(free)} free`);
}

/** Lights in the order of their groups, with what calibrates each. */
interface CalibratedMatches {
  readonly lights: readonly FrameRecord[];
  readonly corrections: readonly (SensorCorrection | null)[];
  /** What each correction is made of. */
  readonly keys: readonly string[];
  readonly masters: readonly MasterFile[];
}

/** Make what calibrates each group. Only that is held on to: the masters themselves are files by now. */
function calibrateMatches(context: NightContext, matches: readonly CalibrationMatch[]): CalibratedMatches {
  const maker = masterMaker(masterFiles(context));
  const lights: FrameRecord[] = [];
  const corrections: SensorCorrection[] = [];
  const keys: string[] = [];
  for (const match of matches) {
    const correction = maker.correctionFor(match);
    const sets = [match.dark, match.flat, match.bias, match.flatDark];
    const key = JSON.stringify(sets.map((set) => set?.frames.map((record) => digestIn(context, record)) ?? null));
    for (const light of match.group.lights) {
      lights.push(light);
      corrections.push(correction);
      keys.push(key);
    }
  }
  return { lights, corrections, keys, masters: maker.files() };
}

/** Paths of the person's machine are no part of a table or a record. */
const withoutFolder = (night: FrameList): FrameList => ({
  ...night,
  unreadable: night.unreadable.map((each) => ({ ...each, message: each.message.replaceAll(`${night.folder}/`, "") })),
});

/**
 * Run a night from raw frames to the picture: check, calibrate, select, weigh, register, normalise, combine, process,
 * export.
 *
 * Whatever can be done is done: files that cannot be read become rows of the table, missing calibration a remark.
 * Results of finished stages are kept in the output folder, so that a stopped run goes on where it was.
 *
 * @throws {RangeError} if the output folder holds other things
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { runNight } from "faintlight";
 *
 * assert.throws(() => runNight({ folder: "no such folder", out: "." }), /no such folder/);
 * ```
 */
export function runNight(options: RunNightOptions): NightRun {
  const { folder, out, recipe: given = null, decisions = [], progress = silent, remark = () => {} } = options;
  const began = performance.now();
  const times: [string, number][] = [];
  const stage = <T>(name: string, work: () => T): T => {
    const start = performance.now();
    const result = work();
    times.push([name, Math.round(performance.now() - start) / 1000]);
    return result;
  };
  const night = withoutFolder(stage("scan", () => listFrames(folder, { progress })));
  requireSpace(out, night.records, remark);
  const digests = stage(
    "digest",
    () => digestFiles(night.records.map((record) => join(folder, record.file)), progress),
  );
  const inputs = night.records.map((record, at) => ({ file: record.file, kind: record.kind, sha256: digests[at] }));
  const checkpoints = openCheckpoints(out, {
    version: libraryVersion,
    recipe: given,
    inputs,
    unreadable: night.unreadable.map((each) => each.file),
  });
  // a run may write to its output folder and nowhere else
  setUnpackFolder(join(out, checkpointFolder, "unpacked"));
  const context: NightContext = {
    folder,
    out,
    checkpoints,
    digests: new Map(inputs.map(({ file, sha256 }) => [file, sha256])),
    progress,
    remark,
  };
  for (const { file, note } of night.notes) remark(`${file}: ${note}`);
  for (const { message } of night.unreadable) remark(message);
  for (const { file, kind } of night.records) {
    if (kind !== "unknown") continue;
    remark(
      `${file}: left out, because the header does not say what it is; put it into a folder named lights, darks, flats or bias`,
    );
  }
  const { plan, findings } = stage("calibration", () => checkCalibration(context, night.records));
  writeWhole(join(out, "calibration.csv"), csvText(calibrationColumns, plan.rows.map(calibrationCells)));
  for (const { group, notes } of plan.matches) for (const note of notes) remark(`${group.name}: ${note}`);
  const { lights, corrections, keys, masters } = stage("masters", () => calibrateMatches(context, plan.matches));
  const checked = stage("check", () => checkLights(context, lights, corrections, keys, decisions));
  writeTables(context, night, checked);
  const stacks = stage("stack", () => stackLights(context, checked.lights));
  const files: [string, string][] = [];
  const finished: FinishedPicture[] = [];
  let web: EncodedPicture | null = null;
  pictureGroups(stacks).forEach((group, index) => {
    const prefix = index === 0 ? "" : `${safeName(group.rig)}-`;
    const region = pictureRegion(group.stacks.map((stack) => stack.read("coverage")), remark);
    const recipe = given ?? defaultRecipe(group.stacks.map((stack) => stack.channel), region);
    const images = Object.fromEntries(group.stacks.map((stack) => [stack.channel, stack.read("")]));
    const halves = group.stacks.every((stack) => stack.hasHalves)
      ? Object.fromEntries(group.stacks.map((stack) => [stack.channel, stack.read]))
      : null;
    const picture = stage(`process ${group.rig}`, () => finishPicture(context, recipe, images, halves, prefix));
    const record = recordText({
      inputs,
      decisions: decisions,
      lights: checked.lights,
      stacks,
      recipe,
      picture: picture.image,
      ledger: picture.ledger,
      unconfirmedShare: picture.validation?.unconfirmedShare ?? null,
    });
    stage(`export ${group.rig}`, () => {
      writeWhole(join(out, `${prefix}picture.png`), encodePng16(picture.image, { record }));
      writeWhole(join(out, `${prefix}record.json`), record);
      const small = caption(picture.image, group);
      writeWhole(join(out, `${prefix}picture-web.jpg`), small.bytes);
      if (index === 0) web = small;
    });
    files.push([`${prefix}picture.png`, "the finished picture, 16 bits, with the record of how it was made inside"]);
    files.push([`${prefix}picture-web.jpg`, "a small one with a caption, to show around"]);
    finished.push(picture);
  });
  files.push(["report.html", "the night, the stacks, every step and what it did"]);
  files.push(["frames.csv", "every light with its numbers, verdict, cause and remedy"]);
  const facts = {
    night,
    plan,
    calibration: findings,
    masters,
    checked,
    stacks,
    finished,
    picture: web,
    files,
  };
  const report = stage("report", () => {
    const made = nightReport(facts);
    writeWhole(join(out, "report.html"), reportHtml(made));
    return made;
  });
  const log = { seconds: Object.fromEntries(times), total: Math.round(performance.now() - began) / 1000 };
  writeWhole(join(out, "log.json"), `${JSON.stringify(log, null, 2)}\n`);
  if (stacks.length === 0) remark("no light could be used, so there is no picture; report.html says why");
  return {
    summary: nightSummary(checked, stacks, night.unreadable.length),
    files: files.map(([file, meaning]) => ({ file, meaning })),
    usableFrames: stacks.reduce((sum, stack) => sum + stack.lights.length, 0),
    report,
  };
}

/** What to repeat. */
export interface RerunOptions extends Omit<RunNightOptions, "recipe" | "decisions"> {
  /** A picture.png or record.json. */
  readonly picture: Uint8Array;
  /** Its name, for messages. */
  readonly name: string;
}

/** What came of repeating a picture. */
export interface RerunOutcome extends NightRun {
  /** Whether the picture's samples are the same, bit for bit. */
  readonly sameBytes: boolean;
}

/**
 * Repeat a picture from its record and say whether the samples agree.
 *
 * @throws {RangeError} if the folder lacks a file of the record, or holds it with other content
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { rerunPicture } from "faintlight";
 *
 * assert.throws(
 *   () => rerunPicture({ picture: new Uint8Array(4), name: "a.png", folder: ".", out: "." }),
 *   /a.png/,
 * );
 * ```
 */
export function rerunPicture(options: RerunOptions): RerunOutcome {
  const { picture, name, ...rest } = options;
  const record = readRecord(picture, name);
  const paths = record.inputs.map((input) => join(rest.folder, input.file));
  const missing = record.inputs.filter((_, at) => !existsFile(paths[at]));
  if (missing.length > 0) {
    throw new RangeError(
      `${name}: ${rest.folder} must hold the ${record.inputs.length} files of the record, but lacks ${missing[0].file}${
        missing.length > 1 ? ` and ${missing.length - 1} more` : ""
      }; name the folder the picture was made from`,
    );
  }
  const changed = digestFiles(paths).flatMap((digest, at) =>
    digest === record.inputs[at].sha256 ? [] : [record.inputs[at].file]
  );
  if (changed.length > 0) {
    throw new RangeError(`${name}: ${changed[0]} must be as it was when the picture was made, but its content differs`);
  }
  const outcome = runNight({ ...rest, recipe: record.recipe, decisions: record.decisions });
  const made = readRecord(readBytes(join(rest.out, "record.json")), "record.json");
  const sameBytes = made.pictureDigest === record.pictureDigest;
  const verdict = sameBytes ? "The picture is the same, bit for bit." : "The picture differs from the one recorded.";
  return { ...outcome, summary: [verdict, ...outcome.summary], sameBytes };
}
