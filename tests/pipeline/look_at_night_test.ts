/**
 * What a night's files are, before anything is measured: kinds that no header states, frames with overscan. Covers
 * pipeline/settle_kinds.ts, pipeline/trim_frames.ts, measure/guess_kind.ts, night/kind_decisions.ts and
 * io/frame_sections.ts.
 */
import { afterAll, describe, expect, it } from "vitest";
import { mkdtempSync, rmSync, statSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { listFrames, parseDecisions, readFits, writeFits } from "faintlight";
import { createImage, derive } from "faintlight/extend";
import { card, type CardValue, withoutCards } from "faintlight/io";
import { closePool } from "faintlight/parallel";
import { bytesNeeded } from "../../lib/pipeline/disk_space.ts";
import { lookAtNight } from "../../lib/pipeline/open_night.ts";
import { parseKindDecisions } from "../../lib/night/kind_decisions.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-look-"));
let count = 0;
const newFolder = (): string => join(base, `night-${++count}`);
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

const look = (folder: string, decisions: string | null = null) => {
  const { list, notes } = lookAtNight(folder, { out: `${folder}-out`, progress: null, decisions });
  return { list, notes };
};

describe("frames whose headers do not say what they are for", () => {
  const demo = fileURLToPath(new URL("../../demo-data/long", import.meta.url));
  const files = {
    "a.fits": "lights/Lantern_Ha_300s_001.fits",
    "b.fits": "darks/dark_300s_001.fits",
    "c.fits": "flats/flat_Ha_001.fits",
    "d.fits": "bias/bias_001.fits",
    "e.fits": "flat-darks/flatdark_2s_001.fits",
  };
  const nameless = (): string => {
    const folder = newFolder();
    for (const [name, from] of Object.entries(files)) {
      const image = readFits(join(demo, from));
      const bare = derive(
        image,
        { header: withoutCards(image.header, ["IMAGETYP", "OBJECT"]) },
        { step: "test", options: {} },
      );
      writeFits(join(folder, name), bare, { bitpix: 16, record: false });
    }
    return folder;
  };

  it("are told by exposure and pixels, in one line for all", () => {
    const { list, notes } = look(nameless());
    expect(list.records.map(({ file, kind }) => [file, kind])).toEqual([
      ["a.fits", "light"],
      ["b.fits", "dark"],
      ["c.fits", "flat"],
      ["d.fits", "bias"],
      ["e.fits", "dark"],
    ]);
    expect(notes.length).toBe(1);
    expect(notes[0]).toMatch(/^the headers of 5 files .*\(a.fits … e.fits\).*1 light, 2 darks, 1 flat and 1 bias/);
  });

  it("are what the decisions file says", () => {
    const folder = nameless();
    const decisions = join(base, "decisions.txt");
    writeFileSync(decisions, "flat-dark e.fits # its exposure is that of the flats\nreject a.fits\n");
    const { list, notes } = look(folder, decisions);
    expect(list.records[4].kind).toBe("flat-dark");
    expect(notes[0]).toMatch(/^the headers of 4 files/);
  });

  it("have lines of their own in a decisions file, beside verdicts", () => {
    const text = "keep a.fits\nflat b c.fits # dome\nflat-dark d.fits";
    expect(parseKindDecisions(text)).toEqual([
      { file: "b c.fits", kind: "flat" },
      { file: "d.fits", kind: "flat-dark" },
    ]);
    expect(parseDecisions(text).map(({ file }) => file)).toEqual(["a.fits"]);
    expect(() => parseDecisions("planet a.fits")).toThrow(/line 1 must be/);
  });
});

describe("frames with overscan", () => {
  const width = 24;
  const height = 12;
  /** Picture of 16 columns, every third alike, behind 4 of prescan, 4 of overscan whose level grows by the row. */
  const frame = (path: string, level: number, cards: Readonly<Record<string, CardValue>>) => {
    const data = Float32Array.from({ length: width * height }, (_, p) => {
      const x = p % width;
      return 1000 + Math.floor(p / width) + (x >= 4 && x < 20 ? level + x % 3 : 0);
    });
    const header = Object.entries({ INSTRUME: "Wide", ...cards }).map(([keyword, value]) => card(keyword, value));
    const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }], header });
    writeFits(path, image, { bitpix: 16, record: false });
  };
  const sections = { TRIMSEC: "[5:20,1:12]", BIASSEC: "[21:24,1:12]" };

  it("are trimmed alike for the whole rig, their level taken off by the row", () => {
    const folder = newFolder();
    frame(join(folder, "light.fits"), 300, { IMAGETYP: "Light", ...sections });
    frame(join(folder, "flat.fits"), 20000, { IMAGETYP: "Flat", ...sections });
    frame(join(folder, "bias.fits"), 2, { IMAGETYP: "Bias" });
    frame(join(folder, "other.fits"), 5, { IMAGETYP: "Dark", INSTRUME: "Narrow" });
    const { list, notes } = look(folder);
    const [bias, flat, light, other] = list.records;
    for (const record of [bias, flat, light]) expect([record.width, record.height]).toEqual([16, 12]);
    expect([other.width, other.height, other.path]).toEqual([24, 12, join(folder, "other.fits")]);
    // the running median over 11 rows bends at the edges: the middle rows hold the level itself
    const middle = (path: string) => readFits(path).planes[0].data.subarray(5 * 16, 7 * 16);
    const levels = (path: string) => [...new Set(middle(path))].sort((a, b) => a - b);
    expect(levels(light.path)).toEqual([300, 301, 302]);
    expect(levels(flat.path)).toEqual([20000, 20001, 20002]);
    expect(levels(bias.path)).toEqual([2, 3, 4]);
    expect(light.fullScaleAdu).toBeLessThan(other.fullScaleAdu as number);
    expect(notes).toEqual([
      "Wide: 3 frames are trimmed from 24 × 12 to 16 × 12 pixels, as their headers say; " +
      "the level of the overscan columns 21 to 24 is taken off row by row",
    ]);
    expect(look(folder).list.records).toEqual(list.records);
  });

  it("count in the estimate of the disk: each has a copy", () => {
    const folder = newFolder();
    frame(join(folder, "light.fits"), 300, { IMAGETYP: "Light", ...sections });
    frame(join(folder, "bias.fits"), 2, { IMAGETYP: "Bias" });
    const { records } = listFrames(folder);
    const without = records.map(({ sections: _, ...record }) => record);
    const copies = bytesNeeded(records) - bytesNeeded(without);
    const made = look(folder).list.records.reduce((sum, { path }) => sum + statSync(path).size, 0);
    expect(copies).toBeGreaterThan(made);
  });
});
