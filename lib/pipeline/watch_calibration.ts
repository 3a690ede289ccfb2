/** The calibration frames that a watch has seen so far: judged, combined in memory, chosen for each kind of light. */
import { FrameError } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { parallelMap } from "../parallel/pool.ts";
import type { CalibrationMatch, CalibrationSet } from "../night/calibration_plan.ts";
import { join } from "../io/paths.ts";
import { judgeCalibration, measureCalibrationTask, type MeasuredCalibration } from "./check_calibration.ts";
import { masterMaker, masterMemory } from "./master_maker.ts";

/** What calibrates the lights of a kind, just now. */
export interface ChosenCalibration {
  /** The same for equal frames. */
  readonly key: string;
  /** What it is made of in words: `6 darks and 6 flats`; `""` for nothing. */
  readonly words: string;
  /** The arrays; null when nothing fits, or a frame has gone away. */
  readonly correction: () => SensorCorrection | null;
}

/** Calibration frames of a watch. */
export interface WatchCalibration {
  /** Take in frames that have arrived; gives what is wrong with them. */
  readonly add: (records: readonly FrameRecord[]) => readonly { readonly file: string; readonly text: string }[];
  /** Forget a file: it changes, or is gone. */
  readonly forget: (file: string) => void;
  /** What fits a light, among the frames seen so far. */
  readonly chosenFor: (light: FrameRecord) => ChosenCalibration;
  /** Frames seen. */
  readonly count: () => number;
}

const counted = (set: CalibrationSet | null): string[] => {
  if (set === null) return [];
  const { length } = set.frames;
  if (set.master) return [`a master ${set.kind}`];
  return [set.kind === "bias" ? `${length} bias` : `${length} ${set.kind}${length === 1 ? "" : "s"}`];
};

function wordsFor({ dark, flat, bias }: CalibrationMatch): string {
  const used = dark === null || dark.scale !== 1 ? [bias, dark, flat] : [dark, flat];
  const parts = used.flatMap(counted);
  const last = parts.pop() ?? "";
  return parts.length === 0 ? last : `${parts.join(", ")} and ${last}`;
}

/** Lights of the same kind are calibrated by the same frames. */
const lightKind = (light: FrameRecord): string =>
  JSON.stringify([
    light.rig,
    light.session,
    light.filter,
    light.exposureSeconds,
    light.gainSetting,
    light.offsetSetting,
    light.setTemperatureC,
    light.binning,
    light.width,
    light.height,
    light.bayer,
  ]);

/** Calibration of a watch over `folder`; nothing is written. */
export function watchCalibration(folder: string): WatchCalibration {
  const seen = new Map<string, { readonly record: FrameRecord; readonly measured: MeasuredCalibration }>();
  const told = new Set<string>();
  let maker: ReturnType<typeof masterMaker> | null = null;
  const choices = new Map<string, ChosenCalibration>();

  /** Masters of frames that have changed are made anew. */
  const changed = (): void => {
    maker = null;
    choices.clear();
  };

  const judge = (lights: readonly FrameRecord[]) => {
    const all = [...seen.values()];
    const frames = all.map((each) => each.record);
    return judgeCalibration([...lights, ...frames], frames, all.map((each) => each.measured));
  };

  const add: WatchCalibration["add"] = (records) => {
    if (records.length === 0) return [];
    const jobs = records.map((facts) => ({ path: join(folder, facts.file), facts }));
    const measured = parallelMap(measureCalibrationTask, jobs, { label: "checking calibration frames" });
    records.forEach((record, at) => seen.set(record.file, { record, measured: measured[at] }));
    changed();
    const news = judge([]).remarks.filter(({ file, text }) => !told.has(`${file} ${text}`));
    for (const { file, text } of news) told.add(`${file} ${text}`);
    return news.map(({ file, text }) => ({ file, text: text.replaceAll(`${folder}/`, "") }));
  };

  const chosenFor: WatchCalibration["chosenFor"] = (light) => {
    const kind = lightKind(light);
    const known = choices.get(kind);
    if (known !== undefined) return known;
    const [match] = judge([light]).plan.matches;
    const sets = match === undefined ? [] : [match.dark, match.flat, match.bias, match.flatDark];
    const key = JSON.stringify(sets.map((set) => set?.frames.map(({ file }) => file) ?? null));
    let made: SensorCorrection | null | undefined;
    const chosen: ChosenCalibration = {
      key,
      words: match === undefined ? "" : wordsFor(match),
      correction: () => {
        if (made !== undefined) return made;
        made = null;
        if (match !== undefined && sets.some((set) => set !== null)) {
          maker ??= masterMaker(masterMemory(({ file }) => file));
          try {
            made = maker.calibratorFor(match).correction();
          } catch (error) {
            if (!(error instanceof FrameError)) throw error;
          }
        }
        return made;
      },
    };
    choices.set(kind, chosen);
    return chosen;
  };

  return {
    add,
    forget: (file) => {
      if (seen.delete(file)) changed();
    },
    chosenFor,
    count: () => seen.size,
  };
}
