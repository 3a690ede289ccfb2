/** Lights of a night that one set of masters can calibrate. */
import type { FrameRecord } from "../core/frame_record.ts";

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

/** A number as messages write it: to a thousandth. */
export const numberText = (value: number): string => String(Math.round(value * 1000) / 1000);

/** Temperature of the sensor, measured or else set, °C; null when neither is stated. */
export const temperatureOf = (record: FrameRecord): number | null =>
  record.sensorTemperatureC ?? record.setTemperatureC;

/** Median, the upper one of two so that it is one of the values; null when there are none. */
export function upperMedian(values: readonly number[]): number | null {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted.length === 0 ? null : sorted[sorted.length >> 1];
}

/** Lights with the same key share everything that calibration depends on. */
function lightGroupKey(record: FrameRecord): string {
  const cooler = record.setTemperatureC === null ? "uncooled" : Math.round(record.setTemperatureC);
  return JSON.stringify([
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
}

/** What the lights of a group have in common. */
function describeGroup(lights: readonly FrameRecord[]): LightGroup {
  const { rig, session, filter, exposureSeconds, gainSetting, offsetSetting, binning, width, height } = lights[0];
  const temperatures = lights.map(temperatureOf).filter((each) => each !== null);
  const name = [rig, session, filter, exposureSeconds === null ? "" : `${numberText(exposureSeconds)} s`]
    .filter((each) => each !== "").join(" · ");
  return {
    name: name === "" ? "lights" : name,
    rig,
    session,
    filter,
    exposureSeconds,
    gainSetting,
    offsetSetting,
    temperatureC: upperMedian(temperatures),
    cooled: lights[0].setTemperatureC !== null,
    binning,
    width,
    height,
    lights,
  };
}

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
    const key = lightGroupKey(record);
    const list = groups.get(key);
    if (list === undefined) groups.set(key, [record]);
    else list.push(record);
  }
  return [...groups.values()].map(describeGroup);
}
