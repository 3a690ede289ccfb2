/** Covers image_cards.ts and tile_table.ts. */
import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { createImage, derive } from "../../lib/doors/extend.ts";
import { plainGeometry } from "../../lib/doors/geometry.ts";
import { card, cardValue, openFits, readFitsHeader, writeWhole } from "../../lib/doors/io.ts";
import { pixelToSky } from "../../lib/doors/sky.ts";
import { constantImage, type FitsPart, type Image, readFits, writeFits, type WriteFitsOptions } from "../../lib/mod.ts";
import { digestOfPlanes, fixture, inFolder } from "./fixtures.ts";
import { writtenFiles } from "./written_files.ts";

interface Written {
  readonly sha256: string;
  readonly datasums: readonly string[];
  readonly sky: readonly [number, number] | null;
  readonly images: readonly {
    readonly hdu: number;
    readonly name: string;
    readonly shape: readonly number[];
    readonly type: string;
    readonly sha256: string;
    readonly note: string | null;
    readonly dome: number | null;
  }[];
}

const written = (JSON.parse(readFileSync(fixture("written.json"), "utf8")) as { files: Record<string, Written> }).files;

const one = (data: Float32Array, width: number, height: number, more: Partial<Image> = {}): Image =>
  createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }], ...more });

describe("writeFits, files that astropy 8.0.2 opened without complaint (fixtures/fits/check_written.py)", () => {
  for (const { name, stable, write } of writtenFiles) {
    it(name, () =>
      inFolder((folder) => {
        const path = join(folder, `${name}.fits`);
        write(path);
        const expected = written[name];
        // gzip streams depend on the version of zlib; their content does not
        if (stable) expect(createHash("sha256").update(readFileSync(path)).digest("hex")).toBe(expected.sha256);
        const file = openFits(path);
        const verdicts = file.hdus.map((hdu) => file.sums(hdu.index).verdict);
        file.close();
        expect(verdicts).toEqual(verdicts.map(() => "good"));
        for (const each of expected.images) {
          const image = readFits(path, { hdu: each.hdu });
          expect(digestOfPlanes(image.planes.map((plane) => plane.data))).toBe(each.sha256);
          if (each.note !== null) expect(cardValue(image.header, "NOTE")).toBe(each.note);
          if (each.dome !== null) expect(cardValue(image.header, "HIERARCH KESTREL DOME AZIMUTH")).toBe(each.dome);
        }
        if (expected.sky !== null) {
          const { wcs } = readFits(path).geometry;
          const { ra, dec } = pixelToSky(wcs as NonNullable<typeof wcs>, { x: 0, y: 0 });
          expect(ra).toBeCloseTo(expected.sky[0], 9);
          expect(dec).toBeCloseTo(expected.sky[1], 9);
        }
      }));
  }

  it("stores unsigned 16-bit counts as FITS 4.0 table 11 says, with the sum astropy finds", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, one(Float32Array.of(0, 1, 32767, 32768, 65535), 5, 1), { bitpix: 16, record: false });
      const bytes = readFileSync(path);
      expect(bytes.subarray(2880, 2890).toString("hex")).toBe("80008001ffff00007fff");
      expect(cardValue(readFitsHeader(path), "DATASUM")).toBe("4294868994");
    }));

  it("stores float32 as IEEE 754, NaN included, with the sum astropy finds", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, one(Float32Array.of(1, -2.5, NaN), 3, 1), { record: false });
      expect(readFileSync(path).subarray(2880, 2892).toString("hex")).toBe("3f800000c02000007fc00000");
      expect(cardValue(readFitsHeader(path), "DATASUM")).toBe("2136997889");
    }));
});

