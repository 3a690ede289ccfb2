/** The two invented rigs of the Kestrel Point club: optics, filters, sensor. */
import { square } from "./square.ts";
import type { BayerPattern } from "../core/geometry.ts";
import { type Passband, shapePassband, throughputAt } from "./photometry.ts";

/** Sensor and its electronics. */
export interface Detector {
  /** Bits of the converter. */
  readonly bits: number;
  /** Electrons per ADU. */
  readonly electronsPerAdu: number;
  /** Read noise, electrons. */
  readonly readNoise: number;
  /** Level added before conversion, ADU. */
  readonly offsetAdu: number;
  /** Electrons a pixel can hold. */
  readonly fullWell: number;
  /** Median dark current at `referenceC`, electrons a second. */
  readonly darkRate: number;
  /** Temperature of `darkRate`, °C. */
  readonly referenceC: number;
  /** Share of pixels with a dark current of their own. */
  readonly hotShare: number;
  /** Median and spread (natural logarithm) of the hot pixels' dark current, electrons a second. */
  readonly hotRate: readonly [number, number];
  /** Standard deviation of the response from pixel to pixel, share. */
  readonly responseSigma: number;
  /** Standard deviation of a row's common offset, new in each frame, electrons. */
  readonly rowNoise: number;
  /** Standard deviation of a column's fixed offset, electrons. */
  readonly columnPattern: number;
  /** Glow of the amplifier in the first pixel's corner, electrons a second. */
  readonly glowRate: number;
  /** Share of pixels that jump between two levels from frame to frame. */
  readonly telegraphShare: number;
  /** Height of those jumps, electrons. */
  readonly telegraphElectrons: number;
}

/** A telescope with its camera. */
export interface Rig {
  /** Name in the club. */
  readonly name: string;
  /** Telescope, as written in TELESCOP. */
  readonly telescope: string;
  /** Camera, as written in INSTRUME. */
  readonly camera: string;
  /** How it follows the sky. */
  readonly mount: "equatorial" | "alt-azimuth";
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Size of a pixel, micrometres. */
  readonly pixelMicrometres: number;
  /** Focal length, millimetres. */
  readonly focalLengthMm: number;
  /** Free aperture, millimetres. */
  readonly apertureMm: number;
  /** Diameter of the central obstruction over that of the aperture. */
  readonly obstruction: number;
  /** Filters of a mono camera, or R, G, B of a colour sensor; optics and quantum efficiency included. */
  readonly bands: readonly Passband[];
  /** Colours of the sensor; null for mono. */
  readonly bayer: BayerPattern | null;
  /** Filter in front of a colour sensor, as written in FILTER; none when left out. */
  readonly colourFilter?: string;
  /** Sensor. */
  readonly detector: Detector;
  /** Width of a star in still air, telescope and guiding included, arcseconds. */
  readonly fwhmArcsec: number;
  /** Moffat exponent. */
  readonly beta: number;
  /** Growth of FWHM² to the corners, share. */
  readonly fieldCurvature: number;
  /** Radial ellipticity at the corners. */
  readonly radialEllipticity: number;
  /** Loss of light at the corners by vignetting, share. */
  readonly vignetting: number;
  /** Gain setting as the camera counts it, for GAIN. */
  readonly gainSetting: number;
  /** Offset setting as the camera counts it, for OFFSET. */
  readonly offsetSetting: number;
  /** Sensor temperature aimed at, °C; null for a camera without a cooler. */
  readonly setTemperatureC: number | null;
  /** Seed of everything that is fixed in this rig: hot pixels, response, dust. */
  readonly seed: string;
}

/** Classical rig: 180 mm reflector on an equatorial mount, cooled mono camera, narrowband filters, 300 s subs. */
export const longRig: Rig = Object.freeze({
  name: "Long",
  telescope: "Kestrel Point Long",
  camera: "KP Mono 5.4",
  mount: "equatorial",
  width: 912,
  height: 684,
  pixelMicrometres: 5.4,
  focalLengthMm: 810,
  apertureMm: 180,
  obstruction: 0.3,
  bands: [
    shapePassband("Ha", 656.3, 6, 0.61, 12),
    shapePassband("OIII", 500.7, 6, 0.66, 12),
    shapePassband("SII", 672.4, 6, 0.58, 12),
    shapePassband("L", 540, 280, 0.6, 20),
  ],
  bayer: null,
  detector: {
    bits: 14,
    electronsPerAdu: 2.5,
    readNoise: 2.6,
    offsetAdu: 300,
    fullWell: 40000,
    darkRate: 0.004,
    referenceC: -10,
    hotShare: 0.0012,
    hotRate: [0.5, 1.3] as const,
    responseSigma: 0.006,
    rowNoise: 0.5,
    columnPattern: 0.8,
    glowRate: 0.09,
    telegraphShare: 0.0003,
    telegraphElectrons: 24,
  },
  fwhmArcsec: 3.4,
  beta: 3.2,
  fieldCurvature: 0.12,
  radialEllipticity: 0.05,
  vignetting: 0.16,
  gainSetting: 56,
  offsetSetting: 30,
  setTemperatureC: -10,
  seed: "Kestrel Point Long",
});

