/** Looks over a night while it runs: measures each new frame as it appears and says at once what goes wrong. */
import { join } from "node:path";
import { FrameError } from "../core/errors.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import { filterNames } from "../io/filter_names.ts";
import { readFits } from "../io/read_fits.ts";
import { fileStates, readRecordOf } from "../io/read_night.ts";
import { parallelMap } from "../kernels/pool.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { type Cause, remedies } from "../night/causes.ts";
import { diagnoseNight, type FrameDiagnosis, groupKey, type NightRow } from "../night/diagnose_night.ts";
import { matchCalibration } from "../night/match_calibration.ts";
import { median } from "../stats/median.ts";
import { measureLightTask } from "./measure_light.ts";

/** Options of {@linkcode watchNight}. */
export interface WatchNightOptions {
  /** Looks in which a file that cannot be read may stay unchanged before it is told: it may still be on its way. */
  readonly patience: number;
  /** Files measured in one look at most, so that the caller gets a turn. */
  readonly filesALook: number;
  /** Earlier frames of its kind that a frame is compared with at most. */
  readonly companions: number;
  /** Growth of the stars over six frames that is told as a drift of the focus before a frame is lost. */
  readonly focusGrowth: number;
}

/**
 * What {@linkcode watchNight} uses for an option left out. At a look every few seconds a file may take a quarter of a minute to arrive;
 * sixty frames tell the night's level to a tenth of its scatter; stars 12 % wider cost a fifth of a frame's depth for points.
 */
export const watchNightDefaults: WatchNightOptions = Object.freeze({
  patience: 4,
  filesALook: 4,
  companions: 60,
  focusGrowth: 0.12,
});

/** Something to tell. */
export interface WatchNews {
  /** `frame`: one line on a light; `warning`: something is wrong now; `relief`: it is over; `trouble`: a file that cannot be used;
   * `silence`: no new frame. */
  readonly kind: "frame" | "warning" | "relief" | "trouble" | "silence";
  /** The file; `""` for silence and trouble with the folder. */
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
  /** Lights worth keeping so far. */
  readonly kept: () => number;
}

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
  "part of the field hidden": "something stands before a part of the field",
  "overexposed": "too bright for the sensor",
  "corrupt file": "the file is damaged",
  "duplicate": "the same frame once more",
  "wrong calibration": "the calibration does not fit",
});

const percent = (share: number): string => `${Math.round(share * 100)} %`;

/** What a frame alone shows, when there are none to compare it with. */
function firstImpression(q: FrameQuality): Cause | null {
  const e2 = q.eccentricity ** 2, ratio = 1 / Math.sqrt(1 - Math.min(0.999, e2));
  if (q.starCount < 3) return "lens cap or shutter closed";
  if (q.saturatedShare > 0.2) return "overexposed";
  if (q.doubling !== null) return "guiding jump";
  if (q.centralLevel < 0.8) return "defocus";
  return ratio > 1.35 && q.alignment > 0.6 ? "drift trailing" : null;
}

/** A file and how it stood at the last look. */
interface Seen {
  stamp: string;
  still: number;
  settled: boolean;
}

/**
 * Watch a folder in which a night is being taken. Each call of `look` reads what is new: a file whose size has not changed since the
 * look before, and that is as long as its header says, is measured as it is (without calibration) and judged against the frames
 * of its kind so far; the first four by themselves. A fault that goes on is told once, and once more when it is over.
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
 * assert.equal(watch.kept(), 0);
 * ```
 */
