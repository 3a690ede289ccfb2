/** The dialects of capture software, understood: what a header says of an exposure, in our words and units. */
import type { FrameFacts, FrameKind } from "../core/frame_record.ts";
import { type BayerPattern, shiftBayer } from "../core/geometry.ts";
import { cardNumber, cardText, type CardValue, cardValue, type Header } from "../core/header.ts";
import { wcsArcsecPerPixel } from "../core/wcs.ts";
import { channelOfFilter, type FilterNames, filterNames } from "./filter_names.ts";
import { wcsFromHeader } from "./wcs_cards.ts";

/** Options of {@linkcode describeFrame}. */
export interface DescribeFrameOptions {
  /** Table of filter names. */
  readonly names?: FilterNames;
}

const commentOf = (header: Header, keyword: string): string =>
  header.find((each) => each.keyword === keyword)?.comment ?? "";

/** A number, also when a unit stands behind it in the text (`'11 C'`). */
function quantity(header: Header, ...keywords: readonly string[]): number | null {
  for (const keyword of keywords) {
    const found = cardNumber(header, keyword);
    if (found !== null) return found;
    const value = cardValue(header, keyword);
    const parts = typeof value === "string"
      ? /^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*[a-zA-Zµ°"'/]*\s*$/.exec(value)
      : null;
    if (parts !== null) return Number(parts[1]);
  }
  return null;
}

const letters = (text: string): string => text.toLowerCase().replace(/[^a-z]/g, "");

/** Kind of exposure that a text names, null when it names none. */
export function kindOfText(text: string): FrameKind | null {
  const word = letters(text);
  if (word === "") return null;
  const combined = /master|combined|stack|integrat|averaged|median/.test(word);
  const dark = word.includes("dark");
  const flat = word.includes("flat");
  const bias = /bias|zero|^offset/.test(word);
  if (dark && flat) return combined ? "master-flat-dark" : "flat-dark";
  if (flat) return combined ? "master-flat" : "flat";
  if (dark) return combined ? "master-dark" : "dark";
  if (bias) return combined ? "master-bias" : "bias";
  if (combined) return "stack";
  if (/light|object|science|^sci$|tricolor|tricolour|^target$|^exposure$|^expose$/.test(word)) return "light";
  return null;
}

function kindOf(header: Header): FrameKind {
  const stated = cardText(header, "IMAGETYP", "IMAGETYPE", "FRAMETYP", "FRAME", "OBSTYPE", "OBS_TYPE", "IMGTYPE");
  let kind = stated === null ? null : kindOfText(stated);
  if (kind === null) {
    // some leave the type out and name the calibration frame as the target
    const object = letters(cardText(header, "OBJECT") ?? "");
    if (/^(master)?(dark|flat|bias|darkflat|flatdark)(frame|field|s)?$/.test(object)) kind = kindOfText(object);
  }
  if (kind === null) return "unknown";
  const combined = (cardNumber(header, "NCOMBINE", "STACKCNT", "NFRAMES") ?? 1) > 1;
  if (!combined) return kind;
  if (kind === "light") return "stack";
  return kind === "dark" || kind === "flat" || kind === "bias" || kind === "flat-dark" ? `master-${kind}` : kind;
}

const patterns: Readonly<Record<string, BayerPattern>> = Object.freeze({
  RGGB: "RGGB",
  BGGR: "BGGR",
  GRBG: "GRBG",
  GBRG: "GBRG",
  RG: "RGGB",
  BG: "BGGR",
  GR: "GRBG",
  GB: "GBRG",
});

/** Pattern that a header names, before offsets and row order; null without. */
function namedPattern(header: Header): BayerPattern | null {
  for (const keyword of ["BAYERPAT", "BAYERPATTERN", "BAYPAT", "CFAPAT", "CFA_PAT", "COLORTYP", "FILTER"]) {
    const text = cardText(header, keyword);
    if (text === null) continue;
    const found = patterns[text.toUpperCase().replace(/^BAYER/, "").replace(/[^A-Z]/g, "")];
    if (found !== undefined && (keyword !== "FILTER" || text.length === 4)) return found;
  }
  return null;
}

/** Rows as stored run against the rows that the pattern speaks of. */
const bottomUp = (header: Header): boolean => /bottom/i.test(cardText(header, "ROWORDER") ?? "");

/** The pattern read from the last row upwards. */
function flipRows(pattern: BayerPattern, height: number): BayerPattern {
  return height % 2 === 0 ? shiftBayer(pattern, 0, 1) : pattern;
}

/**
 * Mosaic seen from the first stored pixel. BAYERPAT names the first pixel of the sensor's picture, XBAYROFF and
 * YBAYROFF how far the pattern starts before the image; with ROWORDER = 'BOTTOM-UP' the first stored row is the last
 * of the picture, so an even number of rows swaps the rows of the pattern (common practice, no source).
 */
export function bayerFromHeader(header: Header): BayerPattern | null {
  const named = namedPattern(header);
  const planes = cardNumber(header, "NAXIS3") ?? 1;
  if (named === null || planes > 1) return null;
  const shifted = shiftBayer(
    named,
    Math.trunc(quantity(header, "XBAYROFF") ?? 0),
    Math.trunc(quantity(header, "YBAYROFF") ?? 0),
  );
  return bottomUp(header) ? flipRows(shifted, cardNumber(header, "NAXIS2") ?? 0) : shifted;
}

/** BAYERPAT that makes {@linkcode bayerFromHeader} see `pattern` in an image of this height with offsets 0. */
export const bayerCardText = (header: Header, pattern: BayerPattern, height: number): BayerPattern =>
  bottomUp(header) ? flipRows(pattern, height) : pattern;

const two = (value: number): string => String(value).padStart(2, "0");

/** `yyyy-mm-ddThh:mm:ss.s`, `yyyy-mm-dd`, or the `dd/mm/yy` of the years before 2000; null when it is none of them. */
function dateParts(text: string): { date: string; time: string | null } | null {
  const iso = /^(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ](\d{1,2}:\d{1,2}(?::\d{1,2}(?:\.\d*)?)?)\s*(?:Z|UTC?|\+00:?00)?)?$/
    .exec(text.trim());
  const old = /^(\d{1,2})\/(\d{1,2})\/(\d{2}|\d{4})$/.exec(text.trim());
  if (iso === null && old === null) return null;
  const [year, month, day] = iso !== null
    ? [Number(iso[1]), Number(iso[2]), Number(iso[3])]
    : old !== null
    ? [Number(old[3]) + (old[3].length === 2 ? 1900 : 0), Number(old[2]), Number(old[1])]
    : [0, 0, 0];
  if (month < 1 || month > 12 || day < 1 || day > 31) return null;
  return { date: `${String(year).padStart(4, "0")}-${two(month)}-${two(day)}`, time: iso?.[4] ?? null };
}

