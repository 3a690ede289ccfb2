/** Looks over a night while it runs: measures each new frame as it appears and says at once what goes wrong. */
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import { isCalibration } from "./check_calibration.ts";
import { watchCalibration } from "./watch_calibration.ts";
import { watchFiles } from "./watch_files.ts";
import { type WatchedLight, watchLights } from "./watch_lights.ts";
import type { WatchNews } from "./watch_news.ts";
import { watchNightDefaults, type WatchNightOptions } from "./watch_night_options.ts";

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

/** Time without a new light, beyond three exposures, from which on it is told, seconds. */
const silenceSeconds = 120;

/** How the judged lights stand. */
function standingOf(lights: readonly WatchedLight[]): WatchStanding {
  const kept = lights.filter((each) => each.diagnosis.verdict !== "reject");
  const keptSeconds = kept.reduce((sum, each) => sum + (each.record.exposureSeconds ?? 0), 0);
  return { lights: lights.length, kept: kept.length, keptSeconds };
}

/**
 * The night in sentences: what is worth keeping, what was lost to which cause, how many calibration frames there are.
 */
function summarise(lights: readonly WatchedLight[], calibrationFrames: number): readonly string[] {
  const seen = `${calibrationFrames} calibration frame${calibrationFrames === 1 ? "" : "s"} seen`;
  if (lights.length === 0) return [`no light seen${calibrationFrames > 0 ? `, ${seen}` : ""}`];
  const causes = new Map<string, number>();
  for (const { diagnosis: { verdict, cause } } of lights) {
    if (verdict === "reject") causes.set(cause, (causes.get(cause) ?? 0) + 1);
  }
  const lost = [...causes].sort((a, b) => b[1] - a[1]).map(([cause, count]) => `${count} × ${cause}`).join(", ");
  const { kept, keptSeconds } = standingOf(lights);
  return [
    `${kept} of ${lights.length} lights are worth keeping (${exposureSpan(keptSeconds)})${
      lost === "" ? "" : `; lost: ${lost}`
    }`,
    seen,
  ];
}

/** Tells once when no light comes any more. */
function silenceTeller(): {
  readonly light: (milliseconds: number, record: FrameRecord) => void;
  readonly news: (milliseconds: number) => WatchNews[];
} {
  let lastLight = NaN;
  let lastExposure = 0;
  let told = false;
  return {
    light: (milliseconds, { exposureSeconds }) => {
      lastLight = milliseconds;
      lastExposure = exposureSeconds ?? 0;
      told = false;
    },
    news: (milliseconds) => {
      if (told || !(milliseconds - lastLight > 1000 * (3 * lastExposure + silenceSeconds))) return [];
      told = true;
      const minutes = Math.round((milliseconds - lastLight) / 60000);
      return [{ kind: "silence", file: "", text: `no new light for ${minutes} min: has the capture stopped?` }];
    },
  };
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
  const calibration = watchCalibration(folder);
  const lights = watchLights(folder, used, calibration);
  const queue = new Map<string, FrameRecord>();
  const silence = silenceTeller();
  let lastChange = NaN;
  let away = false;

  const lookAtFiles = watchFiles(folder, used, {
    isJudged: (file) => lights.judged.has(file),
    moved: lights.rename,
    changed: (file) => {
      calibration.forget(file);
      queue.delete(file);
    },
  });

  /** Take the frames that have waited longest out of the queue. */
  const takeNext = (chosen: (record: FrameRecord) => boolean): FrameRecord[] => {
    const next = [...queue.values()].filter(chosen).slice(0, Math.ceil(used.filesALook));
    for (const { file } of next) queue.delete(file);
    return next;
  };

  /** Take in what waits: lights only once all calibration frames that are there are known. */
  const takeIn = (milliseconds: number): WatchNews[] => {
    const frames = takeNext(isCalibration);
    const wrong = calibration.add(frames).map(({ file, text }): WatchNews => ({ kind: "trouble", file, text }));
    if (frames.length > 0) return wrong;
    const next = takeNext(() => true);
    for (const record of next) silence.light(milliseconds, record);
    return [...wrong, ...lights.judge(next)];
  };

  const look = (milliseconds: number): WatchLook => {
    if (!Number.isFinite(milliseconds)) {
      throw new RangeError(`watchNight: milliseconds must be finite, but got ${milliseconds}`);
    }
    if (Number.isNaN(lastChange)) lastChange = milliseconds;
    const arrived = lookAtFiles();
    if (arrived === null) {
      const text = "the folder cannot be listed; is the drive there?";
      const news: WatchNews[] = away ? [] : [{ kind: "trouble", file: "", text }];
      away = true;
      return { news, arriving: 0, waiting: 0 };
    }
    away = false;
    if (arrived.anyNew) lastChange = milliseconds;
    for (const record of arrived.records) queue.set(record.file, record);
    const news = [...arrived.news, ...takeIn(milliseconds)];
    if (queue.size === 0) news.push(...silence.news(milliseconds));
    return { news, arriving: arrived.arriving, waiting: queue.size };
  };

  const judged = () => [...lights.judged.values()];
  return {
    look,
    lastChange: () => lastChange,
    summary: () => summarise(judged(), calibration.count()),
    standing: () => standingOf(judged()),
  };
}
