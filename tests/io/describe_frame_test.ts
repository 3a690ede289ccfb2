/** Facts about frames from their headers. Covers exposure_date.ts. */
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { card, type CardValue, describeFrame, type Header, readFitsHeader } from "../../lib/doors/io.ts";
import { sessionOf } from "../../lib/doors/parts.ts";
import type { FrameFacts } from "../../lib/mod.ts";
import { bayerCardText, bayerFromHeader } from "../../lib/io/describe_frame.ts";
import { parseCards } from "../../lib/io/fits_cards.ts";
import { openData, tellSkipped } from "../support/open_data.ts";

const frame = (...cards: readonly (readonly [string, CardValue, string?])[]): Header => [
  card("BITPIX", 16),
  card("NAXIS", 2),
  card("NAXIS1", 6),
  card("NAXIS2", 4),
  ...cards.map(([keyword, value, comment]) => card(keyword, value, comment ?? "")),
];
const facts = (...cards: readonly (readonly [string, CardValue, string?])[]): FrameFacts =>
  describeFrame(frame(...cards));

// Keywords and spellings below are common practice, no source, unless a line names one.
describe("describeFrame", () => {
  it("says nothing where the header is silent", () => {
    expect(describeFrame([])).toEqual({
      airmass: null,
      kind: "unknown",
      filter: "",
      exposureSeconds: null,
      gainSetting: null,
      electronsPerAdu: null,
      offsetSetting: null,
      sensorTemperatureC: null,
      setTemperatureC: null,
      binning: 1,
      width: 0,
      height: 0,
      planes: 0,
      bayer: null,
      rig: "",
      dateUtc: null,
      object: "",
      pixelSizeMicrometres: null,
      focalLengthMillimetres: null,
      arcsecPerPixel: null,
      fullScaleAdu: null,
    });
  });

  const kinds: readonly (readonly [string, string])[] = [
    ["Light Frame", "light"],
    ["LIGHT", "light"],
    ["light", "light"],
    ["object", "light"],
    ["SCIENCE", "light"],
    ["Dark Frame", "dark"],
    ["DARK", "dark"],
    ["Flat Field", "flat"],
    ["FLAT", "flat"],
    ["Sky Flat", "flat"],
    ["FlatField", "flat"],
    ["Bias Frame", "bias"],
    ["Zero", "bias"],
    ["Offset", "bias"],
    ["DarkFlat", "flat-dark"],
    ["Dark Flat", "flat-dark"],
    ["FLATDARK", "flat-dark"],
    ["Master Dark", "master-dark"],
    ["master flat", "master-flat"],
    ["MasterBias", "master-bias"],
    ["Master Dark Flat", "master-flat-dark"],
    ["Master Light", "stack"],
    ["Stacked image", "stack"],
    ["something else", "unknown"],
  ];
  for (const [text, kind] of kinds) {
    it(`IMAGETYP '${text}' is ${kind}`, () => expect(facts(["IMAGETYP", text]).kind).toBe(kind));
  }
  it("looks for the kind in other keywords, the object's name and the number of frames", () => {
    expect(facts(["FRAME", "Dark"]).kind).toBe("dark");
    expect(facts(["OBSTYPE", "flat"]).kind).toBe("flat");
    expect(facts(["OBJECT", "Bias"]).kind).toBe("bias");
    expect(facts(["OBJECT", "The Dark Tower Nebula"]).kind).toBe("unknown");
    expect(facts(["IMAGETYP", "Dark"], ["NCOMBINE", 20]).kind).toBe("master-dark");
    expect(facts(["IMAGETYP", "Light"], ["STACKCNT", 20]).kind).toBe("stack");
  });

  it("reads exposure, dial and physical gain, offset", () => {
    expect(facts(["EXPTIME", 300]).exposureSeconds).toBe(300);
    expect(facts(["EXPOSURE", "10.5 s"]).exposureSeconds).toBe(10.5);
    expect(facts(["EXPTIME", -1]).exposureSeconds).toBe(null);
    expect(facts(["GAIN", 100], ["EGAIN", 0.25], ["OFFSET", 50])).toMatchObject({
      gainSetting: 100,
      electronsPerAdu: 0.25,
      offsetSetting: 50,
    });
    // observatories write electrons per ADU into GAIN and say so in the comment
    expect(facts(["GAIN", 1.9, "e-/ADU"])).toMatchObject({ gainSetting: null, electronsPerAdu: 1.9 });
    expect(facts(["GAIN", 1.9, "electrons per ADU"]).electronsPerAdu).toBe(1.9);
  });

  it("reads temperatures, with units and in kelvins", () => {
    expect(facts(["CCD-TEMP", -10.1], ["SET-TEMP", -10])).toMatchObject({
      sensorTemperatureC: -10.1,
      setTemperatureC: -10,
    });
    expect(facts(["CAMTEMP", "11 C"]).sensorTemperatureC).toBe(11);
    expect(facts(["CCD-TEMP", 263.15]).sensorTemperatureC).toBe(-10);
    expect(facts(["CCD-TEMP", 999]).sensorTemperatureC).toBe(null);
  });

  it("reads binning and pixel size, which counts as binned unless its comment says otherwise", () => {
    expect(facts(["XBINNING", 2], ["XPIXSZ", 8.2])).toMatchObject({ binning: 2, pixelSizeMicrometres: 8.2 });
    expect(facts(["XBINNING", 2], ["XPIXSZ", 4.1, "unbinned pixel size"]).pixelSizeMicrometres).toBe(8.2);
    expect(facts(["CCDSUM", "3 3"], ["PIXSIZE1", 4])).toMatchObject({ binning: 3, pixelSizeMicrometres: 12 });
    expect(facts(["BINNING", "2x2"]).binning).toBe(2);
  });

  it("gives arcseconds a pixel from optics, card or sky coordinates, the surest last", () => {
    const optics = [["XPIXSZ", 4.1], ["FOCALLEN", 640]] as const;
    // 206264.806 arcseconds in a radian: 4.1 µm at 640 mm, by hand
    expect(facts(...optics).arcsecPerPixel).toBeCloseTo(206.264806 * 4.1 / 640, 6);
    expect(facts(...optics, ["PIXSCALE", 1.5]).arcsecPerPixel).toBe(1.5);
    const sky = [
      ["CTYPE1", "RA---TAN"],
      ["CTYPE2", "DEC--TAN"],
      ["CRPIX1", 1],
      ["CRPIX2", 1],
      ["CRVAL1", 0],
      ["CRVAL2", 0],
      ["CDELT1", -0.001],
      ["CDELT2", 0.001],
    ] as const;
    expect(facts(...optics, ["PIXSCALE", 1.5], ...sky).arcsecPerPixel).toBeCloseTo(3.6, 12);
    expect(facts(["XPIXSZ", 4.1], ["FOCALLEN", 0]).arcsecPerPixel).toBe(null);
  });

  const dates: readonly (readonly [string, readonly (readonly [string, CardValue])[], string | null])[] = [
    ["FITS 4.0 form", [["DATE-OBS", "2026-10-03T21:04:10.5"]], "2026-10-03T21:04:10.5"],
    ["with a zone letter", [["DATE-OBS", "2026-10-03T21:04:10Z"]], "2026-10-03T21:04:10"],
    ["without seconds", [["DATE-OBS", "2026-10-03T21:04"]], "2026-10-03T21:04:00"],
    ["date and time apart", [["DATE-OBS", "2026-10-03"], ["TIME-OBS", "21:04:10.250"]], "2026-10-03T21:04:10.25"],
    ["time as UT", [["DATE-OBS", "2013-07-13"], ["UT", "00:57:33"]], "2013-07-13T00:57:33"],
    [
      "the old form (FITS 4.0 section 4.4.2.1)",
      [["DATE-OBS", "13/05/93"], ["TIME-OBS", "19:25:32"]],
      "1993-05-13T19:25:32",
    ],
    ["seconds of the day", [["DATE-OBS", "13/05/93"], ["TM-START", 69932]], "1993-05-13T19:25:32"],
    ["a date alone", [["DATE-OBS", "2026-10-03"]], "2026-10-03"],
    [
      "the start before the rest",
      [["DATE-OBS", "2026-10-03T00:00:00"], ["DATE-BEG", "2026-10-03T00:01:00"]],
      "2026-10-03T00:01:00",
    ],
    ["the middle", [["DATE-AVG", "2026-10-03T00:01:00"], ["EXPTIME", 300]], "2026-10-02T23:58:30"],
    // MJD 56486 is 2013-07-13 (as the header of a public sample frame says both)
    ["modified Julian date", [["MJD-OBS", 56486.25]], "2013-07-13T06:00:00"],
    ["Julian date", [["JD", 2456486.75]], "2013-07-13T06:00:00"],
    // ISO 8601: local time and its offset from UTC; the standard has DATE-OBS in UTC (FITS 4.0 section 4.4.2.1)
    ["an offset west of Greenwich", [["DATE-OBS", "2017-12-19T18:33:43.317-0700"]], "2017-12-20T01:33:43.317"],
    ["an offset with half an hour", [["DATE-OBS", "2026-10-04T02:00:00+05:30"]], "2026-10-03T20:30:00"],
    [
      "universal time before local time",
      [["DATE-OBS", "2017-12-19T18:33:43"], ["UT-OBS", "2017-12-20T01:33:43.317-0000"]],
      "2017-12-20T01:33:43.317",
    ],
    [
      "universal time of the start",
      [["DATE-OBS", "2019-03-26"], ["UTCSTART", "02:53:16.35"]],
      "2019-03-26T02:53:16.35",
    ],
    ["nonsense", [["DATE-OBS", "last Tuesday"]], null],
    ["no such month", [["DATE-OBS", "2026-13-03T00:00:00"]], null],
  ];
  for (const [what, cards, date] of dates) it(`date: ${what}`, () => expect(facts(...cards).dateUtc).toBe(date));

  it("puts a date into the night that began at the noon before", () => {
    expect(sessionOf("2026-10-04T11:59:59.9")).toBe("2026-10-03");
    expect(sessionOf("2026-10-04T12:00:00")).toBe("2026-10-04");
    expect(sessionOf("2026-01-01T02:00:00")).toBe("2025-12-31");
    expect(sessionOf("2026-10-04")).toBe("2026-10-04");
    expect(sessionOf(null)).toBe("");
  });

  it("takes no exposure that cannot be: 0 of a light, or 1e30", () => {
    expect(facts(["IMAGETYP", "Light"], ["EXPTIME", 0]).exposureSeconds).toBe(null);
    expect(facts(["IMAGETYP", "Flat"], ["EXPTIME", 0], ["EXPOSURE", 2]).exposureSeconds).toBe(2);
    expect(facts(["IMAGETYP", "Bias"], ["EXPTIME", 0]).exposureSeconds).toBe(0);
    expect(facts(["IMAGETYP", "Light"], ["EXPTIME", 1e30]).exposureSeconds).toBe(null);
  });

  it("asks the next keyword where one says nothing of use", () => {
    expect(facts(["IMAGETYP", "raw"], ["OBSTYPE", "SKYFLAT"]).kind).toBe("flat");
    expect(facts(["FILTNAME", "VR"]).filter).toBe("VR");
    expect(facts(["FILTER1", "open"], ["FILTER2", "Red"]).filter).toBe("R");
    expect(facts(["FILTER", ""], ["FILTNAME", "V"]).filter).toBe("V");
  });

  it("reads the scale of a pixel under its other names, binned when its comment speaks of pixels before", () => {
    expect(facts(["IM_SCALE", 5.21]).arcsecPerPixel).toBe(5.21);
    expect(facts(["CCDSUM", "3 3"], ["PIXSCAL", 0.25, "Unbinned Pixel Scale"]).arcsecPerPixel).toBe(0.75);
  });

  it("reads temperatures that name kelvins, and none where the comment says so", () => {
    expect(facts(["CAMTEMP", 271, "Temperature in Kelvin, =-1 if no data"]).sensorTemperatureC).toBe(-2.15);
    expect(facts(["CAMTEMP", -1, "Temperature in Kelvin, =-1 if no data"]).sensorTemperatureC).toBe(null);
    expect(facts(["DETTEMP", 77, "[K] detector"]).sensorTemperatureC).toBe(-196.15);
    expect(facts(["DETTEMP", -102.25, "CCD Temp in Deg C"]).sensorTemperatureC).toBe(-102.25);
  });

  it("reads numbers with leading zeros and knows the full scale of 8 bit", () => {
    const text = "EXPTIME = 060.00 / Exposure time in Seconds".padEnd(80);
    const { cards } = parseCards(new TextEncoder().encode(text));
    expect(describeFrame(cards).exposureSeconds).toBe(60);
    expect(describeFrame([card("BITPIX", 8)]).fullScaleAdu).toBe(255);
  });

  it("takes the first of repeated cards and says so once", () => {
    const lines = ["GAIN    = 10", "OFFSET  = 5", "GAIN    = 20", "GAIN    = 20", "OFFSET  = 5"];
    const { cards, notes } = parseCards(new TextEncoder().encode(lines.map((each) => each.padEnd(80)).join("")));
    expect(describeFrame(cards).gainSetting).toBe(10);
    expect(notes).toEqual(['card GAIN stands several times with different values: "10" is taken, not "20"']);
  });

  it("reads the sections of picture and overscan, and passes over those that leave the frame", () => {
    const wide = (...cards: readonly (readonly [string, CardValue])[]) =>
      describeFrame([
        card("NAXIS", 2),
        card("NAXIS1", 20),
        card("NAXIS2", 10),
        ...cards.map(([keyword, value]) => card(keyword, value)),
      ]).sections;
    const picture = { x: 2, y: 0, width: 14, height: 10 };
    expect(wide(["TRIMSEC", "[3:16,1:10]"], ["BIASSEC", "[18:20,1:10]"])).toEqual({
      picture,
      overscan: { x: 17, y: 0, width: 3, height: 10 },
    });
    expect(wide(["TRIM01", "[3:16, 1:10]"])).toEqual({ picture, overscan: null });
    // two amplifiers have two levels, rows of overscan none for each row of the picture
    expect(wide(["TRIMSEC", "[3:16,1:10]"], ["BIASSEC", "[18:20,1:10]"], ["NUMAMP", 2])?.overscan).toBe(null);
    expect(wide(["TRIMSEC", "[3:16,1:8]"], ["BIASSEC", "[3:16,9:10]"])?.overscan).toBe(null);
    // trimmed before, the cards left behind; or nothing to trim
    expect(wide(["TRIMSEC", "[18:1382,1:1370]"])).toBe(undefined);
    expect(wide(["DATASEC", "[1:20,1:10]"])).toBe(undefined);
  });

  it("names the rig by telescope and camera", () => {
    expect(facts(["INSTRUME", "Cooled mono"], ["TELESCOP", "Long"]).rig).toBe("Long + Cooled mono");
    expect(facts(["INSTRUME", "Cooled mono"]).rig).toBe("Cooled mono");
  });

  it("knows the largest count of the type, or the one the header states", () => {
    expect(facts(["BZERO", 32768]).fullScaleAdu).toBe(65535);
    expect(facts().fullScaleAdu).toBe(32767);
    expect(facts(["SATURATE", 60000], ["BZERO", 32768]).fullScaleAdu).toBe(60000);
    expect(describeFrame([card("BITPIX", -32)]).fullScaleAdu).toBe(null);
  });
});