export function watchNight(folder: string, options: Partial<WatchNightOptions> = {}): NightWatch {
  const used = settle("watchNight", watchNightDefaults, options);
  for (const [name, value] of Object.entries(used)) {
    if (!(value > 0)) throw new RangeError(`watchNight: ${name} must be > 0, but got ${value}`);
  }
  const files = new Map<string, Seen>(), calibration: FrameRecord[] = [];
  const groups = new Map<string, NightRow[]>(), judged = new Map<string, FrameDiagnosis>();
  const standing = new Map<string, { cause: Cause; frames: number }>(), told = new Set<string>();
  const darkLevels = new Map<string, number>();
  let lastChange = NaN, lastFrame = NaN, lastExposure = 0, silent = false;

  /** Level of a dark of the light's exposure, when there is one already. */
  const darkLevelFor = (light: FrameRecord): number | null => {
    const [match] = matchCalibration([light, ...calibration]).matches;
    const dark = match?.dark?.scale === 1 ? match.dark.frames[0] : undefined;
    if (dark === undefined) return null;
    const known = darkLevels.get(dark.file);
    if (known !== undefined) return known;
    try {
      const level = median(readFits(join(folder, dark.file)).planes[0].data.filter((_, i) => i % 7 === 0));
      darkLevels.set(dark.file, level);
      return level;
    } catch (error) {
      if (!(error instanceof FrameError)) throw error;
      return null;
    }
  };

  /** Files that have stopped growing since the look before, oldest first. */
  const stillFiles = (milliseconds: number): { ready: string[]; arriving: number } | null => {
    const ready: { file: string; modified: number }[] = [];
    let arriving = 0;
    const states = fileStates(folder);
    if (states === null) return null;
    for (const { file, bytes, modified } of states) {
      const stamp = `${bytes} ${modified}`, known = files.get(file);
      if (known === undefined || known.stamp !== stamp) {
        files.set(file, { stamp, still: 0, settled: false });
        lastChange = milliseconds;
        arriving++;
        continue;
      }
      if (known.settled) continue;
      known.still++;
      if (bytes === 0 && known.still < used.patience) arriving++;
      else ready.push({ file, modified });
    }
    ready.sort((a, b) => a.modified - b.modified || (a.file < b.file ? -1 : 1));
    return { ready: ready.map((each) => each.file), arriving };
  };

  /** Earlier frames to compare with: the last ones, and of those before them some from all of the night. */
  const companionsOf = (rows: readonly NightRow[]): readonly NightRow[] => {
    const most = Math.floor(used.companions);
    if (rows.length <= most) return rows;
    const recent = rows.slice(-Math.ceil(most / 3)), before = rows.slice(0, -recent.length);
    const wanted = most - recent.length, step = before.length / wanted;
    return [...Array.from({ length: wanted }, (_, i) => before[Math.floor(i * step)]), ...recent];
  };

  /** Stars that grow from frame to frame while each is still good enough. */
  const focusNews = (key: string, rows: readonly NightRow[]): WatchNews[] => {
    const kept = rows.filter((row) => judged.get(row.record.file)?.verdict !== "reject").slice(-6);
    const widths = kept.map((row) => row.quality?.fwhmPixels ?? NaN).filter((each) => each > 0);
    if (widths.length < 6) return [];
    const mean = (list: readonly number[]) => list.reduce((a, b) => a + b) / list.length;
    const before = mean(widths.slice(0, 2)), now = mean(widths.slice(4)), between = mean(widths.slice(2, 4));
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
    const { record, quality } = row, file = record.file;
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
      text: `${quality.starCount} stars, ${width}, sky ${quality.background.toFixed(0)} ADU${light}: ${verdict}`,
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
    const { ready, arriving: growing } = listed, now = ready.slice(0, Math.ceil(used.filesALook));
    const news: WatchNews[] = [], lights: FrameRecord[] = [];
    let arriving = growing;
    for (const file of now) {
      const seen = files.get(file) as Seen;
      try {
        const { record } = readRecordOf(folder, file, filterNames);
        seen.settled = true;
        if (record.kind === "light") lights.push(record);
        else if (record.kind === "unknown") {
          news.push({
            kind: "trouble",
            file,
            text: "the header does not say what this exposure is for; it is not judged",
          });
        } else calibration.push(record);
      } catch (error) {
        if (!(error instanceof FrameError)) throw error;
        // it may still be on its way: ask again while there is patience
        if (seen.still < used.patience) {
          arriving++;
          continue;
        }
        seen.settled = true;
        news.push({ kind: "trouble", file, text: error.message.replace(`${error.path}: `, "") });
      }
    }
    const jobs = lights.map((record) => ({
      path: join(folder, record.file),
      bayer: record.bayer,
      correction: null,
      facts: record,
    }));
    const measured = parallelMap(measureLightTask, jobs, { label: "measuring new frames" });
    lights.forEach((record, i) => {
      const { quality, failure } = measured[i];
      const row: NightRow = { record, quality, problem: failure, darkLevel: darkLevelFor(record) };
      const key = groupKey(record), rows = groups.get(key) ?? [];
      groups.set(key, rows);
      const others = companionsOf(rows.filter((each) => each.record.file !== record.file));
      const { frames } = diagnoseNight([...others, row]);
      const diagnosis = frames[frames.length - 1], alone = others.length < 4;
      const at = rows.findIndex((each) => each.record.file === record.file);
      if (at >= 0) rows[at] = row;
      else rows.push(row);
      const said = frameNews(row, diagnosis, alone);
      judged.set(
        record.file,
        alone && quality !== null && firstImpression(quality) !== null
          ? { ...diagnosis, verdict: "reject" }
          : diagnosis,
      );
      news.push(...said, ...focusNews(key, rows));
      lastFrame = milliseconds;
      lastExposure = record.exposureSeconds ?? 0;
      silent = false;
    });
    const waiting = ready.length - now.length;
    if (!silent && waiting === 0 && milliseconds - lastFrame > 1000 * (3 * lastExposure + 120)) {
      silent = true;
      const minutes = Math.round((milliseconds - lastFrame) / 60000);
      news.push({ kind: "silence", file: "", text: `no new light for ${minutes} min: has the capture stopped?` });
    }
    return { news, arriving, waiting };
  };

  const kept = (): number => [...judged.values()].filter((each) => each.verdict !== "reject").length;

  const summary = (): readonly string[] => {
    const causes = new Map<string, number>();
    for (const { verdict, cause } of judged.values()) {
      if (verdict === "reject") causes.set(cause, (causes.get(cause) ?? 0) + 1);
    }
    const lost = [...causes].sort((a, b) => b[1] - a[1]).map(([cause, count]) => `${count} × ${cause}`).join(", ");
    const seconds = [...groups.values()].flat().reduce(
      (sum, { record }) => sum + (judged.get(record.file)?.verdict === "reject" ? 0 : record.exposureSeconds ?? 0),
      0,
    );
    const span = seconds >= 5400 ? `${(seconds / 3600).toFixed(1)} h` : `${Math.round(seconds / 60)} min`;
    return judged.size === 0
      ? [`no light seen${calibration.length > 0 ? `, ${calibration.length} calibration frames` : ""}`]
      : [
        `${kept()} of ${judged.size} lights are worth keeping (${span})${lost === "" ? "" : `; lost: ${lost}`}`,
        `${calibration.length} calibration frames seen`,
      ];
  };

  return { look, lastChange: () => lastChange, summary, kept };
}
