/** Covers byte_source.ts, fits_layout.ts, read_header.ts, read_region.ts and restored_header.ts. */
import { Buffer } from "node:buffer";
import { existsSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { gzipSync } from "node:zlib";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import type { Region } from "../../lib/doors/geometry.ts";
import { openFits, readFitsHeader, readRegion, setUnpackFolder } from "../../lib/doors/io.ts";
import { parallelMap } from "../../lib/doors/parallel.ts";
import { constantImage, type FrameError, readFits, writeFits } from "../../lib/mod.ts";
import { expectedFiles, fixture, inFolder, sumRegionTask } from "./fixtures.ts";

const cut = (data: ArrayLike<number>, width: number, { x, y, width: w, height: h }: Region): number[] =>
  Array.from({ length: w * h }, (_, index) => data[(y + Math.floor(index / w)) * width + x + index % w]);

describe("readRegion", () => {
  const files = [
    "plain-int16.fits",
    "plain-float32.fits",
    "plain-uint16.fits.gz",
    "scaled-int16-blank.fits",
    "tile-RICE_1-int16-rows.fits",
    "tile-RICE_1-int16-7x11.fits",
    "tile-GZIP_2-int16-7x11.fits",
    "tile-HCOMPRESS_1-odd.fits",
    "tile-RICE_1-cube-deep.fits",
    "cube-int16.fits",
    "float-RICE_1-dither1-tiles.fits",
    "float-RICE_1-fallback.fits",
  ];
  for (const name of files) {
    it(`gives the part of the whole: ${name}`, () => {
      const whole = readFits(fixture(name));
      const { width, height, planes } = whole;
      const file = openFits(fixture(name));
      const hdu = file.firstImage().index;
      const source = file.regionSource(hdu);
      const corner = fc.record({
        x: fc.nat(width - 1),
        y: fc.nat(height - 1),
        w: fc.nat(),
        h: fc.nat(),
        plane: fc.nat(planes.length - 1),
      });
      fc.assert(
        fc.property(corner, ({ x, y, w, h, plane }) => {
          const region = { x, y, width: 1 + w % (width - x), height: 1 + h % (height - y) };
          const expected = cut(planes[plane].data, width, region);
          expect([...file.readRegion(hdu, region, plane)]).toEqual(expected);
          expect([...readRegion(source, region, plane)]).toEqual(expected);
        }),
        { numRuns: 60 },
      );
      file.close();
    });
  }

  it("reads from a frame larger than a piece, wide and narrow", () =>
    inFolder((folder) => {
      const width = 3000;
      const height = 400;
      const data = Float32Array.from({ length: width * height }, (_, index) => (index * 7919) % 65536);
      const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
      for (const compress of [null, "RICE_1"] as const) {
        const path = join(folder, "a.fits");
        writeFits(path, image, { bitpix: 16, compress });
        const file = openFits(path);
        const hdu = file.firstImage().index;
        const regions = [
          { x: 0, y: 0, width, height },
          { x: 0, y: 17, width, height: 333 },
          { x: 11, y: 3, width: 2900, height: 390 },
          { x: 1500, y: 7, width: 5, height: 300 },
        ];
        for (const region of regions) {
          const into = new Float32Array(region.width * region.height + 1).fill(-1);
          file.readRegion(hdu, region, 0, into);
          // a million samples are compared by hand: the matcher would take longer than the reading
          expect(cut(data, width, region).findIndex((each, index) => each !== into[index])).toBe(-1);
          expect(into.at(-1)).toBe(-1);
        }
        file.close();
      }
    }));

  it("touches nothing but what it is asked for", () =>
    inFolder((folder) => {
      // a file cut off behind row 9 still gives rows 0 to 9
      const path = join(folder, "a.fits");
      const data = Float32Array.from({ length: 40 * 20 }, (_, index) => index);
      for (const compress of [null, "RICE_1"] as const) {
        writeFits(path, createImage({ width: 40, height: 20, unit: "adu", planes: [{ channel: "L", data }] }), {
          bitpix: 16,
          compress,
        });
        const whole = readFileSync(path);
        const open = openFits(path);
        const { dataStart, layout } = open.hdu(compress === null ? 0 : 1);
        open.close();
        const heap = layout?.tiles === null || layout === null ? 0 : layout.tiles.heap;
        const rowBytes = compress === null ? 80 : 0;
        const half = compress === null
          ? dataStart + 10 * rowBytes
          : dataStart + heap + Math.floor((layout!.dataBytes - heap) * 0.55);
        writeFileSync(path, whole.subarray(0, half));
        const file = openFits(path);
        const hdu = file.firstImage().index;
        expect([...file.readRegion(hdu, { x: 0, y: 0, width: 40, height: 10 })]).toEqual([...data.subarray(0, 400)]);
        let error: unknown = null;
        try {
          file.readRegion(hdu, { x: 0, y: 15, width: 40, height: 5 });
        } catch (caught) {
          error = caught;
        }
        expect((error as FrameError).reason).toBe("truncated");
        expect(() => readFits(path)).toThrow(/lacks the last \d+ of \d+ bytes of its data; the copy is incomplete/);
        file.close();
      }
    }));

  it("works in pool workers", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      const data = Float32Array.from({ length: 64 * 64 }, (_, index) => index % 997);
      writeFits(path, createImage({ width: 64, height: 64, unit: "adu", planes: [{ channel: "L", data }] }), {
        bitpix: 16,
        compress: "RICE_1",
      });
      const file = openFits(path);
      const source = file.regionSource(1);
      file.close();
      const jobs = [0, 16, 32, 48].map((y) => ({ source, region: { x: 0, y, width: 64, height: 16 } }));
      const sums = parallelMap(sumRegionTask, jobs);
      const expected = jobs.map(({ region }) => cut(data, 64, region).reduce((sum, each) => sum + each, 0));
      expect(sums).toEqual(expected);
      expect(structuredClone(source).layout).toEqual(source.layout);
    }));

  it("refuses what does not lie in the image", () => {
    const file = openFits(fixture("plain-int16.fits"));
    const ask = (region: Region, plane = 0, into?: Float32Array) => () => file.readRegion(0, region, plane, into);
    expect(ask({ x: 0, y: 0, width: 8, height: 1 })).toThrow(
      "readRegion: region must lie within 7 × 5, but got 8 × 1 at (0, 0)",
    );
    expect(ask({ x: NaN, y: 0, width: 1, height: 1 })).toThrow(RangeError);
    expect(ask({ x: 0, y: 0, width: 0, height: 1 })).toThrow(RangeError);
    expect(ask({ x: 0, y: 0, width: 1, height: 1 }, 1)).toThrow(/plane must be 0 to 0, but got 1/);
    expect(ask({ x: 0, y: 0, width: 2, height: 2 }, 0, new Float32Array(3))).toThrow(
      /into must hold 4 samples, but holds 3/,
    );
    file.close();
  });
});

