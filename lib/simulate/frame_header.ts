/** FITS cards of a raw frame, as capture programs write them. */
import { card, type Header } from "../core/header.ts";
import { site } from "./frame_conditions.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";

/** Facts of one exposure. */
export interface ExposureFacts {
  /** What the exposure is for. */
  readonly kind: "light" | "dark" | "flat" | "bias" | "flat-dark";
  /** Filter; `""` for none. */
  readonly filter: string;
  /** Seconds. */
  readonly exposureSeconds: number;
  /** Start, ISO UTC without zone. */
  readonly dateUtc: string;
  /** Sensor temperature, °C. */
  readonly temperatureC: number;
  /** Target; `""` for none. */
  readonly object: string;
  /** Right ascension, degrees; null for calibration frames. */
  readonly rightAscensionDegrees: number | null;
  /** Declination, degrees. */
  readonly declinationDegrees: number | null;
  /** Altitude, degrees. */
  readonly altitudeDegrees: number | null;
}

const imageTypes = { light: "Light", dark: "Dark", flat: "Flat", bias: "Bias", "flat-dark": "DarkFlat" };
const round = (x: number, digits: number): number => Number(x.toFixed(digits));

/**
 * Cards of a frame: kind, times, camera settings, optics, place, target.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { cardValue } from "faintlight/io";
 * import { longRig, resizeRig, simulateCalibration } from "faintlight/simulate";
 *
 * const { image } = simulateCalibration(resizeRig(longRig, { width: 16, height: 16 }), { kind: "dark" });
 * assert.equal(cardValue(image.header, "EXPTIME"), 300);
 * ```
 */
export function frameHeader(rig: Rig, facts: ExposureFacts): Header {
  const { detector } = rig;
  const sky = facts.rightAscensionDegrees === null || facts.declinationDegrees === null ? [] : [
    card("OBJECT", facts.object, "target"),
    card("RA", round(facts.rightAscensionDegrees, 6), "[deg] right ascension aimed at"),
    card("DEC", round(facts.declinationDegrees, 6), "[deg] declination aimed at"),
    ...(facts.altitudeDegrees === null ? [] : [
      card("CENTALT", round(facts.altitudeDegrees, 4), "[deg] altitude of the target"),
    ]),
  ];
  return [
    card("IMAGETYP", imageTypes[facts.kind], "kind of exposure"),
    card("EXPTIME", facts.exposureSeconds, "[s] exposure"),
    card("DATE-OBS", facts.dateUtc, "start of the exposure, UTC"),
    ...(facts.filter === "" ? [] : [card("FILTER", facts.filter, "filter")]),
    ...sky,
    card("TELESCOP", rig.telescope, "telescope"),
    card("INSTRUME", rig.camera, "camera"),
    card("FOCALLEN", rig.focalLengthMm, "[mm] focal length"),
    card("APTDIA", rig.apertureMm, "[mm] aperture"),
    card("XPIXSZ", rig.pixelMicrometres, "[um] pixel, binning included"),
    card("YPIXSZ", rig.pixelMicrometres, "[um] pixel, binning included"),
    card("SCALE", round(arcsecPerPixelOf(rig), 6), "[arcsec] a pixel"),
    card("XBINNING", 1, "binning along x"),
    card("YBINNING", 1, "binning along y"),
    card("GAIN", rig.gainSetting, "gain setting"),
    card("EGAIN", detector.electronsPerAdu, "[electron/ADU]"),
    card("OFFSET", rig.offsetSetting, "offset setting"),
    card("CCD-TEMP", round(facts.temperatureC, 2), "[degC] sensor"),
    ...(rig.setTemperatureC === null ? [] : [card("SET-TEMP", rig.setTemperatureC, "[degC] cooler aims at")]),
    card("DATAMAX", (1 << detector.bits) - 1, "[ADU] full scale of the converter"),
    ...(rig.bayer === null ? [] : [
      card("BAYERPAT", rig.bayer, "colours from the first stored pixel"),
      card("XBAYROFF", 0, "offset of the pattern"),
      card("YBAYROFF", 0, "offset of the pattern"),
    ]),
    card("ROWORDER", "TOP-DOWN", "first stored row is the top"),
    card("SITELAT", site.latitudeDegrees, "[deg] latitude"),
    card("SITELONG", site.longitudeDegrees, "[deg] longitude, east positive"),
    card("OBSERVER", "Kestrel Point astronomy club", "invented"),
    card("SWCREATE", "Faintlight simulator", "invented data, no real sky"),
  ];
}
