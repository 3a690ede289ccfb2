/** When an exposure began, from the dates and times of its header. */
import { cardNumber, cardText, type CardValue, cardValue, type Header } from "../core/header.ts";

const two = (value: number): string => String(value).padStart(2, "0");

/** Minutes that a zone is ahead of UTC: 0 for `Z` and `UTC`, 150 for `+02:30`. */
function zoneMinutes(zone: string | undefined): number {
  const parts = /^([+-])(\d{2}):?(\d{2})?$/.exec(zone ?? "");
  if (parts === null) return 0;
  return (parts[1] === "-" ? -1 : 1) * (60 * Number(parts[2]) + Number(parts[3] ?? 0));
}

/** A date of a card. */
interface StatedDate {
  /** `yyyy-mm-dd` as written. */
  readonly date: string;
  /** Time of day as written; null when there is none. */
  readonly time: string | null;
  /** Minutes that both are ahead of UTC. */
  readonly aheadMinutes: number;
}

/** `yyyy-mm-ddThh:mm:ss.s`, `yyyy-mm-dd`, or the `dd/mm/yy` of the years before 2000; null when it is none of them. */
function dateParts(text: string): StatedDate | null {
  const iso =
    /^(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ](\d{1,2}:\d{1,2}(?::\d{1,2}(?:\.\d*)?)?)\s*(Z|UTC?|[+-]\d{2}(?::?\d{2})?)?)?$/
      .exec(text.trim());
  const old = /^(\d{1,2})\/(\d{1,2})\/(\d{2}|\d{4})$/.exec(text.trim());
  if (iso === null && old === null) return null;
  const [year, month, day] = iso !== null
    ? [Number(iso[1]), Number(iso[2]), Number(iso[3])]
    : old !== null
    ? [Number(old[3]) + (old[3].length === 2 ? 1900 : 0), Number(old[2]), Number(old[1])]
    : [0, 0, 0];
  if (month < 1 || month > 12 || day < 1 || day > 31) return null;
  return {
    date: `${String(year).padStart(4, "0")}-${two(month)}-${two(day)}`,
    time: iso?.[4] ?? null,
    aheadMinutes: zoneMinutes(iso?.[5]),
  };
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

/** A date and time in our form, UTC; null when the card holds none with a time. */
function utcOf(text: string | null): string | null {
  const parts = text === null ? null : dateParts(text);
  const time = parts === null || parts.time === null ? null : timeText(parts.time);
  if (parts === null || time === null) return null;
  const local = `${parts.date}T${time}`;
  return parts.aheadMinutes === 0 ? local : isoOf(instant(local) - 60000 * parts.aheadMinutes);
}

const dateKeywords = ["DATE-BEG", "DATE-OBS", "DATE_OBS", "DATEOBS"];
const universalTimeKeywords = [
  "TIME-OBS",
  "TIME_OBS",
  "UT-START",
  "UTSTART",
  "UTCSTART",
  "UT",
  "UTC",
  "UT-OBS",
  "UTC-OBS",
  "TIME-BEG",
  "TM-START",
];

/**
 * Start of an exposure, UTC, in our form. A card of universal time that holds date and time (`UT-OBS`) comes before
 * DATE-OBS, which some write in local time; the standard has it in UTC (FITS 4.0 section 4.4.2.1).
 */
export function startOfExposure(header: Header, exposure: number | null): string | null {
  for (const keyword of ["DATE-BEG", "UT-OBS", "UTC-OBS"]) {
    const universal = utcOf(cardText(header, keyword));
    if (universal !== null) return universal;
  }
  for (const keyword of dateKeywords) {
    const text = cardText(header, keyword);
    const parts = text === null ? null : dateParts(text);
    if (parts === null) continue;
    const whole = utcOf(text);
    if (whole !== null) return whole;
    for (const name of universalTimeKeywords) {
      const time = timeText(cardValue(header, name));
      if (time !== null) return `${parts.date}T${time}`;
    }
    return parts.date;
  }
  const centre = utcOf(cardText(header, "DATE-AVG"));
  if (centre !== null) return isoOf(instant(centre) - 500 * (exposure ?? 0));
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
