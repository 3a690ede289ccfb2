/** One row of a night: what a file says of itself, without pixels. */
import type { BayerPattern, Region } from "./geometry.ts";

/** What an exposure is for. `master-…` are ready-made combinations; `unknown` when the header does not say. */
export type FrameKind =
  | "light"
  | "dark"
  | "flat"
  | "bias"
  | "flat-dark"
  | "master-dark"
  | "master-flat"
  | "master-bias"
  | "master-flat-dark"
  | "stack"
  | "unknown";

/** Parts of a frame as its header names them, in stored pixels. */
export interface FrameSections {
  /** Part that holds the picture. */
  readonly picture: Region;
  /** Columns read without light, beside it; null when there are none that give each row its level. */
  readonly overscan: Region | null;
}

/** Facts a header states, in our units; `null` where it is silent. */
export interface FrameFacts {
  /** What the exposure is for. */
  readonly kind: FrameKind;
  /**
   * Filter as a channel name after the alias table (`Ha`, `OIII`, `SII`, `L`, `R`, `G`, `B`), else as written, `""`
   * for none.
   */
  readonly filter: string;
  /** Exposure in seconds. */
  readonly exposureSeconds: number | null;
  /** Gain setting of the camera (its own scale). */
  readonly gainSetting: number | null;
  /** Electrons per ADU. */
  readonly electronsPerAdu: number | null;
  /** Offset setting of the camera (its own scale). */
  readonly offsetSetting: number | null;
  /** Sensor temperature, °C. */
  readonly sensorTemperatureC: number | null;
  /** Temperature the cooler was set to, °C. */
  readonly setTemperatureC: number | null;
  /** Binning along x. */
  readonly binning: number;
  /** Columns as stored. */
  readonly width: number;
  /** Rows as stored. */
  readonly height: number;
  /** Planes as stored. */
  readonly planes: number;
  /** Mosaic seen from the first stored pixel, with the header's offsets and row order applied; null for mono. */
  readonly bayer: BayerPattern | null;
  /** Name of the camera and telescope, as one key: frames of one rig go together. */
  readonly rig: string;
  /** Start of the exposure, ISO 8601 UTC without zone (`2026-10-03T21:04:10.5`), else `null`. */
  readonly dateUtc: string | null;
  /**
   * Thickness of air over that in the zenith, stated or from the altitude; left out or null when the header is silent.
   */
  readonly airmass?: number | null;
  /** Target. */
  readonly object: string;
  /** Pixel size in micrometres, binning included. */
  readonly pixelSizeMicrometres: number | null;
  /** Focal length in millimetres. */
  readonly focalLengthMillimetres: number | null;
  /** Arcseconds a pixel, from pixel size and focal length or from the WCS. */
  readonly arcsecPerPixel: number | null;
  /** Largest value the sensor can deliver, ADU, when the header or the data type tells. */
  readonly fullScaleAdu: number | null;
  /** Picture and overscan, where the header names them and there is something to trim; left out otherwise. */
  readonly sections?: FrameSections;
  /** Share of the frame that is a blank border, where most lights of its sensor have one; left out for none. */
  readonly blankShare?: number;
}

/** A file of a night with its facts. */
export interface FrameRecord extends FrameFacts {
  /** Where the file is, for whatever reads its pixels; enters no table and no record. */
  readonly path: string;
  /** Path relative to the night's folder, with `/`. */
  readonly file: string;
  /** Size in bytes. */
  readonly bytes: number;
  /** Which night it belongs to: the UTC date of the noon before, `2026-10-03`; `""` without a date. */
  readonly session: string;
}