describe("writeFits and readFits", () => {
  const sizes = fc.record({
    width: fc.integer({ min: 1, max: 40 }),
    height: fc.integer({ min: 1, max: 7 }),
    planes: fc.integer({ min: 1, max: 4 }),
  });
  const kinds: readonly (Partial<WriteFitsOptions> & { readonly least: number; readonly most: number })[] = [
    { bitpix: 8, least: 0, most: 255 },
    { bitpix: 16, least: 0, most: 65535 },
    { bitpix: 16, least: -32768, most: 32767 },
    { bitpix: 32, least: -(2 ** 24), most: 2 ** 24 },
    { bitpix: 8, compress: "RICE_1", least: 0, most: 255 },
    { bitpix: 16, compress: "RICE_1", least: 0, most: 65535 },
    { bitpix: 16, compress: "RICE_1", least: -32768, most: 32767 },
    { bitpix: 32, compress: "RICE_1", least: -(2 ** 24), most: 2 ** 24 },
    { bitpix: 16, compress: "GZIP_1", least: 0, most: 65535 },
    { bitpix: 32, compress: "GZIP_2", least: -(2 ** 24), most: 2 ** 24 },
  ];
  it("give integers back exactly, of every size and compression, smooth or wild", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      fc.assert(
        fc.property(
          sizes,
          fc.constantFrom(...kinds),
          fc.integer(),
          fc.double({ min: 0, max: 1, noNaN: true }),
          ({ width, height, planes }, kind, seed, wildness) => {
            const { least, most, ...options } = kind;
            let state = Math.abs(seed) % 2147483646 + 1;
            const uniform = () => (state = (16807 * state) % 2147483647) / 2147483647;
            const wild = Array.from({ length: planes }, () =>
              Float32Array.from({ length: width * height }, () =>
                uniform() < wildness
                  ? Math.floor(least + uniform() * (most - least + 1))
                  : Math.round(least + 9 + 3 * uniform())));
            const image = createImage({
              width,
              height,
              unit: "adu",
              planes: wild.map((data, index) => ({ channel: `p${index}`, data })),
            });
            writeFits(path, image, options);
            const back = readFits(path);
            expect(back.planes.map((plane) =>
              plane.channel
            )).toEqual(image.planes.map((plane) => plane.channel));
            back.planes.forEach((plane, index) => expect(plane.data).toEqual(wild[index]));
          },
        ),
        { numRuns: 150 },
      );
    }));

  it("give any float32 back, bit for bit", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      const floats = fc.array(fc.integer({ min: -(2 ** 31), max: 2 ** 31 - 1 }), { minLength: 1, maxLength: 60 });
      fc.assert(
        fc.property(floats, fc.constantFrom(null, "GZIP_1" as const, "GZIP_2" as const), (bits, compress) => {
          const data = new Float32Array(Int32Array.from(bits).buffer);
          writeFits(path, one(data, bits.length, 1), { compress });
          const back = readFits(path).planes[0].data;
          // a not-a-number may come back quiet when a float32 passes a register; all else must keep its bits
          const kept = new Int32Array(back.buffer, back.byteOffset, back.length);
          bits.forEach((each, index) => {
            if (data[index] === data[index]) expect(kept[index]).toBe(each);
            else expect(back[index]).toBeNaN();
          });
        }),
        { numRuns: 100 },
      );
    }));

  it("give any text back from a card, however long, with quotes and blanks", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      const text = fc.string({ unit: fc.constantFrom("a", "Z", "'", "&", "/", " ", "=", "~", "9"), maxLength: 300 });
      fc.assert(
        fc.property(text, fc.string({ unit: "grapheme-ascii", maxLength: 30 }), (value, comment) => {
          writeFits(path, constantImage(1, 1, 0, {}), { record: false });
          const image = one(Float32Array.of(0), 1, 1, { header: [card("TEXT", value, comment), card("AFTER", 1)] });
          writeFits(path, image, { record: false });
          const header = readFitsHeader(path);
          // trailing blanks do not count, and blanks alone are one blank (FITS 4.0 section 4.2.1.1)
          const expected = value.trimEnd() === "" ? (value === "" ? "" : " ") : value.trimEnd();
          expect(cardValue(header, "TEXT")).toBe(expected);
          expect(cardValue(header, "AFTER")).toBe(1);
        }),
        { numRuns: 200 },
      );
    }));

  it("keep cards that nothing touched byte for byte", () =>
    inFolder((folder) => {
      const source = fixture("header-forms.fits");
      const path = join(folder, "copy.fits");
      writeFits(path, readFits(source), { bitpix: 16, record: false });
      const cards = (file: string) => {
        const text = readFileSync(file).subarray(0, 5 * 2880).toString("latin1");
        return Array.from({ length: text.indexOf("END".padEnd(80)) / 80 }, (_, index) =>
          text.slice(80 * index, 80 * index + 80));
      };
      const ours = new Set(cards(path));
      const lost = cards(source).filter((each) =>
        !ours.has(each) && !/^(BSCALE|BZERO|CHECKSUM|DATASUM)/.test(each)
      );
      expect(lost).toEqual([]);
    }));

  it("make the cards true that describe the samples and the sky", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      const image = readFits(fixture("header-forms.fits"));
      const cropped = derive(image, {
        width: 1,
        height: 1,
        planes: [{ channel: "L", data: Float32Array.of(3) }],
        geometry: {
          ...image.geometry,
          wcs: { ...image.geometry.wcs!, referencePixel: { x: 500, y: 510 } },
          origin: { x: 11, y: 1 },
        },
      }, { step: "crop", options: {} });
      writeFits(path, cropped);
      const header = readFitsHeader(path);
      expect(["BITPIX", "NAXIS1", "NAXIS2", "CRPIX1", "CRPIX2"].map((name) => cardValue(header, name))).toEqual([
        -32,
        1,
        1,
        501,
        511,
      ]);
      expect(cardValue(header, "CD1_1")).toBe(-0.5454 / 3600);
      expect(readFits(path).geometry).toEqual(cropped.geometry);
      writeFits(path, derive(cropped, { geometry: plainGeometry }, { step: "forget", options: {} }));
      expect(cardValue(readFitsHeader(path), "CRPIX1")).toBe(undefined);
    }));

  it("keep unit, channels, geometry, mosaic and provenance", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      const source = createImage({
        width: 2,
        height: 2,
        unit: "electron",
        planes: [{ channel: "mosaic", data: Float32Array.of(1, 2, 3, 4) }],
        geometry: { origin: { x: 1, y: 3 }, scale: 1, arcsecPerPixel: 1.25, wcs: null, bayer: "GBRG" },
      }, { step: "simulate", options: { seed: 4 }, notes: ["made up: é"] });
      const doubled = derive(source, {}, { step: "double", options: { radius: NaN } });
      writeFits(path, doubled);
      const back = readFits(path);
      expect(back.unit).toBe("electron");
      expect(back.planes[0].channel).toBe("mosaic");
      expect(back.geometry).toEqual(doubled.geometry);
      expect(back.history.nodes.map((node) => node.step)).toEqual(["simulate", "double", "readFits"]);
      expect(back.history.nodes.slice(0, 2)).toEqual(doubled.history.nodes);
      expect(back.history.nodes[2].inputs).toEqual([doubled.history.head]);
      // a second journey adds one reading and changes nothing else
      writeFits(path, back);
      expect(readFits(path).history.nodes.slice(0, 3)).toEqual(back.history.nodes);
      expect(readFits(path).geometry).toEqual(back.geometry);
      for (const unit of ["adu", "electron/s", "display"] as const) {
        writeFits(
          path,
          derive(back, { unit, geometry: { ...back.geometry, bayer: null } }, { step: "as", options: {} }),
        );
        expect(readFits(path).unit).toBe(unit);
        expect(readFits(path).geometry.bayer).toBe(null);
      }
    }));

  it("say so when the record was changed behind our back, and do not believe it", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, constantImage(2, 2, 1), { checksum: false });
      const bytes = readFileSync(path);
      const at = bytes.indexOf('"step":"constantImage"');
      expect(at).toBeGreaterThan(0);
      bytes.write('"step":"constantImagf"', at, "latin1");
      writeWhole(path, bytes);
      const { nodes } = readFits(path).history;
      expect(nodes.map((node) => node.step)).toEqual(["readFits"]);
      expect(nodes[0].notes.join()).toMatch(/FLRECORD was changed after it was written/);
    }));

  it("keep mask, variance and coverage, also of a region", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      const image = createImage({
        width: 3,
        height: 2,
        unit: "adu",
        planes: ["R", "G"].map((channel) => ({ channel, data: Float32Array.of(1, 2, 3, 4, 5, 6) })),
        mask: Uint8Array.of(0, 1, 2, 4, 8, 255),
        variance: [Float32Array.of(1, 2, 3, 4, 5, 6), Float32Array.of(6, 5, 4, 3, 2, 1)],
        coverage: Float32Array.of(9, 8, 7, 6, 5, 4),
      });
      for (const compress of [null, "GZIP_2"] as const) {
        writeFits(path, image, { compress });
        const back = readFits(path);
        expect([...back.mask!]).toEqual([...image.mask!]);
        expect(back.variance!.map((each) => [...each])).toEqual(image.variance!.map((each) => [...each]));
        expect([...back.coverage!]).toEqual([...image.coverage!]);
        const part = readFits(path, { region: { x: 1, y: 1, width: 2, height: 1 } });
        expect([...part.mask!]).toEqual([8, 255]);
        expect([...part.variance![1]]).toEqual([2, 1]);
        expect([...part.coverage!]).toEqual([5, 4]);
        writeFits(path, image, { compress, extras: false });
        expect(readFits(path).mask).toBe(null);
      }
    }));

  it("are the same bytes for the same image", () =>
    inFolder((folder) => {
      const image = constantImage(9, 9, 3.5);
      writeFits(join(folder, "a.fits"), image);
      writeFits(join(folder, "b.fits"), image);
      expect(readFileSync(join(folder, "a.fits")).equals(readFileSync(join(folder, "b.fits")))).toBe(true);
    }));

  it("escape what a header may not hold", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, one(Float32Array.of(0), 1, 1, { header: [card("FILTER", "Hα"), card("HISTORY", "Überlingen")] }));
      expect(cardValue(readFitsHeader(path), "FILTER")).toBe("H\\u03b1");
      expect(cardValue(readFitsHeader(path), "HISTORY")).toBe("\\u00dcberlingen");
    }));
});

