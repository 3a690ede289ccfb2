/** The lights of a watched night: calibrated, measured and judged as they come, each against those before. */
import type { FrameRecord } from "../core/frame_record.ts";
import { join } from "../io/paths.ts";
import { diagnoseNight, type FrameDiagnosis } from "../night/diagnose_night.ts";
import { groupKey } from "../night/night_group.ts";
import type { NightRow } from "../night/night_row.ts";
import { parallelMap } from "../parallel/pool.ts";
import { measureLightTask } from "./measure_light.ts";
import type { ChosenCalibration, WatchCalibration } from "./watch_calibration.ts";
import { firstImpression, newsTeller, type WatchNews } from "./watch_news.ts";
import type { WatchNightOptions } from "./watch_night_options.ts";

/** A light that has been judged. */
export interface WatchedLight {
  /** The file. */
  readonly record: FrameRecord;
  /** What is to be done with it and why. */
  readonly diagnosis: FrameDiagnosis;
}

/** The lights of a watch. */
export interface WatchedLights {
  /** Those judged so far, by file. */
  readonly judged: ReadonlyMap<string, WatchedLight>;
  /** Measure and judge lights; gives what to tell of them. */
  readonly judge: (lights: readonly FrameRecord[]) => WatchNews[];
  /** A file has another name now. */
  readonly rename: (from: string, to: string) => void;
}

/** Lights of one kind. */
interface LightKind {
  /** The calibration that they are measured with. */
  calibration: ChosenCalibration | null;
  /** Measurements that can be compared: all with that calibration. */
  rows: NightRow[];
}

/** Earlier lights from which on a light is compared with them, not judged by itself. */
const minimumCompanions = 4;

/** Earlier frames to compare with: the last ones, and of those before them some from all of the night. */
function companionsOf(rows: readonly NightRow[], maximum: number): readonly NightRow[] {
  if (rows.length <= maximum) return rows;
  const recent = rows.slice(-Math.ceil(maximum / 3));
  const before = rows.slice(0, -recent.length);
  const wanted = maximum - recent.length;
  const step = before.length / wanted;
  return [...Array.from({ length: wanted }, (_, i) => before[Math.floor(i * step)]), ...recent];
}

/** What lights are measured with, for a person. */
function calibrationText(light: FrameRecord, { words, correction }: ChosenCalibration, isFirst: boolean): string {
  const name = [light.rig, light.filter].filter((each) => each !== "").join(" · ");
  if (words === "") {
    return `${name}: no dark and no flat fits; lights are measured as they are. ` +
      "Darks and flats put into the folder are used at once";
  }
  return correction() === null
    ? `${name}: ${words} cannot be combined; the lights are measured as they are`
    : `${name}: lights are calibrated with ${words}${isFirst ? "" : " from here on"}`;
}

/** Measure lights of a folder, each with its calibration. */
function measureLights(
  folder: string,
  lights: readonly FrameRecord[],
  calibrations: readonly ChosenCalibration[],
): NightRow[] {
  const corrections = calibrations.map((each) => each.correction());
  const jobs = lights.map((record, at) => ({
    path: join(folder, record.file),
    bayer: record.bayer,
    correction: corrections[at],
    facts: record,
    thumbnailWidth: null,
  }));
  return parallelMap(measureLightTask, jobs, { label: "measuring new frames" })
    .map(({ quality, failure }, at) => ({
      record: lights[at],
      quality,
      problem: failure?.replaceAll(`${folder}/`, "") ?? null,
      darkLevel: corrections[at]?.subtract ? 0 : null,
    }));
}

/**
 * Lights of a watch over a folder; none is judged yet.
 *
 * @param calibration the calibration frames seen so far, as they come
 */
export function watchLights(
  folder: string,
  options: Pick<WatchNightOptions, "measuredAgain" | "companions" | "focusGrowth">,
  calibration: Pick<WatchCalibration, "chosenFor">,
): WatchedLights {
  const kinds = new Map<string, LightKind>();
  const judged = new Map<string, WatchedLight>();
  const teller = newsTeller(options.focusGrowth);

  /** Take the calibration that fits a light just now; what a person should know of it. */
  const calibrate = (light: FrameRecord): WatchNews[] => {
    const key = groupKey(light);
    const kind = kinds.get(key) ?? { calibration: null, rows: [] };
    const chosen = calibration.chosenFor(light);
    kinds.set(key, kind);
    if (kind.calibration?.key === chosen.key) return [];
    const isFirst = kind.calibration === null;
    const again = kind.rows.slice(-Math.ceil(options.measuredAgain)).map((row) => row.record);
    kind.calibration = chosen;
    kind.rows = again.length === 0 ? [] : measureLights(folder, again, again.map(() => chosen));
    return [{ kind: "calibration", file: "", text: calibrationText(light, chosen, isFirst) }];
  };

  const kindOf = (light: FrameRecord) => kinds.get(groupKey(light)) as LightKind;

  /** Judge a measured light against those of its kind before it. */
  const judgeRow = (row: NightRow): WatchNews[] => {
    const { record, quality } = row;
    const { file } = record;
    const kind = kindOf(record);
    kind.rows = kind.rows.filter((each) => each.record.file !== file);
    const others = companionsOf(kind.rows, Math.floor(options.companions));
    const { frames } = diagnoseNight([...others, row]);
    const diagnosis = frames[frames.length - 1];
    const alone = others.length < minimumCompanions;
    kind.rows.push(row);
    const lost = alone && quality !== null && firstImpression(quality) !== null;
    judged.set(file, { record, diagnosis: lost ? { ...diagnosis, verdict: "reject" } : diagnosis });
    const kept = kind.rows.filter((each) => judged.get(each.record.file)?.diagnosis.verdict !== "reject");
    return [...teller.frame({ row, diagnosis, alone }), ...teller.focus(groupKey(record), kept)];
  };

  return {
    judged,
    judge: (lights) => {
      const news = lights.flatMap(calibrate);
      const rows = measureLights(folder, lights, lights.map((each) => kindOf(each).calibration as ChosenCalibration));
      return [...news, ...rows.flatMap(judgeRow)];
    },
    rename: (from, to) => {
      const known = judged.get(from);
      if (known === undefined) return;
      const record = { ...known.record, file: to };
      judged.delete(from);
      judged.set(to, { ...known, record });
      for (const kind of kinds.values()) {
        kind.rows = kind.rows.map((row) => row.record.file === from ? { ...row, record } : row);
      }
    },
  };
}
