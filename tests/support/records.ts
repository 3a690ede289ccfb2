/** Frame records for tests of tables. */
import type { FrameRecord } from "../../lib/core/frame_record.ts";

/** A light of rig Long; change what matters. */
export const recordOf = (parts: Partial<FrameRecord>): FrameRecord => ({
  kind: "light",
  filter: "Ha",
  exposureSeconds: 300,
  gainSetting: 56,
  electronsPerAdu: 2,
  offsetSetting: 30,
  sensorTemperatureC: -10,
  setTemperatureC: -10,
  binning: 1,
  width: 960,
  height: 720,
  planes: 1,
  bayer: null,
  rig: "Long",
  dateUtc: "2026-10-03T22:00:00",
  object: "Lantern Nebula",
  pixelSizeMicrometres: 5.4,
  focalLengthMillimetres: 810,
  arcsecPerPixel: 1.375,
  fullScaleAdu: 16383,
  path: "light.fits",
  file: "light.fits",
  bytes: 1,
  session: "2026-10-03",
  ...parts,
});

/** Several records that differ in file name. */
export const several = (n: number, name: string, parts: Partial<FrameRecord>): FrameRecord[] =>
  Array.from(
    { length: n },
    (_, i) => recordOf({ ...parts, path: `${name}-${i + 1}.fits`, file: `${name}-${i + 1}.fits` }),
  );