describe("gzip files", () => {
  it("give their header from the first bytes alone", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      let state = 5;
      const noise = Float32Array.from({ length: 400 * 300 }, () => (state = (16807 * state) % 2147483647) % 65536);
      writeFits(path, createImage({ width: 400, height: 300, unit: "adu", planes: [{ channel: "L", data: noise }] }), {
        bitpix: 16,
      });
      const packed = gzipSync(readFileSync(path));
      // bytes in the middle of the data are spoilt: the header must not care, the pixels must
      packed.fill(0, Math.floor(packed.length / 2), Math.floor(packed.length / 2) + 2000);
      const spoilt = join(folder, "b.fits.gz");
      writeFileSync(spoilt, packed);
      expect(packed.length).toBeGreaterThan(150000);
      expect(readFitsHeader(spoilt).find((each) => each.keyword === "NAXIS1")?.value).toBe(400);
      expect(() => readFits(spoilt)).toThrow(/damaged gzip file|lacks the last|DATASUM/);
    }));
  it("are unpacked once for regions, and the copy goes when the file is closed", () =>
    inFolder((folder) => {
      const file = openFits(fixture("plain-uint16.fits.gz"), { spillFolder: folder });
      expect(readdirSync(folder)).toEqual([]);
      const part = file.readRegion(0, { x: 2, y: 1, width: 1, height: 1 });
      expect(part[0]).toBe(expectedFiles()["plain-uint16.fits.gz"].values[9]);
      expect(readdirSync(folder).length).toBe(1);
      file.readRegion(0, { x: 0, y: 0, width: 1, height: 1 });
      expect(readdirSync(folder).length).toBe(1);
      const copy = file.regionSource(0).file;
      expect(existsSync(copy)).toBe(true);
      file.close();
      expect(readdirSync(folder)).toEqual([]);
    }));
  it("stay in memory when there is no place to unpack them to", () => {
    const file = openFits(fixture("plain-uint16.fits.gz"), { spillFolder: join("no", "such", "folder") });
    expect(file.readRegion(0, { x: 2, y: 1, width: 1, height: 1 })[0]).toBe(
      expectedFiles()["plain-uint16.fits.gz"].values[9],
    );
    const source = file.regionSource(0);
    expect(source.bytes?.buffer).toBeInstanceOf(SharedArrayBuffer);
    file.close();
    const region = { x: 2, y: 1, width: 3, height: 2 };
    const whole = expectedFiles()["plain-uint16.fits.gz"].values;
    expect([...readRegion(source, region)]).toEqual([9, 10, 11, 16, 17, 18].map((index) => whole[index]));
  });
  it("are unpacked where the program says, and what a killed one left there goes", () =>
    inFolder((folder) => {
      const place = join(folder, "unpacked");
      mkdirSync(join(place, "faintlight-old"), { recursive: true });
      setUnpackFolder(place);
      try {
        expect(readdirSync(place)).toEqual([]);
        const file = openFits(fixture("plain-uint16.fits.gz"));
        expect(file.regionSource(0).file.startsWith(place)).toBe(true);
        file.close();
        expect(readdirSync(place)).toEqual([]);
      } finally {
        setUnpackFolder(null);
      }
    }));
  it("are known by their content, not their name, and may have several members", () =>
    inFolder((folder) => {
      const bytes = readFileSync(fixture("plain-uint16.fits"));
      writeFileSync(
        join(folder, "a.fits"),
        Buffer.concat([gzipSync(bytes.subarray(0, 3000)), gzipSync(bytes.subarray(3000))]),
      );
      expect([...readFits(join(folder, "a.fits")).planes[0].data]).toEqual(expectedFiles()["plain-uint16.fits"].values);
    }));
});