/** Self-driving rig: 66 mm refractor on an alt-azimuth mount, colour sensor without a cooler, 10 s subs. */
export const pocketRig: Rig = Object.freeze({
  name: "Pocket",
  telescope: "Kestrel Point Pocket",
  camera: "KP Colour 3.3",
  mount: "alt-azimuth",
  width: 760,
  height: 570,
  pixelMicrometres: 3.3,
  focalLengthMm: 275,
  apertureMm: 66,
  obstruction: 0,
  bands: [
    shapePassband("R", 625, 110, 0.56, 7),
    shapePassband("G", 530, 105, 0.62, 5),
    shapePassband("B", 462, 95, 0.55, 6),
  ],
  bayer: "GBRG",
  detector: {
    bits: 12,
    electronsPerAdu: 1.6,
    readNoise: 1.3,
    offsetAdu: 120,
    fullWell: 6400,
    darkRate: 0.12,
    referenceC: 15,
    hotShare: 0.003,
    hotRate: [3, 1.2] as const,
    responseSigma: 0.008,
    rowNoise: 0.35,
    columnPattern: 0.5,
    glowRate: 0.6,
    telegraphShare: 0.001,
    telegraphElectrons: 9,
  },
  fwhmArcsec: 5.4,
  beta: 2.9,
  fieldCurvature: 0.2,
  radialEllipticity: 0.06,
  vignetting: 0.22,
  gainSetting: 200,
  offsetSetting: 12,
  setTemperatureC: null,
  seed: "Kestrel Point Pocket",
});

/**
 * Arcseconds a pixel: 206.264806 p[µm] / f[mm].
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { arcsecPerPixelOf, longRig } from "faintlight/simulate";
 *
 * assert.ok(Math.abs(arcsecPerPixelOf(longRig) - 206.264806 * 5.4 / 810) < 1e-3);
 * ```
 */
export const arcsecPerPixelOf = (rig: Rig): number => 206.264806 * rig.pixelMicrometres / rig.focalLengthMm;

/**
 * Collecting area, cm².
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { collectingAreaSquareCm, pocketRig } from "faintlight/simulate";
 *
 * assert.ok(collectingAreaSquareCm(pocketRig) > 0);
 * ```
 */
export const collectingAreaSquareCm = (rig: Rig): number =>
  Math.PI / 4 * square(rig.apertureMm / 10) * (1 - square(rig.obstruction));

/**
 * A band of a rig.
 *
 * @throws {TypeError} if the rig has no such filter
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { passbandOf, longRig } from "faintlight/simulate";
 *
 * assert.throws(() => passbandOf(longRig, "none"), /must have filter/);
 * ```
 */
export function passbandOf(rig: Rig, channel: string): Passband {
  const band = rig.bands.find((each) => each.channel === channel);
  if (band === undefined) {
    const names = rig.bands.map((each) => each.channel).join(", ");
    throw new TypeError(`passbandOf: rig "${rig.name}" must have filter "${channel}", but has ${names}`);
  }
  return band;
}

/** Width of a step of a passband behind another filter, nanometres: a twentieth of a narrow window. */
const fineStepNm = 0.25;

/** A passband behind windows: its throughput times theirs. */
function behindWindows(band: Passband, windows: readonly Passband[]): Passband {
  const ends = windows.map(({ firstNm, stepNm, throughput }) => [firstNm, firstNm + stepNm * throughput.length]).flat();
  const firstNm = Math.min(...ends);
  const count = Math.ceil((Math.max(...ends) - firstNm) / fineStepNm);
  const throughput = Array.from({ length: count }, (_, i) => {
    const wavelength = firstNm + i * fineStepNm;
    return throughputAt(band, wavelength) * windows.reduce((sum, each) => sum + throughputAt(each, wavelength), 0);
  });
  return { channel: band.channel, firstNm, stepNm: fineStepNm, throughput };
}

/**
 * A colour rig behind a filter with windows, such as a dual-band filter for hydrogen and oxygen.
 *
 * @param name what the filter is called in FILTER
 * @param windows its windows
 * @throws {TypeError} if the rig has no colour sensor
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { addFilter, passbandOf, pocketRig, shapePassband, throughputAt } from "faintlight/simulate";
 *
 * const windows = [shapePassband("Ha", 656.3, 7, 0.9, 12), shapePassband("OIII", 500.7, 7, 0.9, 12)];
 * const red = passbandOf(addFilter(pocketRig, "HaOIII", windows), "R");
 * assert.ok(throughputAt(red, 656.3) > 0.4 && throughputAt(red, 600) === 0);
 * ```
 */
export function addFilter(rig: Rig, name: string, windows: readonly Passband[]): Rig {
  if (rig.bayer === null) {
    throw new TypeError(`addFilter: rig must have a colour sensor, but "${rig.name}" has a mono one`);
  }
  return { ...rig, colourFilter: name, bands: rig.bands.map((band) => behindWindows(band, windows)) };
}

/**
 * The same rig with another sensor format: more or finer pixels.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { longRig, resizeRig } from "faintlight/simulate";
 *
 * assert.equal(resizeRig(longRig, { width: 96, height: 72 }).width, 96);
 * ```
 */
export const resizeRig = (
  rig: Rig,
  format: { readonly width: number; readonly height: number; readonly pixelMicrometres?: number },
): Rig => ({ ...rig, ...format, pixelMicrometres: format.pixelMicrometres ?? rig.pixelMicrometres });
