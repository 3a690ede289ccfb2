/** The dialects of capture software, understood: what a header says of an exposure, in our words and units. */
import type { FrameFacts, FrameKind } from "../core/frame_record.ts";
import { type BayerPattern, shiftBayer } from "../core/geometry.ts";
import { cardNumber, cardText, cardValue, type Header } from "../core/header.ts";
import { wcsArcsecPerPixel } from "../core/wcs.ts";
import { startOfExposure } from "./exposure_date.ts";
import { channelOfFilter, type FilterNames, filterNames } from "./filter_names.ts";
import { sectionsOf } from "./frame_sections.ts";
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

/** Keywords that say what an exposure is for; one whose word is not known leaves the next its say. */
const kindKeywords = ["IMAGETYP", "IMAGETYPE", "FRAMETYP", "FRAME", "OBSTYPE", "OBS_TYPE", "IMGTYPE", "OBS-TYPE"];

function kindOf(header: Header): FrameKind {
  let kind: FrameKind | null = null;
  for (const keyword of kindKeywords) kind ??= kindOfText(cardText(header, keyword) ?? "");
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

/** Absolute zero, °C. */
const absoluteZeroC = -273.15;

/** The value that stands for an unknown one, as a comment says it (`=-1 if no data`). */
function isPlaceholder(value: number, comment: string): boolean {
  const said = /=?\s*(-?\d+(?:\.\d+)?)\s*(?:if|when|for)\s*(?:no\b|not\b|un|missing|absent)/i.exec(comment);
  return said !== null && Number(said[1]) === value;
}

/**
 * First temperature among the keywords, °C. Kelvins where the comment or the unit says so, and above 100 anyhow: no
 * sensor is used above 100 °C, none colder than −150 °C states its temperature in °C without naming the unit (common
 * practice, no source).
 */
function temperature(header: Header, ...keywords: readonly string[]): number | null {
  for (const keyword of keywords) {
    const value = quantity(header, keyword);
    const comment = commentOf(header, keyword);
    if (value === null || isPlaceholder(value, comment)) continue;
    const inKelvins = /kelvin|[[(]K[\])]/i.test(comment) || /\d\s*K\s*$/.test(cardText(header, keyword) ?? "");
    if (inKelvins ? value > 0 && value < 400 : value > 100 && value < 400) {
      return Math.round((value + absoluteZeroC) * 1000) / 1000;
    }
    if (!inKelvins && value > -150 && value <= 100) return value;
  }
  return null;
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

/** Longest exposure that is believed, seconds: 116 days. A larger number stands for an unknown one; own choice. */
const maximumExposureSeconds = 1e7;

/**
 * Exposure in seconds; null where none is stated, or one that cannot be. Nothing but a bias is taken in no time: 0
 * stands for an unknown exposure elsewhere, save where the header does not say what the frame is.
 */
function exposureOf(header: Header, kind: FrameKind): number | null {
  const mayBeZero = kind === "unknown" || kind === "bias" || kind === "master-bias";
  for (const keyword of ["EXPTIME", "EXPOSURE", "EXP_TIME", "EXPTIM", "EXPOS", "ITIME", "DARKTIME"]) {
    const seconds = quantity(header, keyword);
    if (seconds === null || seconds < 0 || seconds > maximumExposureSeconds) continue;
    if (seconds > 0 || mayBeZero) return seconds;
  }
  return null;
}

/** Keywords of filters; a camera with two wheels names the open place of one and the glass of the other. */
const filterKeywords = ["FILTER", "FILTNAME", "FILTER1", "FILTER2", "FILTERID", "FILTNAM", "INSFLNAM", "FILT"];

/** What the first keyword with a filter says; `""` where all are silent, open or empty. */
function filterTextOf(header: Header, names: FilterNames): string {
  for (const keyword of filterKeywords) {
    const text = cardText(header, keyword) ?? "";
    if (channelOfFilter(text, names) !== "") return text;
  }
  return "";
}

/** Scale that a card states, arcseconds a pixel; PIXSCAL may speak of pixels before binning, and says so. */
function statedScale(header: Header, binning: number): number | null {
  const binned = positive(
    cardNumber(header, "PIXSCALE", "SECPIX", "SECPIX1", "SCALE", "IM_SCALE", "IMSCALE", "SECPIXX", "PLATESCL"),
  );
  if (binned !== null) return binned;
  const other = positive(cardNumber(header, "PIXSCAL"));
  return other !== null && /unbinned/i.test(commentOf(header, "PIXSCAL")) ? other * binning : other;
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
 * unless its comment speaks of electrons; EGAIN is electrons per ADU. Temperatures above 100 count as kelvins, dates
 * with an offset (ISO 8601) are turned to UTC, an exposure of 0 of anything but a bias is unknown. Of a card that
 * stands twice the first is taken.
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
 * assert.equal(facts.arcsecPerPixel?.toFixed(3), "1.321");
 * assert.equal(facts.fullScaleAdu, 65535);
 * ```
 */
export function describeFrame(header: Header, options: DescribeFrameOptions = {}): FrameFacts {
  const kind = kindOf(header);
  const exposure = exposureOf(header, kind);
  const binning = binningOf(header);
  const pixel = pixelSize(header, binning);
  const focal = positive(quantity(header, "FOCALLEN", "FOCALLENGTH", "FOCAL", "FOCLEN", "FL"));
  const wcs = wcsFromHeader(header);
  const named = namedPattern(header);
  const filterText = filterTextOf(header, options.names ?? filterNames);
  const gainInElectrons = /e-?\s*(lectrons?)?\s*(\/|per)\s*(adu|dn|count)/i.test(commentOf(header, "GAIN"));
  const camera = cardText(header, "INSTRUME", "CAMERA", "CAMNAME", "DETECTOR") ?? "";
  const telescope = cardText(header, "TELESCOP", "TELESCOPE", "TELNAME") ?? "";
  const axes = cardNumber(header, "NAXIS") ?? 0;
  const sections = sectionsOf(header);
  return {
    kind,
    filter: named !== null && filterText.toUpperCase() === named
      ? ""
      : channelOfFilter(filterText, options.names ?? filterNames),
    exposureSeconds: exposure,
    gainSetting: gainInElectrons ? null : cardNumber(header, "GAIN", "GAINRAW", "CAMGAIN"),
    electronsPerAdu: positive(
      cardNumber(header, "EGAIN", "E-GAIN", "ELECGAIN", "GAINE") ??
        (gainInElectrons ? cardNumber(header, "GAIN") : null),
    ),
    offsetSetting: cardNumber(header, "OFFSET", "BLKLEVEL", "BLACKLVL", "CAMOFFS"),
    sensorTemperatureC: temperature(
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
    setTemperatureC: temperature(
      header,
      "SET-TEMP",
      "SETTEMP",
      "SET_TEMP",
      "CCD-SET",
      "CCDSET",
      "CCD-TSET",
      "TEMP-SET",
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
    arcsecPerPixel: wcs !== null ? wcsArcsecPerPixel(wcs) : statedScale(header, binning) ??
      (pixel !== null && focal !== null ? 206.26480624709637 * pixel / focal : null),
    fullScaleAdu: fullScale(header),
    ...(sections === null ? {} : { sections }),
  };
}