describe("openFits", () => {
  it("lists what a file holds", () => {
    const file = openFits(fixture("extensions.fits"));
    expect(file.hdus.map(({ index, kind, name, width, height }) => [index, kind, name, width, height])).toEqual([
      [0, "empty", "", 0, 0],
      [1, "table", "LIST", 0, 0],
      [2, "image", "SCI", 7, 5],
      [3, "image", "ERR", 7, 5],
    ]);
    expect(file.firstImage().index).toBe(2);
    expect(() => file.readRegion(1, { x: 0, y: 0, width: 1, height: 1 })).toThrow(/HDU 1 is no image but table/);
    expect(() => file.hdu(4)).toThrow(/has 4 HDUs, so there is no HDU 4; name one of 0 to 3/);
    file.close();
  });
  it("gives an image in an extension the cards of the empty primary HDU too", () => {
    const header = readFitsHeader(fixture("extensions.fits"));
    expect(header.find((each) => each.keyword === "EXPTIME")?.value).toBe(120);
    expect(readFits(fixture("extensions.fits")).planes[0].channel).toBe("OIII");
    expect(header.filter((each) => each.keyword === "NAXIS").length).toBe(1);
  });
  it("gives a compressed image the cards of the image it stands for", () => {
    const header = readFitsHeader(fixture("tile-RICE_1-uint16.fits"));
    expect(header.slice(0, 5).map((each) => [each.keyword, each.value])).toEqual([
      ["XTENSION", "IMAGE"],
      ["BITPIX", 16],
      ["NAXIS", 2],
      ["NAXIS1", 40],
      ["NAXIS2", 23],
    ]);
    expect(header.some((each) => /^(Z|T(FORM|TYPE|FIELDS))/.test(each.keyword))).toBe(false);
  });
  it("ignores what stands behind the last HDU, and says so", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, constantImage(2, 2, 1));
      writeFileSync(path, Buffer.concat([readFileSync(path), Buffer.alloc(100, "x")]));
      const file = openFits(path);
      expect(file.hdus.length).toBe(1);
      expect(file.hdus[0].notes.join()).toMatch(/100 bytes behind HDU 0 are no HDU/);
      file.close();
      expect(readFits(path).planes[0].data[3]).toBe(1);
    }));
});