/** `hh:mm:ss.s`, or seconds since midnight as a number. */
function timeText(value: CardValue | undefined): string | null {
  if (typeof value === "number" && value >= 0 && value < 86400) {
    const whole = Math.floor(value);
    const rest = Math.round((value - whole) * 1000);
    const seconds = whole % 60;
    const text = `${two(Math.floor(whole / 3600))}:${two(Math.floor(whole / 60) % 60)}:${two(seconds)}`;
    return rest === 0 || rest === 1000 ? text : `${text}.${String(rest).padStart(3, "0").replace(/0+$/, "")}`;
  }
  if (typeof value !== "string") return null;
  const parts = /^\s*(\d{1,2}):(\d{1,2})(?::(\d{1,2})(\.\d*)?)?\s*(?:Z|UTC?)?\s*$/.exec(value);
  if (parts === null || Number(parts[1]) > 23 || Number(parts[2]) > 59) return null;
  const fraction = (parts[4] ?? "").replace(/\.?0*$/, "");
  return `${two(Number(parts[1]))}:${two(Number(parts[2]))}:${two(Number(parts[3] ?? 0))}${fraction}`;
}

/** Milliseconds since 1970 of a date in our form; NaN when it has no time. */
function instant(iso: string): number {
  const parts = /^(\d+)-(\d+)-(\d+)T(\d+):(\d+):(\d+(?:\.\d*)?)$/.exec(iso);
  if (parts === null) return NaN;
  const [year, month, day, hour, minute] = parts.slice(1, 6).map(Number);
  return Date.UTC(year, month - 1, day, hour, minute) + Math.round(Number(parts[6]) * 1000);
}

const isoOf = (milliseconds: number): string =>
  new Date(milliseconds).toISOString().replace(/Z$/, "").replace(/\.?0*$/, (rest) => rest.startsWith(".") ? "" : rest);

