import { mkdirSync, readFileSync, symlinkSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { gzipSync } from "node:zlib";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { card, type CardValue, writeWhole } from "../../lib/doors/io.ts";
import { constantImage, listFrames, type ProgressEvent, writeFits } from "../../lib/mod.ts";
import { inFolder } from "./fixtures.ts";

const frame = (path: string, cards: Readonly<Record<string, CardValue>> = {}) =>
  writeFits(
    path,
    createImage({
      width: 3,
      height: 2,
      unit: "adu",
      planes: [{ channel: "L", data: new Float32Array(6) }],
      header: Object.entries(cards).map(([keyword, value]) => card(keyword, value)),
    }),
    { bitpix: 16, record: false, compress: path.endsWith(".fz") ? "RICE_1" : null },
  );

describe("listFrames", () => {
  it("lists every frame of all folders, sorted, with its facts, and every file it leaves out", () =>
    inFolder((folder) => {
      frame(join(folder, "b", "two.fit"), { IMAGETYP: "Light", FILTER: "Ha", "DATE-OBS": "2026-10-04T01:00:00" });
      frame(join(folder, "a", "one.FITS"), { IMAGETYP: "Dark Frame", EXPTIME: 300 });
      frame(join(folder, "a", "deep", "three.fts"), { IMAGETYP: "bias" });
      frame(join(folder, "four.fits.fz"), { IMAGETYP: "Flat", FILTER: "Red" });
      writeFileSync(join(folder, "five.fits.gz"), gzipSync(readFileSync(join(folder, "b", "two.fit"))));
      writeWhole(join(folder, "notes.txt"), "clear");
      writeWhole(join(folder, ".hidden.fits"), "x");
      writeWhole(join(folder, ".git", "a.fits"), "x");
      mkdirSync(join(folder, "empty"));
      const night = listFrames(folder);
      expect(night.records.map(({ file, kind, filter }) => [file, kind, filter])).toEqual([
        ["a/deep/three.fts", "bias", ""],
        ["a/one.FITS", "dark", ""],
        ["b/two.fit", "light", "Ha"],
        ["five.fits.gz", "light", "Ha"],
        ["four.fits.fz", "flat", "R"],
      ]);
      expect(night.skipped).toEqual([".git/", ".hidden.fits", "notes.txt"]);
      expect(night.unreadable).toEqual([]);
      expect(night.notes).toEqual([]);
      expect(night.records[2]).toMatchObject({ session: "2026-10-03", width: 3, height: 2, bytes: 5760 });
    }));

  it("carries on over files that cannot be used, and gives each its reason", () =>
    inFolder((folder) => {
      frame(join(folder, "good.fits"), { IMAGETYP: "Light", FILTER: "L" });
      writeWhole(join(folder, "text.fits"), "no frame");
      writeWhole(join(folder, "empty.fits"), "");
      const whole = readFileSync(join(folder, "good.fits"));
      writeFileSync(join(folder, "cut.fits"), whole.subarray(0, 2884));
      writeFileSync(join(folder, "cut.fits.gz"), gzipSync(whole).subarray(0, 150));
      writeFileSync(join(folder, "short.fits.gz"), gzipSync(whole.subarray(0, 2884)));
      const night = listFrames(folder);
      expect(night.records.map((each) => each.file)).toEqual(["good.fits"]);
      expect(night.unreadable.map(({ file, reason }) => [file, reason])).toEqual([
        ["cut.fits", "truncated"],
        ["cut.fits.gz", "truncated"],
        ["empty.fits", "not-fits"],
        ["short.fits.gz", "truncated"],
        ["text.fits", "not-fits"],
      ]);
      expect(night.unreadable[0].message).toMatch(
        /^cut\.fits: HDU 0 lacks the last 8 of 12 bytes of its data; the copy is incomplete/,
      );
    }));

  it("asks names of folders and files only where the header is silent, and says so", () =>
    inFolder((folder) => {
      frame(join(folder, "Darks", "x1.fits"));
      frame(join(folder, "darks", "x2.fits"), { IMAGETYP: "Light", FILTER: "L" });
      frame(join(folder, "flat darks", "x3.fits"));
      frame(join(folder, "lights", "OIII", "x4.fits"));
      frame(join(folder, "x5_Light_Ha_300s.fits"));
      frame(join(folder, "Darkmoon", "x6.fits"));
      const { records, notes } = listFrames(folder);
      expect(Object.fromEntries(records.map(({ file, kind, filter }) => [file.slice(-7), [kind, filter]])))
        .toMatchObject({
          "x1.fits": ["dark", ""],
          "x2.fits": ["light", "L"],
          "x3.fits": ["flat-dark", ""],
          "x4.fits": ["light", "OIII"],
          "0s.fits": ["light", "Ha"],
          "x6.fits": ["unknown", ""],
        });
      expect(notes.map(({ file, note }) => `${file}: ${note}`)).toEqual([
        'Darks/x1.fits: the header does not say what the exposure is for; "Darks" suggests dark',
        'flat darks/x3.fits: the header does not say what the exposure is for; "flat darks" suggests flat-dark',
        'lights/OIII/x4.fits: the header does not say what the exposure is for; "lights" suggests light',
        'lights/OIII/x4.fits: the header names no filter; "OIII" suggests OIII',
        'x5_Light_Ha_300s.fits: the header does not say what the exposure is for; "x5_Light_Ha_300s" suggests light',
        'x5_Light_Ha_300s.fits: the header names no filter; "x5_Light_Ha_300s" suggests Ha',
      ]);
    }));

  it("follows links to files, not to folders, and survives links to nothing", () =>
    inFolder((folder) => {
      frame(join(folder, "a.fits"), { IMAGETYP: "Light", FILTER: "L" });
      symlinkSync(join(folder, "a.fits"), join(folder, "b.fits"));
      symlinkSync(folder, join(folder, "loop"));
      symlinkSync(join(folder, "gone"), join(folder, "c.fits"));
      const night = listFrames(folder);
      expect(night.records.map((each) => each.file)).toEqual(["a.fits", "b.fits"]);
      expect(night.skipped).toEqual(["c.fits", "loop"]);
    }));

  it("names a link that leads out of the folder, and does not follow it", () =>
    inFolder((folder) => {
      frame(join(folder, "elsewhere", "a.fits"), { IMAGETYP: "Light", FILTER: "L" });
      frame(join(folder, "night", "b.fits"), { IMAGETYP: "Light", FILTER: "L" });
      symlinkSync(join(folder, "elsewhere", "a.fits"), join(folder, "night", "a.fits"));
      const night = listFrames(join(folder, "night"));
      expect(night.records.map((each) => each.file)).toEqual(["b.fits"]);
      expect(night.unreadable[0].message).toBe(
        "a.fits: is a link that leads out of the night's folder; copy the file there, or name the folder that holds it",
      );
    }));

  it("takes a table of the person's own filter names, and reports progress", () =>
    inFolder((folder) => {
      frame(join(folder, "a.fits"), { IMAGETYP: "Light", FILTER: "slot 5" });
      const seen: ProgressEvent[] = [];
      const { records } = listFrames(folder, { names: { SII: ["slot 5"] }, progress: (event) => seen.push(event) });
      expect(records[0].filter).toBe("SII");
      expect(seen).toEqual([{ label: "reading headers", done: 1, total: 1, note: "a.fits" }]);
    }));

  it("refuses a folder that is none", () =>
    inFolder((folder) => {
      expect(() => listFrames(join(folder, "none"))).toThrow(
        /none: does not exist; name the folder with the night's frames/,
      );
      writeFits(join(folder, "a.fits"), constantImage(1, 1, 0));
      expect(() => listFrames(join(folder, "a.fits"))).toThrow(/is no folder that can be listed/);
      expect(() => listFrames(folder, { filter: "L" } as object)).toThrow(/unknown option "filter"/);
    }));
});