describe("writeFits, misuse", () => {
  const path = join("never", "written.fits");
  const image = constantImage(2, 2, 70000);
  const cases: readonly (readonly [string, Image | readonly FitsPart[], object, RegExp])[] = [
    [
      "values that do not fit",
      image,
      { bitpix: 16 },
      /values must lie within 0 to 65535 for bitpix 16, but reach from 70000 to 70000/,
    ],
    ["Rice of floats", image, { compress: "RICE_1" }, /"RICE_1" must be used with integers.*use GZIP_2/],
    ["an unknown type", image, { bitpix: 12 }, /bitpix must be 8, 16, 32, -32 or -64, but got 12/],
    ["an unknown compression", image, { compress: "ZIP" }, /compress must be RICE_1/],
    ["an unknown option", image, { compres: null }, /unknown option "compres"; did you mean "compress"/],
    ["nothing", [], {}, /at least one part/],
    ["infinity as an integer", constantImage(1, 1, Infinity), { bitpix: 32 }, /reach from .*Infinity/],
    [
      "a keyword that is none",
      createImage({ ...image, header: [card("TOO LONG A WORD", 1)] }),
      {},
      /keyword must have 1 to 8/,
    ],
    ["NaN in a card", createImage({ ...image, header: [card("X", NaN)] }), {}, /card must hold a finite number/],
  ];
  for (const [what, content, options, message] of cases) {
    it(`refuses ${what}`, () => {
      expect(() => writeFits(path, content, options)).toThrow(message);
    });
  }
  it("refuses NaN among integers when every code is taken", () => {
    const data = new Float32Array(65537);
    for (let i = 0; i < 65536; i++) data[i] = i;
    data[65536] = NaN;
    expect(() => writeFits(path, one(data, 65537, 1), { bitpix: 16 })).toThrow(
      /a value must be free to stand for missing/,
    );
  });
});