function startOfExposure(header: Header, exposure: number | null): string | null {
  for (const keyword of ["DATE-BEG", "DATE-OBS", "DATE_OBS", "DATEOBS"]) {
    const text = cardText(header, keyword);
    const parts = text === null ? null : dateParts(text);
    if (parts === null) continue;
    if (parts.time !== null) {
      const time = timeText(parts.time);
      if (time !== null) return `${parts.date}T${time}`;
    }
    for (
      const name of [
        "TIME-OBS",
        "TIME_OBS",
        "UT-START",
        "UTSTART",
        "UT",
        "UTC",
        "UT-OBS",
        "UTC-OBS",
        "TIME-BEG",
        "TM-START",
      ]
    ) {
      const time = timeText(cardValue(header, name));
      if (time !== null) return `${parts.date}T${time}`;
    }
    return parts.date;
  }
  const middle = dateParts(cardText(header, "DATE-AVG") ?? "");
  const time = middle?.time === undefined || middle.time === null ? null : timeText(middle.time);
  if (middle !== null && time !== null) return isoOf(instant(`${middle.date}T${time}`) - 500 * (exposure ?? 0));
  const mjd = cardNumber(header, "MJD-BEG", "MJD-OBS");
  const jd = cardNumber(header, "JD", "JD-OBS", "JULIAN");
  const days = mjd ?? (jd === null ? null : jd - 2400000.5);
  // 40587 is the modified Julian date of 1970-01-01
  return days !== null && days > 15000 && days < 100000 ? isoOf(Math.round((days - 40587) * 86400000)) : null;
}

/**
 * The night an exposure belongs to: the UTC date of the noon before it; `""` without a date.
 *
 * @param dateUtc start of the exposure
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { sessionOf } from "faintlight/parts";
 *
 * assert.equal(sessionOf("2026-10-04T03:10:00"), "2026-10-03");
 * assert.equal(sessionOf("2026-10-04T21:10:00"), "2026-10-04");
 * ```
 */
export function sessionOf(dateUtc: string | null): string {
  if (dateUtc === null) return "";
  const at = instant(dateUtc);
  return Number.isNaN(at) ? dateUtc.slice(0, 10) : isoOf(at - 43200000).slice(0, 10);
}

function binningOf(header: Header): number {
  const number = cardNumber(header, "XBINNING", "XBIN", "BINX", "CCDXBIN", "BINNING", "CCDBIN1", "HBIN");
  if (number !== null && number >= 1) return Math.round(number);
  const text = cardText(header, "BINNING", "CCDSUM", "BIN", "XBINNING");
  const parts = text === null ? null : /^\s*(\d+)/.exec(text);
  return parts !== null && Number(parts[1]) >= 1 ? Number(parts[1]) : 1;
}

function pixelSize(header: Header, binning: number): number | null {
  const size = quantity(header, "XPIXSZ", "XPIXELSZ", "XPIXSIZE");
  if (size !== null && size > 0) {
    // XPIXSZ is the size after binning unless its comment says otherwise (common practice, no source)
    const unbinned = /unbinned|before bin|without bin|physical/i.test(commentOf(header, "XPIXSZ"));
    return unbinned ? size * binning : size;
  }
  const sensor = quantity(header, "PIXSIZE1", "PIXSIZE", "PIXELSZ", "PIXSZ");
  return sensor !== null && sensor > 0 ? sensor * binning : null;
}

function celsius(value: number | null): number | null {
  // some observatories write kelvins; no sensor is used above 100 °C
  return value === null
    ? null
    : value > 100 && value < 400
    ? Math.round((value - 273.15) * 1000) / 1000
    : value > -150 && value <= 100
    ? value
    : null;
}

const positive = (value: number | null): number | null => value !== null && value > 0 ? value : null;

function fullScale(header: Header): number | null {
  const stated = positive(cardNumber(header, "SATURATE", "SATLEVEL", "MAXADU", "WHITELEV", "FULLSCAL"));
  if (stated !== null) return stated;
  const bitpix = cardNumber(header, "BITPIX");
  const scale = cardNumber(header, "BSCALE") ?? 1;
  const zero = cardNumber(header, "BZERO") ?? 0;
  if (bitpix === 16) return zero + scale * 32767;
  if (bitpix === 8) return zero + scale * 255;
  return null;
}

/**
 * Airmass stated, else from the altitude: 1 / (sin h + 0.50572 (h + 6.07995°)^−1.6364) (Kasten & Young 1989, Applied
 * Optics 28, 4735).
 */
function airmassOf(header: Header): number | null {
  const stated = cardNumber(header, "AIRMASS", "SECZ");
  if (stated !== null && stated >= 1 && stated < 40) return stated;
  const h = quantity(header, "CENTALT", "OBJCTALT", "ALTITUDE", "OBJALT", "TELALT", "ALT-OBS", "ELEVATIO");
  if (h === null || !(h > 0 && h <= 90)) return null;
  return 1 / (Math.sin(h * Math.PI / 180) + 0.50572 * Math.pow(h + 6.07995, -1.6364));
}

