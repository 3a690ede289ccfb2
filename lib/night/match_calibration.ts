/** Which darks, flats and bias frames belong to which lights, and why the others do not. */
import type { FrameKind, FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";

/** Options of {@linkcode matchCalibration}. */
export interface MatchCalibrationOptions {
  /** Largest difference of sensor temperature between a light and its dark, kelvin, with a cooler. */
  readonly temperatureToleranceC: number;
  /** The same without a cooler, where the temperature wanders by itself. */
  readonly temperatureToleranceUncooledC: number;
  /** Largest relative difference of exposure that still counts as equal. */
  readonly exposureToleranceShare: number;
  /** Whether a dark of another exposure may be scaled when there is bias to take off first. */
  readonly scaleDarks: boolean;
  /** Rigs whose darks are not scaled whatever `scaleDarks` says: those with amplifier glow. */
  readonly glowingRigs: readonly string[];
  /** Frames of a set from which on loose frames are preferred to a ready-made master. */
  readonly minimumFrames: number;
  /** Files that are not to be used, each with the reason: what `auditCalibration` refused. */
  readonly refused: Readonly<Record<string, string>>;
}

/**
 * What {@linkcode matchCalibration} uses for an option left out. Dark current doubles about every 6.5 K below freezing
 * and every 8 K at room temperature (Janesick 2001): 2 K is 24 % more of it, 5 K without a cooler 54 %, where hot
 * pixels still match. Exposures within 2 % leave 2 % of the dark current. Scaling is on only where bias exists; glow
 * of an amplifier, which does not scale, shows in the pixels: `auditCalibration` withdraws it then.
 */
export const matchCalibrationDefaults: MatchCalibrationOptions = Object.freeze({
  temperatureToleranceC: 2,
  temperatureToleranceUncooledC: 5,
  exposureToleranceShare: 0.02,
  scaleDarks: true,
  glowingRigs: Object.freeze([]),
  minimumFrames: 5,
  refused: Object.freeze({}),
});

/** Lights that share everything calibration depends on. */
export interface LightGroup {
  /** Short name for messages: `Long · 2026-10-03 · Ha · 300 s`. */
  readonly name: string;
  /** Camera and telescope. */
  readonly rig: string;
  /** Night. */
  readonly session: string;
  /** Filter. */
  readonly filter: string;
  /** Exposure, seconds. */
  readonly exposureSeconds: number | null;
  /** Gain setting. */
  readonly gainSetting: number | null;
  /** Offset setting. */
  readonly offsetSetting: number | null;
  /** Temperature of the sensor, °C: set temperature with a cooler, else the median of the group. */
  readonly temperatureC: number | null;
  /** Whether a cooler holds the temperature. */
  readonly cooled: boolean;
  /** Binning. */
  readonly binning: number;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** The lights, in the order given. */
  readonly lights: readonly FrameRecord[];
}

/** Frames to combine to one master, or a ready-made one. */
export interface CalibrationSet {
  /** What they are. */
  readonly kind: "dark" | "flat" | "bias" | "flat-dark";
  /** The files; one when `master`. */
  readonly frames: readonly FrameRecord[];
  /** Whether it is a ready-made master. */
  readonly master: boolean;
  /** Factor on the dark current (exposure of the light over that of the dark); 1 unless scaled. */
  readonly scale: number;
}

/** What belongs to one group of lights. */
export interface CalibrationMatch {
  /** The lights. */
  readonly group: LightGroup;
  /** Darks; null when none fits. */
  readonly dark: CalibrationSet | null;
  /** Flats; null when none fits. */
  readonly flat: CalibrationSet | null;
  /** Bias; null when none fits. */
  readonly bias: CalibrationSet | null;
  /** What to take off the flats: flat-darks, else darks of their exposure, else bias; null when nothing fits. */
  readonly flatDark: CalibrationSet | null;
  /** What a person should know: what is missing, what is second best. */
  readonly notes: readonly string[];
}

/** One line of `calibration.csv`. */
export interface CalibrationRow {
  /** Path of the file. */
  readonly file: string;
  /** What it is. */
  readonly kind: FrameKind;
  /** Filter. */
  readonly filter: string;
  /** Exposure, seconds. */
  readonly exposureSeconds: number | null;
  /** Sensor temperature, °C. */
  readonly temperatureC: number | null;
  /** Whether a master holds it. */
  readonly used: boolean;
  /** For which lights, or why not. */
  readonly reason: string;
}

/** Result of {@linkcode matchCalibration}. */
export interface CalibrationPlan {
  /** One entry a group of lights. */
  readonly matches: readonly CalibrationMatch[];
  /** One row a calibration file, in the order given. */
  readonly rows: readonly CalibrationRow[];
}

const number = (value: number): string => String(Math.round(value * 1000) / 1000);
const orNone = (value: number | null): string => value === null ? "not stated" : number(value);
const temperatureOf = (record: FrameRecord): number | null => record.sensorTemperatureC ?? record.setTemperatureC;
const sorted = (values: readonly number[]) => [...values].sort((a, b) => a - b);
const middle = (values: readonly number[]): number | null => {
  const s = sorted(values);
  return s.length === 0 ? null : s[s.length >> 1];
};
const count = (n: number, what: string): string => `${n} ${what}${n === 1 ? "" : "s"}`;

/**
 * Put lights that share rig, night, filter, exposure, gain, offset, set temperature, binning and size together, in
 * order of first appearance. Other kinds of frames are left out.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { groupLights } from "faintlight/parts";
 *
 * assert.deepEqual(groupLights([]), []);
 * ```
 */
export function groupLights(records: readonly FrameRecord[]): LightGroup[] {
  const groups = new Map<string, FrameRecord[]>();
  for (const record of records) {
    if (record.kind !== "light") continue;
    const cooler = record.setTemperatureC === null ? "uncooled" : Math.round(record.setTemperatureC);
    const key = JSON.stringify([
      record.rig,
      record.session,
      record.filter,
      record.exposureSeconds === null ? null : Number(record.exposureSeconds.toPrecision(3)),
      record.gainSetting,
      record.offsetSetting,
      cooler,
      record.binning,
      record.width,
      record.height,
    ]);
    const list = groups.get(key);
    if (list === undefined) groups.set(key, [record]);
    else list.push(record);
  }
  return [...groups.values()].map((lights) => {
    const { rig, session, filter, exposureSeconds, gainSetting, offsetSetting, binning, width, height } = lights[0];
    const temperatures = lights.map(temperatureOf).filter((each) => each !== null);
    const cooled = lights[0].setTemperatureC !== null;
    const name = [rig, session, filter, exposureSeconds === null ? "" : `${number(exposureSeconds)} s`]
      .filter((each) => each !== "").join(" · ");
    return {
      name: name === "" ? "lights" : name,
      rig,
      session,
      filter,
      exposureSeconds,
      gainSetting,
      offsetSetting,
      temperatureC: middle(temperatures),
      cooled,
      binning,
      width,
      height,
      lights,
    };
  });
}

/** A refusal: how far down the list of rules a file came, and why it stopped there. */
interface Refusal {
  readonly passed: number;
  readonly reason: string;
}

/** Rules that every calibration frame obeys, in the order a person would check them. */
function sameCamera(record: FrameRecord, group: LightGroup, settings: boolean): Refusal | null {
  if (record.rig !== group.rig) {
    return { passed: 0, reason: `taken with ${record.rig || "an unnamed rig"}, not ${group.rig || "the lights' rig"}` };
  }
  if (record.width !== group.width || record.height !== group.height || record.binning !== group.binning) {
    const size = (w: number, h: number, b: number) => `${w} × ${h} (binning ${b})`;
    return {
      passed: 1,
      reason: `size ${size(record.width, record.height, record.binning)}, lights ${
        size(group.width, group.height, group.binning)
      }`,
    };
  }
  if (!settings) return null;
  const differ = (a: number | null, b: number | null) => a !== null && b !== null && a !== b;
  if (differ(record.gainSetting, group.gainSetting)) {
    return { passed: 2, reason: `gain ${orNone(record.gainSetting)}, lights ${orNone(group.gainSetting)}` };
  }
  if (differ(record.offsetSetting, group.offsetSetting)) {
    return { passed: 3, reason: `offset ${orNone(record.offsetSetting)}, lights ${orNone(group.offsetSetting)}` };
  }
  return null;
}

const closeExposure = (a: number | null, b: number | null, tolerance: number): boolean =>
  a !== null && b !== null && Math.abs(a - b) <= Math.max(0.002, tolerance * Math.max(a, b));

/** Split candidates into loose frames and masters and choose. */
function chooseSet(
  kind: CalibrationSet["kind"],
  candidates: readonly FrameRecord[],
  enough: number,
  scale = 1,
): { set: CalibrationSet | null; passedOver: Map<string, string> } {
  const passedOver = new Map<string, string>();
  const masters = candidates.filter((record) => record.kind.startsWith("master-"));
  const loose = candidates.filter((record) => !record.kind.startsWith("master-"));
  if (loose.length >= enough || (loose.length > 0 && masters.length === 0)) {
    for (const each of masters) {
      passedOver.set(each.file, `${count(loose.length, "single frame")} of the same kind used instead`);
    }
    return { set: { kind, frames: loose, master: false, scale }, passedOver };
  }
  if (masters.length > 0) {
    const newest = [...masters].sort((a, b) => (b.dateUtc ?? "").localeCompare(a.dateUtc ?? ""))[0];
    for (const each of masters) {
      if (each !== newest) passedOver.set(each.file, "a newer master of the same kind used instead");
    }
    for (const each of loose) {
      passedOver.set(each.file, `only ${count(loose.length, "frame")}; the ready-made master used instead`);
    }
    return { set: { kind, frames: [newest], master: true, scale }, passedOver };
  }
  return { set: null, passedOver };
}

const isKind = (record: FrameRecord, kind: "dark" | "flat" | "bias" | "flat-dark") =>
  record.kind === kind || record.kind === `master-${kind}`;

/**
 * Choose darks, flats, bias and flat-darks for every group of lights, and say of each calibration file what it is used
 * for or why it was refused.
 *
 * Lights go together by rig, night, filter, exposure, gain, offset, set temperature, binning and size. A dark must
 * agree in rig, size, gain, offset, exposure and temperature (nearest exposure scaled when there is bias and
 * `scaleDarks`); a flat in rig, size and filter, of the same night, else of the nearest; bias in rig, size, gain,
 * offset. A setting that either header does not state is not held against a file. Ready-made masters are taken where
 * loose frames are too few.
 *
 * @param records all files of a night, as read from their headers
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { type FrameRecord, matchCalibration } from "faintlight";
 *
 * const light: FrameRecord = {
 *   kind: "light", filter: "Ha", exposureSeconds: 300, gainSetting: 56, electronsPerAdu: null, offsetSetting: 30,
 *   sensorTemperatureC: -10, setTemperatureC: -10, binning: 1, width: 960, height: 720, planes: 1, bayer: null,
 *   rig: "Long", dateUtc: "2026-10-03T22:00:00", object: "Lantern Nebula", pixelSizeMicrometres: 5.4,
 *   focalLengthMillimetres: 810, arcsecPerPixel: 1.375, fullScaleAdu: 16383, path: "light-01.fits", file: "light-01.fits",
 *   bytes: 1, session: "2026-10-03",
 * };
 * const dark: FrameRecord = { ...light, kind: "dark", filter: "", exposureSeconds: 120, file: "dark-01.fits" };
 * const plan = matchCalibration([light, dark]);
 * assert.equal(plan.matches[0].dark, null);
 * assert.match(plan.rows[0].reason, /exposure 120 s, lights 300 s/);
 * ```
 */
export function matchCalibration(
  records: readonly FrameRecord[],
  options: Partial<MatchCalibrationOptions> = {},
): CalibrationPlan {
  const used = settle("matchCalibration", matchCalibrationDefaults, options);
  const { temperatureToleranceC, temperatureToleranceUncooledC, exposureToleranceShare } = used;
  for (const each of [temperatureToleranceC, temperatureToleranceUncooledC, exposureToleranceShare]) {
    if (!(each >= 0)) throw new RangeError(`matchCalibration: tolerances must be ≥ 0, but got ${each}`);
  }
  const groups = groupLights(records);
  const listed = records.filter((record) =>
    isKind(record, "dark") || isKind(record, "flat") || isKind(record, "bias") || isKind(record, "flat-dark")
  );
  const calibration = listed.filter((record) => used.refused[record.file] === undefined);
  const uses = new Map<string, Set<string>>();
  const refusals = new Map<string, Refusal>();
  const use = (set: CalibrationSet | null, what: string) => {
    for (const frame of set?.frames ?? []) {
      const list = uses.get(frame.file) ?? new Set<string>();
      list.add(what);
      uses.set(frame.file, list);
    }
  };
  // Of several groups' refusals keep the one that came furthest: it tells most about what would have to change.
  const refuse = (record: FrameRecord, refusal: Refusal) => {
    const known = refusals.get(record.file);
    if (known === undefined || refusal.passed > known.passed) refusals.set(record.file, refusal);
  };
  const passOver = (map: Map<string, string>) => {
    for (const [file, reason] of map) {
      if ((refusals.get(file)?.passed ?? -1) < 9) refusals.set(file, { passed: 9, reason });
    }
  };

  const matches = groups.map((group): CalibrationMatch => {
    const notes: string[] = [];
    const tolerance = group.cooled ? temperatureToleranceC : temperatureToleranceUncooledC;
    const lightsOf = `${count(group.lights.length, "light")} (${group.name})`;

    // bias
    const biasFrames = calibration.filter((record) => {
      if (!isKind(record, "bias")) return false;
      const refusal = sameCamera(record, group, true);
      if (refusal !== null) refuse(record, refusal);
      return refusal === null;
    });
    const bias = chooseSet("bias", biasFrames, used.minimumFrames);
    passOver(bias.passedOver);

    // darks
    const offTemperature = (record: FrameRecord): number => {
      const t = temperatureOf(record);
      return t === null || group.temperatureC === null ? 0 : Math.abs(t - group.temperatureC);
    };
    const fitting: FrameRecord[] = [];
    const otherExposure: FrameRecord[] = [];
    for (const record of calibration) {
      if (!isKind(record, "dark")) continue;
      const refusal = sameCamera(record, group, true);
      if (refusal !== null) {
        refuse(record, refusal);
        continue;
      }
      if (offTemperature(record) > tolerance) {
        const now = temperatureOf(record) ?? NaN;
        const wanted = group.temperatureC ?? NaN;
        refuse(record, {
          passed: 4,
          reason: `sensor at ${number(now)} °C, lights at ${number(wanted)} °C: ${
            now > wanted ? "warmer, so it would take off too much" : "colder, so it would leave dark current"
          }`,
        });
        continue;
      }
      if (
        group.exposureSeconds === null ||
        closeExposure(record.exposureSeconds, group.exposureSeconds, exposureToleranceShare)
      ) {
        fitting.push(record);
      } else otherExposure.push(record);
    }
    let dark = chooseSet("dark", fitting, used.minimumFrames);
    if (
      dark.set === null && otherExposure.length > 0 && bias.set !== null && used.scaleDarks &&
      !used.glowingRigs.includes(group.rig)
    ) {
      // The longest exposure has the best-measured dark current.
      const exposures = otherExposure.map((record) => record.exposureSeconds ?? 0);
      const longest = Math.max(...exposures);
      if (longest > 1 && group.exposureSeconds !== null) {
        const chosen = otherExposure.filter((record) =>
          closeExposure(record.exposureSeconds, longest, exposureToleranceShare)
        );
        dark = chooseSet("dark", chosen, used.minimumFrames, group.exposureSeconds / longest);
        notes.push(
          `darks of ${number(longest)} s are scaled by ${
            number(group.exposureSeconds / longest)
          } after bias: valid only without amplifier glow; take darks of ${number(group.exposureSeconds)} s`,
        );
      }
    }
    passOver(dark.passedOver);
    for (const record of otherExposure) {
      if (dark.set?.frames.includes(record)) continue;
      refuse(record, {
        passed: 5,
        reason: `exposure ${orNone(record.exposureSeconds)} s, lights ${orNone(group.exposureSeconds)} s`,
      });
    }
    if (dark.set === null) {
      notes.push(
        bias.set === null
          ? "no dark and no bias fits: hot pixels and glow stay until rejection finds them; take darks with the lights' exposure, gain, offset and temperature"
          : "no dark fits: bias alone is taken off, hot pixels stay until rejection finds them",
      );
    }

    // flats
    const sameFilter: FrameRecord[] = [];
    for (const record of calibration) {
      if (!isKind(record, "flat")) continue;
      const refusal = sameCamera(record, group, false);
      if (refusal !== null) refuse(record, refusal);
      else if (record.filter !== group.filter) {
        refuse(record, {
          passed: 2,
          reason: `filter ${record.filter || "not stated"}, lights ${group.filter || "without filter"}`,
        });
      } else sameFilter.push(record);
    }
    const distance = (session: string): number => {
      const a = Date.parse(`${session}T12:00:00Z`);
      const b = Date.parse(`${group.session}T12:00:00Z`);
      return Number.isFinite(a) && Number.isFinite(b)
        ? Math.abs(a - b) / 86400000
        : session === group.session
        ? 0
        : 1e6;
    };
    const nearest = Math.min(...sameFilter.map((record) => distance(record.session)), Infinity);
    const night = sameFilter.filter((record) => distance(record.session) === nearest);
    const flat = chooseSet("flat", night, used.minimumFrames);
    passOver(flat.passedOver);
    for (const record of sameFilter) {
      if (night.includes(record)) continue;
      refuse(record, {
        passed: 6,
        reason: `of the night ${record.session || "unknown"}; flats of a nearer night exist`,
      });
    }
    if (flat.set === null) {
      notes.push(
        `no flat for ${
          group.filter || "these lights"
        }: vignetting and dust stay; take flats with the same focus and rotation`,
      );
    } else if (nearest > 0) {
      notes.push(
        `flats are of another night (${
          night[0].session || "unknown"
        }): dust may have moved and the camera may have been turned`,
      );
    }

    // what to take off the flats
    let flatDark: CalibrationSet | null = null;
    if (flat.set !== null && !flat.set.master) {
      const flats = flat.set.frames;
      const exposure = middle(flats.map((each) => each.exposureSeconds ?? 0)) ?? 0;
      const flatGroup: LightGroup = {
        ...group,
        gainSetting: flats[0].gainSetting,
        offsetSetting: flats[0].offsetSetting,
        exposureSeconds: exposure,
      };
      const suited: FrameRecord[] = [];
      for (const record of calibration) {
        if (!isKind(record, "flat-dark")) continue;
        const refusal = sameCamera(record, flatGroup, true);
        if (refusal !== null) refuse(record, { ...refusal, reason: refusal.reason.replace("lights", "flats") });
        // Dark current of seconds is small against a flat: half as long or twice will do.
        else if (!closeExposure(record.exposureSeconds, exposure, 0.5)) {
          refuse(record, {
            passed: 5,
            reason: `exposure ${orNone(record.exposureSeconds)} s, flats ${number(exposure)} s`,
          });
        } else suited.push(record);
      }
      const own = chooseSet("flat-dark", suited, 1);
      passOver(own.passedOver);
      const darks = calibration.filter((record) =>
        isKind(record, "dark") && sameCamera(record, flatGroup, true) === null &&
        closeExposure(record.exposureSeconds, exposure, 0.1)
      );
      const flatBias = calibration.filter((record) =>
        isKind(record, "bias") && sameCamera(record, flatGroup, true) === null
      );
      flatDark = own.set ?? chooseSet("dark", darks, used.minimumFrames).set ??
        chooseSet("bias", flatBias, used.minimumFrames).set;
      if (flatDark === null) {
        notes.push(
          "nothing to take off the flats: their offset counts as light and vignetting is undercorrected; take flat-darks or bias",
        );
      }
    }
    use(
      dark.set,
      `dark for ${lightsOf}${dark.set !== null && dark.set.scale !== 1 ? `, scaled by ${number(dark.set.scale)}` : ""}`,
    );
    use(flat.set, `flat for ${lightsOf}`);
    use(flatDark, `taken off the flats of ${group.filter || group.name}`);
    // Bias enters the lights only through scaled darks or in place of missing ones.
    const biasNeeded = dark.set === null || dark.set.scale !== 1;
    if (biasNeeded) use(bias.set, `bias for ${lightsOf}`);
    else if (flatDark === null || flatDark.kind !== "bias") {
      for (const record of biasFrames) {
        refuse(record, { passed: 8, reason: `not needed: the darks of ${group.name} contain the bias` });
      }
    }
    return { group, dark: dark.set, flat: flat.set, bias: bias.set, flatDark, notes };
  });

  const rows = listed.map((record): CalibrationRow => {
    const uses1 = uses.get(record.file);
    const reason = uses1 !== undefined
      ? [...uses1].join("; ")
      : used.refused[record.file] ?? refusals.get(record.file)?.reason ??
        (groups.length === 0 ? "no lights to calibrate" : "no lights of its kind to calibrate");
    return {
      file: record.file,
      kind: record.kind,
      filter: record.filter,
      exposureSeconds: record.exposureSeconds,
      temperatureC: temperatureOf(record),
      used: uses1 !== undefined,
      reason,
    };
  });
  return { matches, rows };
}