describe("mosaic from the header", () => {
  const at = (...cards: readonly (readonly [string, CardValue, string?])[]) => bayerFromHeader(frame(...cards));
  it("is the pattern as stored, moved by the offsets", () => {
    expect(at(["BAYERPAT", "RGGB"])).toBe("RGGB");
    expect(at(["BAYERPAT", "rggb"], ["XBAYROFF", 1])).toBe("GRBG");
    expect(at(["BAYERPAT", "RGGB"], ["YBAYROFF", 1])).toBe("GBRG");
    expect(at(["BAYERPAT", "RGGB"], ["XBAYROFF", 1], ["YBAYROFF", 1])).toBe("BGGR");
    expect(at(["COLORTYP", "BAYER_GB"])).toBe("GBRG");
    expect(at(["FILTER", "GRBG"])).toBe("GRBG");
    expect(at(["FILTER", "RG"])).toBe(null);
    expect(at(["COLORTYP", "MONO"])).toBe(null);
  });
  it("turns over with rows stored from the bottom, for an even number of them", () => {
    expect(at(["BAYERPAT", "RGGB"], ["ROWORDER", "TOP-DOWN"])).toBe("RGGB");
    expect(at(["BAYERPAT", "RGGB"], ["ROWORDER", "BOTTOM-UP"])).toBe("GBRG");
    const odd = [...frame(["BAYERPAT", "RGGB"], ["ROWORDER", "BOTTOM-UP"])].map((each) =>
      each.keyword === "NAXIS2" ? card("NAXIS2", 5) : each
    );
    expect(bayerFromHeader(odd)).toBe("RGGB");
  });
  it("is none when there are several planes", () => {
    expect(at(["BAYERPAT", "RGGB"], ["NAXIS3", 3])).toBe(null);
  });
  it("is written so that it is read back, whatever the row order", () => {
    for (const pattern of ["RGGB", "BGGR", "GRBG", "GBRG"] as const) {
      for (const order of ["TOP-DOWN", "BOTTOM-UP"]) {
        const text = bayerCardText([card("ROWORDER", order)], pattern, 4);
        expect(at(["BAYERPAT", text], ["ROWORDER", order])).toBe(pattern);
      }
    }
  });
});