/**
 * What a header says of an exposure. Many dialects are understood; where the header is silent the fact is `null`
 * (binning 1, kind `unknown`, texts empty): nothing is guessed. No cost to speak of.
 *
 * Keywords and spellings are common practice unless FITS 4.0 defines them. GAIN counts as the camera's own setting
 * unless its comment speaks of electrons; EGAIN is electrons per ADU. Temperatures above 100 count as kelvins.
 *
 * @param header cards of the image
 * @param options table of filter names
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { card, describeFrame } from "faintlight/io";
 *
 * const facts = describeFrame([
 *   card("BITPIX", 16), card("NAXIS", 2), card("NAXIS1", 2000), card("NAXIS2", 2000), card("BZERO", 32768),
 *   card("IMAGETYP", "Light Frame"), card("FILTER", "H-Alpha"), card("EXPTIME", 300),
 *   card("XPIXSZ", 4.1), card("FOCALLEN", 640), card("DATE-OBS", "2026-10-03T21:04:10"),
 * ]);
 * assert.equal(facts.kind, "light");
 * assert.equal(facts.filter, "Ha");
 * assert.equal(facts.arcsecPerPixel?.toFixed(3), "1.463");
 * assert.equal(facts.fullScaleAdu, 65535);
 * ```
 */
export function describeFrame(header: Header, options: DescribeFrameOptions = {}): FrameFacts {
  const exposure = quantity(header, "EXPTIME", "EXPOSURE", "EXP_TIME", "EXPTIM", "EXPOS", "ITIME", "DARKTIME");
  const binning = binningOf(header);
  const pixel = pixelSize(header, binning);
  const focal = positive(quantity(header, "FOCALLEN", "FOCALLENGTH", "FOCAL", "FOCLEN", "FL"));
  const wcs = wcsFromHeader(header);
  const named = namedPattern(header);
  const filterText = cardText(header, "FILTER", "FILTER1", "FILTERID", "FILTNAM", "INSFLNAM", "FILT") ?? "";
  const gainInElectrons = /e-?\s*(lectrons?)?\s*(\/|per)\s*(adu|dn|count)/i.test(commentOf(header, "GAIN"));
  const camera = cardText(header, "INSTRUME", "CAMERA", "CAMNAME", "DETECTOR") ?? "";
  const telescope = cardText(header, "TELESCOP", "TELESCOPE", "TELNAME") ?? "";
  const axes = cardNumber(header, "NAXIS") ?? 0;
  return {
    kind: kindOf(header),
    filter: named !== null && filterText.toUpperCase() === named
      ? ""
      : channelOfFilter(filterText, options.names ?? filterNames),
    exposureSeconds: exposure !== null && exposure >= 0 ? exposure : null,
    gainSetting: gainInElectrons ? null : cardNumber(header, "GAIN", "GAINRAW", "CAMGAIN"),
    electronsPerAdu: positive(
      cardNumber(header, "EGAIN", "E-GAIN", "ELECGAIN", "GAINE") ??
        (gainInElectrons ? cardNumber(header, "GAIN") : null),
    ),
    offsetSetting: cardNumber(header, "OFFSET", "BLKLEVEL", "BLACKLVL", "CAMOFFS"),
    sensorTemperatureC: celsius(
      quantity(
        header,
        "CCD-TEMP",
        "CCDTEMP",
        "CCD_TEMP",
        "SENSTEMP",
        "DET-TEMP",
        "DETTEMP",
        "CAMTEMP",
        "TEMPERAT",
        "TEMP_CCD",
        "SENSOR_T",
      ),
    ),
    setTemperatureC: celsius(
      quantity(header, "SET-TEMP", "SETTEMP", "SET_TEMP", "CCD-SET", "CCDSET", "CCD-TSET", "TEMP-SET"),
    ),
    binning,
    width: cardNumber(header, "NAXIS1") ?? 0,
    height: axes >= 2 ? cardNumber(header, "NAXIS2") ?? 0 : axes === 1 ? 1 : 0,
    planes: axes >= 3 ? cardNumber(header, "NAXIS3") ?? 1 : axes > 0 ? 1 : 0,
    bayer: bayerFromHeader(header),
    rig: [telescope, camera].filter((part) => part !== "").join(" + "),
    dateUtc: startOfExposure(header, exposure),
    airmass: airmassOf(header),
    object: cardText(header, "OBJECT", "OBJNAME", "TARGET", "FIELD") ?? "",
    pixelSizeMicrometres: pixel,
    focalLengthMillimetres: focal,
    arcsecPerPixel: wcs !== null
      ? wcsArcsecPerPixel(wcs)
      : positive(cardNumber(header, "PIXSCALE", "SECPIX", "SECPIX1", "SCALE")) ??
        (pixel !== null && focal !== null ? 206.26480624709637 * pixel / focal : null),
    fullScaleAdu: fullScale(header),
  };
}
