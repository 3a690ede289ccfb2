/** Looks over a night while it runs: measures each new frame as it appears and says at once what goes wrong. */
import { FrameError } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import { filterNames } from "../io/filter_names.ts";
import { fileStates, readRecordOf } from "../io/list_frames.ts";
import { join } from "../io/paths.ts";
import { parallelMap } from "../parallel/pool.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import type { Cause } from "../night/causes/cause.ts";
import { remedies } from "../night/causes/cause_rules.ts";
import { diagnoseNight, type FrameDiagnosis } from "../night/diagnose_night.ts";
import { groupKey } from "../night/night_group.ts";
import type { NightRow } from "../night/night_row.ts";
import { isCalibration } from "./check_calibration.ts";
import { measureLightTask } from "./measure_light.ts";
import { type ChosenCalibration, watchCalibration } from "./watch_calibration.ts";

/** Options of {@linkcode watchNight}. */
export interface WatchNightOptions {
  /** Looks in which a file that cannot be read may stay unchanged before it is told: it may still be on its way. */
  readonly patience: number;
  /**
   * Looks after which a file that could not be read is asked again: a share may have been away, or rights been mended.
   */
  readonly askAgain: number;
  /** Files measured in one look at most, so that the caller gets a turn. */
  readonly filesALook: number;
  /** Earlier lights measured anew when other calibration frames come to fit them, so that the next ones have something to be
   * compared with. */
  readonly measuredAgain: number;
  /** Earlier frames of its kind that a frame is compared with at most. */
  readonly companions: number;
  /** Growth of the stars over six frames that is told as a drift of the focus before a frame is lost. */
  readonly focusGrowth: number;
}

/**
 * What {@linkcode watchNight} uses for an option left out. At a look every few seconds a file may take a quarter of a
 * minute to arrive and is asked again once a minute; sixty frames tell the night's level to a tenth of its scatter, a
 * dozen to a quarter; stars 12 % wider cost a fifth of a frame's depth for points.
 */
export const watchNightDefaults: WatchNightOptions = Object.freeze({
  patience: 4,
  askAgain: 20,
  filesALook: 4,
  measuredAgain: 12,
  companions: 60,
  focusGrowth: 0.12,
});

/** Something to tell. */
export interface WatchNews {
  /** `frame`: one line on a light; `warning`: something is wrong now; `relief`: it is over; `trouble`: a file that cannot be used,
   * or a calibration frame that is wrong; `calibration`: what the frames from here on are calibrated with; `silence`:
   * no new
   * frame. */
  readonly kind: "frame" | "warning" | "relief" | "trouble" | "calibration" | "silence";
  /** The file; `""` for silence, calibration and trouble with the folder. */
  readonly file: string;
  /** The sentence. */
  readonly text: string;
}

/** What one look found. */
export interface WatchLook {
  /** What to tell, in order. */
  readonly news: readonly WatchNews[];
  /** Files that were not whole yet. */
  readonly arriving: number;
  /** Whole files that the next look will measure. */
  readonly waiting: number;
}

/** How the night stands. */
export interface WatchStanding {
  /** Lights judged so far. */
  readonly lights: number;
  /** Those of them worth keeping. */
  readonly kept: number;
  /** Exposure of those, seconds. */
  readonly keptSeconds: number;
}

/** A watch over a folder. */
export interface NightWatch {
  /**
   * Look once. Nothing is remembered but what earlier looks of this watch saw; nothing is written.
   *
   * @param milliseconds the time, on any clock that runs evenly
   */
  readonly look: (milliseconds: number) => WatchLook;
  /** Time of the last look that saw a file come or change; of the first look when none did. */
  readonly lastChange: () => number;
  /** The night so far in sentences. */
  readonly summary: () => readonly string[];
  /** Lights so far and those worth keeping. */
  readonly standing: () => WatchStanding;
}

/** Hours or minutes of exposure. */
export const exposureSpan = (seconds: number): string =>
  seconds >= 5400 ? `${(seconds / 3600).toFixed(1)} h` : `${Math.round(seconds / 60)} min`;