tellSkipped("facts of the public sample frames");
describe.skipIf(openData === null)(
  "describeFrame, headers of public sample frames as their READMEs describe them",
  () => {
    const of = (name: string) => describeFrame(readFitsHeader(join(openData as string, name)));
    it("a mono light of M 13", () => {
      expect(of("lights-m13-mono/M13_blue_0001.fits")).toMatchObject({
        kind: "light",
        exposureSeconds: 5,
        binning: 1,
        width: 1392,
        height: 1040,
        planes: 1,
        bayer: null,
        dateUtc: "2013-05-05T04:09:39",
        pixelSizeMicrometres: 6.4500000000000002,
        fullScaleAdu: 65535,
      });
    });
    it("a light of a galaxy, binned 3 × 3 at −20 °C, unfiltered", () => {
      const found = of("lights-galaxy-pair/aligned_eso085-030-004.fit.gz");
      expect(found).toMatchObject({
        kind: "light",
        exposureSeconds: 60,
        binning: 3,
        width: 1024,
        height: 682,
        filter: "L",
      });
      expect(found.sensorTemperatureC).toBeCloseTo(-20.1, 1);
    });
    it("a colour mosaic that names its pattern as its filter", () => {
      expect(of("bayer/unsolved.fits")).toMatchObject({
        exposureSeconds: 120.4,
        bayer: "RGGB",
        filter: "",
        object: "KIC 8462852",
        sensorTemperatureC: 11,
      });
    });
    it("an observatory frame with electrons per ADU and a dewar in kelvins", () => {
      expect(of("calibration-single/a8280271.fits")).toMatchObject({
        kind: "light",
        electronsPerAdu: 1.9,
        gainSetting: null,
        sensorTemperatureC: -92.95,
        dateUtc: "2013-07-13T00:57:33",
      });
    });
  },
);