/** What is wrong, said to somebody who can still do something about it. */
const plainWords: Readonly<Record<Cause, string>> = Object.freeze({
  "clear sky": "all is well",
  "cloud": "cloud is passing",
  "dew or haze": "dew on the optics, or haze",
  "defocus": "far out of focus",
  "focus drift": "the focus has drifted",
  "poor seeing": "the air boils, stars are wide",
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

const percent = (share: number): string => `${Math.round(share * 100)} %`;

/** What a frame alone shows, when there are none to compare it with. */
function firstImpression(q: FrameQuality): Cause | null {
  const e2 = q.eccentricity ** 2;
  const ratio = 1 / Math.sqrt(1 - Math.min(0.999, e2));
  if (q.starCount < 3) return "lens cap or shutter closed";
  if (q.saturatedShare > 0.2) return "overexposed";
  if (q.doubling !== null) return "guiding jump";
  if (q.centralLevel < 0.8) return "defocus";
  return ratio > 1.35 && q.alignment > 0.6 ? "drift trailing" : null;
}

/** A file and how it stood at the last look. */
interface Seen {
  readonly stamp: string;
  /** Looks that found it unchanged. */
  still: number;
  /** Whether nothing is left to do with it, until it changes. */
  settled: boolean;
  /** Whether it was told that it cannot be read. */
  refused: boolean;
}

/** Lights of one kind. */
interface Kind {
  /** The calibration that they are measured with. */
  calibration: ChosenCalibration | null;
  /** Measurements that can be compared: all with that calibration. */
  rows: NightRow[];
}

/**
 * Watch a folder in which a night is being taken. Each call of `look` reads what is new: a file whose size has not
 * changed since the look before, and that is as long as its header says, is measured and judged against the frames of
 * its kind so far; the first four by themselves. A fault that goes on is told once, and once more when it is over.
 *
 * Darks, flats, bias frames and ready-made masters in the folder are used as soon as they are there, so that hot
 * pixels, vignetting and the glow of an amplifier are not taken for the sky's; what is wrong with one of them is told.
 * When they come after the first lights, the last of those are measured again.
 *
 * @param folder the folder; it may be empty
 * @param options see {@linkcode WatchNightOptions}
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { watchNight } from "faintlight";
 *
 * const watch = watchNight("a folder that is not there yet");
 * const look = watch.look(0);
 * assert.match(look.news[0].text, /cannot be listed/);
 * assert.equal(watch.standing().kept, 0);
 * ```
 */
export function watchNight(folder: string, options: Partial<WatchNightOptions> = {}): NightWatch {
  const used = settle("watchNight", watchNightDefaults, options);
  for (const [name, value] of Object.entries(used)) {
    if (!(value > 0)) throw new RangeError(`watchNight: ${name} must be > 0, but got ${value}`);
  }
  const files = new Map<string, Seen>();
  const calibration = watchCalibration(folder);
  const kinds = new Map<string, Kind>();
  const queue = new Map<string, FrameRecord>();
  const judged = new Map<string, { readonly record: FrameRecord; readonly diagnosis: FrameDiagnosis }>();
  const standing = new Map<string, { cause: Cause; frames: number }>();
  const told = new Set<string>();
  let lastChange = NaN;
  let lastFrame = NaN;
  let lastExposure = 0;
  let silent = false;

  /** A file that was moved within the folder keeps its place in the night. */
  const rename = (from: string, to: string): void => {
    files.set(to, files.get(from) as Seen);
    files.delete(from);
    const verdict = judged.get(from);
    if (verdict === undefined) return;
    const record = { ...verdict.record, file: to };
    judged.delete(from);
    judged.set(to, { ...verdict, record });
    for (const kind of kinds.values()) {
      kind.rows = kind.rows.map((row) => row.record.file === from ? { ...row, record } : row);
    }
  };

  /** Files that have stopped growing since the look before, oldest first; null when the folder cannot be listed. */
  const stillFiles = (milliseconds: number): { ready: string[]; arriving: number } | null => {
    const ready: { file: string; modified: number }[] = [];
    let arriving = 0;
    const states = fileStates(folder);
    if (states === null) return null;
    const there = new Set(states.map((each) => each.file));
    const gone = new Map([...files].flatMap(([file, { stamp }]) => there.has(file) ? [] : [[stamp, file] as const]));
    for (const { file, bytes, modified } of states) {
      const stamp = `${bytes} ${modified}`;
      const before = files.has(file) ? undefined : gone.get(stamp);
      if (before !== undefined && judged.has(before)) rename(before, file);
      const known = files.get(file);
      if (known === undefined || known.stamp !== stamp) {
        files.set(file, { stamp, still: 0, settled: false, refused: false });
        calibration.forget(file);
        queue.delete(file);
        lastChange = milliseconds;
        arriving++;
        continue;
      }
      if (known.settled) continue;
      known.still++;
      if (known.refused && known.still % Math.ceil(used.askAgain) !== 0) continue;
      if (bytes === 0 && known.still < used.patience) arriving++;
      else ready.push({ file, modified });
    }
    for (const file of gone.values()) {
      calibration.forget(file);
      queue.delete(file);
      if (!judged.has(file)) files.delete(file);
    }
    ready.sort((a, b) => a.modified - b.modified || (a.file < b.file ? -1 : 1));
    return { ready: ready.map((each) => each.file), arriving };
  };

  /** Earlier frames to compare with: the last ones, and of those before them some from all of the night. */
  const companionsOf = (rows: readonly NightRow[]): readonly NightRow[] => {
    const most = Math.floor(used.companions);
    if (rows.length <= most) return rows;
    const recent = rows.slice(-Math.ceil(most / 3));
    const before = rows.slice(0, -recent.length);
    const wanted = most - recent.length;
    const step = before.length / wanted;
    return [...Array.from({ length: wanted }, (_, i) => before[Math.floor(i * step)]), ...recent];
  };

  /** Stars that grow from frame to frame while each is still good enough. */
  const focusNews = (key: string, rows: readonly NightRow[]): WatchNews[] => {
    const kept = rows.filter((row) => judged.get(row.record.file)?.diagnosis.verdict !== "reject").slice(-6);
    const widths = kept.map((row) => row.quality?.fwhmPixels ?? NaN).filter((each) => each > 0);
    if (widths.length < 6) return [];
    const mean = (list: readonly number[]) => list.reduce((a, b) => a + b) / list.length;
    const before = mean(widths.slice(0, 2));
    const now = mean(widths.slice(4));
    const between = mean(widths.slice(2, 4));
    const growing = now > (1 + used.focusGrowth) * before && between > before && now > between;
    const mark = `focus ${key}`;
    if (!growing) {
      if (now < 1.05 * before) told.delete(mark);
      return [];
    }
    if (told.has(mark)) return [];
    told.add(mark);
    return [{
      kind: "warning",
      file: kept[kept.length - 1].record.file,
      text: `stars have grown from ${before.toFixed(2)} to ${
        now.toFixed(2)
      } px over the last six frames: the focus may be drifting; focus again now, before frames are lost`,
    }];
  };

  /** What to say of a light that has been judged. */
  const frameNews = (row: NightRow, diagnosis: FrameDiagnosis, alone: boolean): WatchNews[] => {
    const { record, quality } = row;
    const file = record.file;
    if (quality === null) {
      return [{ kind: "trouble", file, text: `${row.problem ?? "cannot be measured"}` }];
    }
    const width = quality.fwhmPixels > 0
      ? `FWHM ${quality.fwhmPixels.toFixed(2)} px${
        quality.fwhmArcsec === null ? "" : ` (${quality.fwhmArcsec.toFixed(1)} arcsec)`
      }`
      : "no width";
    const light = Number.isFinite(diagnosis.transparency) && !alone
      ? `, ${percent(diagnosis.transparency)} of the night's light`
      : "";
    const impression = alone ? firstImpression(quality) : null;
    const first = impression ?? diagnosis.causes[0];
    const verdict = impression === null ? diagnosis.verdict : "reject";
    const news: WatchNews[] = [{
      kind: "frame",
      file,
      text: `${quality.starCount} stars, ${width}, sky ${
        quality.background.toFixed(quality.background < 100 ? 1 : 0)
      } ADU${light}: ${verdict}`,
    }];
    // One telescope has one trouble: a fault is followed through all filters of a rig.
    const before = standing.get(record.rig);
    if (verdict === "keep") {
      if (before !== undefined) {
        standing.delete(record.rig);
        news.push({
          kind: "relief",
          file,
          text: `good again after ${before.frames} frame${before.frames === 1 ? "" : "s"} (${before.cause})`,
        });
      }
      return news;
    }
    if (before !== undefined && before.cause === first) {
      before.frames++;
      return news;
    }
    standing.set(record.rig, { cause: first, frames: 1 });
    const name = impression === null
      ? diagnosis.cause
      : impression === "lens cap or shutter closed"
      ? "no stars: cap, cloud, or far out of focus"
      : impression;
    const evidence = impression === null ? `; ${diagnosis.evidence}` : "";
    news.push({
      kind: "warning",
      file,
      text: `${plainWords[first]} (${name})${evidence}. What helps: ${remedies[first]}`,
    });
    return news;
  };

  /** Put whole files into the queue; gives the number of those that may still be on their way. */
  const readHeaders = (ready: readonly string[], news: WatchNews[]): number => {
    let arriving = 0;
    for (const file of ready) {
      const seen = files.get(file) as Seen;
      try {
        const { record } = readRecordOf(folder, file, filterNames);
        seen.settled = true;
        if (record.kind === "light" || isCalibration(record)) queue.set(file, record);
        else {
          const text = record.kind === "unknown"
            ? "the header does not say what this exposure is for; it is not judged"
            : "a colour picture cannot calibrate raw frames; it is not used";
          news.push({ kind: "trouble", file, text });
        }
      } catch (error) {
        if (!(error instanceof FrameError)) throw error;
        // it may still be on its way: ask again while there is patience
        if (seen.still < used.patience) arriving++;
        else if (!seen.refused) {
          seen.refused = true;
          news.push({ kind: "trouble", file, text: error.message.replace(`${error.path}: `, "") });
        }
      }
    }
    return arriving;
  };

  const measure = (records: readonly FrameRecord[], chosen: readonly ChosenCalibration[]): NightRow[] => {
    const corrections = chosen.map((each) => each.correction());
    const jobs = records.map((record, at) => ({
      path: join(folder, record.file),
      bayer: record.bayer,
      correction: corrections[at],
      facts: record,
      thumbnailWidth: null,
    }));
    return parallelMap(measureLightTask, jobs, { label: "measuring new frames" })
      .map(({ quality, failure }, at) => ({
        record: records[at],
        quality,
        problem: failure?.replaceAll(`${folder}/`, "") ?? null,
        darkLevel: corrections[at]?.subtract ? 0 : null,
      }));
  };

  /** Take the calibration that fits just now; what a person should know of it. */
  const calibrate = (key: string, light: FrameRecord): WatchNews[] => {
    const kind = kinds.get(key) ?? { calibration: null, rows: [] };
    const chosen = calibration.chosenFor(light);
    kinds.set(key, kind);
    if (kind.calibration?.key === chosen.key) return [];
    const first = kind.calibration === null;
    const again = kind.rows.slice(-Math.ceil(used.measuredAgain));
    kind.calibration = chosen;
    // without calibration it is the same measurement
    kind.rows = again.length === 0 ? [] : measure(again.map((row) => row.record), again.map(() => chosen));
    const name = [light.rig, light.filter].filter((each) => each !== "").join(" · ");
    const broken = chosen.words !== "" && chosen.correction() === null;
    const text = broken
      ? `${name}: ${chosen.words} cannot be combined; the lights are measured as they are`
      : chosen.words !== ""
      ? `${name}: lights are calibrated with ${chosen.words}${first ? "" : " from here on"}`
      : `${name}: no dark and no flat fits; lights are measured as they are. Darks and flats put into the folder are used at once`;
    return [{ kind: "calibration", file: "", text }];
  };

  /** Measure and judge the lights that have waited longest. */
  const measureNext = (milliseconds: number): WatchNews[] => {
    const news: WatchNews[] = [];
    const lights = [...queue.values()].slice(0, Math.ceil(used.filesALook));
    for (const { file } of lights) queue.delete(file);
    for (const light of lights) news.push(...calibrate(groupKey(light), light));
    const kindOf = (light: FrameRecord) => kinds.get(groupKey(light)) as Kind;
    const rows = measure(lights, lights.map((light) => kindOf(light).calibration as ChosenCalibration));
    for (const row of rows) {
      const { record, quality } = row;
      const { file } = record;
      const kind = kindOf(record);
      kind.rows = kind.rows.filter((each) => each.record.file !== file);
      const others = companionsOf(kind.rows);
      const { frames } = diagnoseNight([...others, row]);
      const diagnosis = frames[frames.length - 1];
      const alone = others.length < 4;
      kind.rows.push(row);
      const said = frameNews(row, diagnosis, alone);
      const lost = alone && quality !== null && firstImpression(quality) !== null;
      judged.set(file, { record, diagnosis: lost ? { ...diagnosis, verdict: "reject" } : diagnosis });
      news.push(...said, ...focusNews(groupKey(record), kind.rows));
      lastFrame = milliseconds;
      lastExposure = record.exposureSeconds ?? 0;
      silent = false;
    }
    return news;
  };

  const look = (milliseconds: number): WatchLook => {
    if (!Number.isFinite(milliseconds)) {
      throw new RangeError(`watchNight: milliseconds must be finite, but got ${milliseconds}`);
    }
    if (Number.isNaN(lastChange)) lastChange = milliseconds;
    const listed = stillFiles(milliseconds);
    if (listed === null) {
      const first = !told.has("away");
      told.add("away");
      const text = "the folder cannot be listed; is the drive there?";
      return { news: first ? [{ kind: "trouble", file: "", text }] : [], arriving: 0, waiting: 0 };
    }
    told.delete("away");
    const news: WatchNews[] = [];
    const arriving = listed.arriving + readHeaders(listed.ready, news);
    const now = [...queue.values()].filter(isCalibration).slice(0, Math.ceil(used.filesALook));
    for (const { file } of now) queue.delete(file);
    for (const { file, text } of calibration.add(now)) news.push({ kind: "trouble", file, text });
    // lights wait until all calibration frames that are there are known
    if (now.length === 0) news.push(...measureNext(milliseconds));
    const waiting = queue.size;
    if (!silent && waiting === 0 && milliseconds - lastFrame > 1000 * (3 * lastExposure + 120)) {
      silent = true;
      const minutes = Math.round((milliseconds - lastFrame) / 60000);
      news.push({ kind: "silence", file: "", text: `no new light for ${minutes} min: has the capture stopped?` });
    }
    return { news, arriving, waiting };
  };

  const standingNow = (): WatchStanding => {
    const kept = [...judged.values()].filter((each) => each.diagnosis.verdict !== "reject");
    const keptSeconds = kept.reduce((sum, each) => sum + (each.record.exposureSeconds ?? 0), 0);
    return { lights: judged.size, kept: kept.length, keptSeconds };
  };

  const summary = (): readonly string[] => {
    const causes = new Map<string, number>();
    for (const { diagnosis: { verdict, cause } } of judged.values()) {
      if (verdict === "reject") causes.set(cause, (causes.get(cause) ?? 0) + 1);
    }
    const lost = [...causes].sort((a, b) => b[1] - a[1]).map(([cause, count]) => `${count} × ${cause}`).join(", ");
    const { lights, kept, keptSeconds } = standingNow();
    const frames = calibration.count();
    const seen = `${frames} calibration frame${frames === 1 ? "" : "s"} seen`;
    return lights === 0 ? [`no light seen${frames > 0 ? `, ${seen}` : ""}`] : [
      `${kept} of ${lights} lights are worth keeping (${exposureSpan(keptSeconds)})${
        lost === "" ? "" : `; lost: ${lost}`
      }`,
      seen,
    ];
  };

  return { look, lastChange: () => lastChange, summary, standing: standingNow };
}
