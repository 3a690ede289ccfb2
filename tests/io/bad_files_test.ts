/** Covers core/errors.ts and card_reader.ts. */
import { Buffer } from "node:buffer";
import { mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { constantImage, FrameError, type FrameErrorReason, readFits, writeFits } from "../../lib/mod.ts";
import { fixture, inFolder } from "./fixtures.ts";

const block = (cards: readonly string[], data = ""): Buffer => {
  const header = [...cards, "END"].map((each) => each.padEnd(80)).join("");
  const padded = header.padEnd(Math.ceil(header.length / 2880) * 2880) + data;
  return Buffer.from(padded, "latin1");
};
const image = [
  "SIMPLE  =                    T",
  "BITPIX  =                    8",
  "NAXIS   =                    2",
  "NAXIS1  =                    3",
  "NAXIS2  =                    2",
];
const table = (name: string, change: (bytes: Buffer) => void): Buffer => {
  const bytes = Buffer.from(readFileSync(fixture(name)));
  change(bytes);
  return bytes;
};
const replaceCard = (keyword: string, text: string) => (bytes: Buffer) => {
  const at = bytes.indexOf(keyword.padEnd(8) + "=");
  bytes.write(text.padEnd(80), at, "latin1");
};

const cases: readonly (readonly [string, Buffer, FrameErrorReason, RegExp])[] = [
  ["an empty file", Buffer.alloc(0), "not-fits", /is empty \(0 bytes\); copy it again/],
  [
    "text",
    Buffer.from("no frame at all"),
    "not-fits",
    /is not a FITS file: it begins with "no frame " instead of "SIMPLE {2}="/,
  ],
  ["a picture", Buffer.from("\x89PNG\r\n\x1a\n and more", "latin1"), "not-fits", /leave it out, or convert it to FITS/],
  [
    "a few bytes",
    Buffer.from("SIMPLE  ="),
    "truncated",
    /ends at byte 9 inside the header of HDU 0, before its END card/,
  ],
  [
    "a header without END",
    Buffer.from(image.map((each) => each.padEnd(80)).join("").padEnd(5760)),
    "truncated",
    /before its END card/,
  ],
  ["another packing", Buffer.from("BZh91AY"), "not-fits", /is packed with bzip2; unpack it first/],
  [
    "gzip of nothing sensible",
    Buffer.from([0x1f, 0x8b, 8, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9]),
    "unreadable",
    /is a damaged gzip file/,
  ],
  [
    "no BITPIX",
    block(image.filter((each) => !each.startsWith("BITPIX"))),
    "bad-card",
    /card BITPIX of HDU 0 must be 8, 16, 32, 64, -32 or -64, but is missing/,
  ],
  [
    "an odd BITPIX",
    block([image[0], "BITPIX  =                   12", ...image.slice(2)]),
    "bad-card",
    /card BITPIX .* but is 12/,
  ],
  [
    "a negative axis",
    block([...image.slice(0, 4), "NAXIS2  =                   -2"]),
    "bad-card",
    /card NAXIS2 of HDU 0 must be a whole number of at least 0, but is -2/,
  ],
  ["a text for an axis", block([...image.slice(0, 4), "NAXIS2  = 'two'"]), "bad-card", /card NAXIS2 .* but is 'two'/],
  [
    "too many axes",
    block([...image.slice(0, 2), "NAXIS   =                 1000"]),
    "bad-card",
    /card NAXIS of HDU 0 must be at most 999/,
  ],
  [
    "BSCALE of 0",
    block([...image, "BSCALE  =                  0.0"], "x".repeat(2880)),
    "bad-card",
    /card BSCALE of HDU 0 must not be 0/,
  ],
  [
    "data cut short",
    block(image, "xxxxx"),
    "truncated",
    /HDU 0 lacks the last 1 of 6 bytes of its data; the copy is incomplete/,
  ],
  ["no data at all", block(image), "truncated", /HDU 0 lacks the last 6 of 6 bytes/],
  [
    "a header alone",
    block([image[0], image[1], "NAXIS   =                    0"]),
    "no-image",
    /holds no image \(empty\); leave it out/,
  ],
  [
    "colours pixel by pixel",
    block([...image.slice(0, 2), "NAXIS   = 3", "NAXIS1  = 3", "NAXIS2  = 40", "NAXIS3  = 32"], "x".repeat(5760)),
    "wrong-shape",
    /its colours are stored pixel by pixel; save it with one plane a colour/,
  ],
  [
    "an unknown tile compression",
    table("tile-RICE_1-int16-rows.fits", replaceCard("ZCMPTYPE", "ZCMPTYPE= 'LZW_9   '")),
    "unsupported",
    /card ZCMPTYPE of HDU 1 names the tile compression "LZW_9"/,
  ],
  [
    "a tile compression of 20 digits",
    table("tile-RICE_1-int16-rows.fits", replaceCard("ZCMPTYPE", "ZCMPTYPE= 12345678901234567890")),
    "unsupported",
    /card ZCMPTYPE of HDU 1 names the tile compression "12345678901234567890"/,
  ],
  [
    "an unknown quantisation",
    table("float-RICE_1-dither1.fits", replaceCard("ZQUANTIZ", "ZQUANTIZ= 'DITHER_9'")),
    "unsupported",
    /card ZQUANTIZ of HDU 1 names the quantisation "DITHER_9"/,
  ],
  [
    "an unusual Rice width",
    table("tile-RICE_1-int16-rows.fits", replaceCard("ZVAL2", "ZVAL2   =                    3")),
    "bad-card",
    /BYTEPIX of HDU 1 must be 1, 2 or 4, but is 3/,
  ],
  [
    "too few tiles",
    table("tile-RICE_1-int16-rows.fits", replaceCard("NAXIS2", "NAXIS2  =                   22")),
    "bad-card",
    /card NAXIS2 of HDU 1 must count 23 tiles, but is 22/,
  ],
  [
    "a tile beyond the heap",
    table("tile-RICE_1-int16-rows.fits", (bytes) =>
      bytes.writeInt32BE(
        1 << 30,
        bytes.indexOf("XTENSION") +
          2880 * Math.ceil((bytes.indexOf("END".padEnd(80), bytes.indexOf("XTENSION")) - 2880 + 80) / 2880) + 4,
      )),
    "unreadable",
    /tile 1 of HDU 1 lies beyond the data/,
  ],
  [
    "changed data",
    table("extensions.fits", (bytes) => bytes.write("zz", bytes.length - 2880)),
    "checksum",
    /the data of HDU 3 add up to \d+, but DATASUM says \d+; copy the file again/,
  ],
  [
    "a changed header",
    table("header-forms.fits", replaceCard("YES", "YES     =                    F")),
    "checksum",
    /the header of HDU 0 was changed after its CHECKSUM was written; its data are intact; read it with \{ checksum: "accept" \}/,
  ],
];

describe("files that cannot be used are refused by name, reason and remedy", () => {
  for (const [what, bytes, reason, message] of cases) {
    it(what, () =>
      inFolder((folder) => {
        const path = join(folder, "bad.fits");
        writeFileSync(path, bytes);
        const read = () => readFits(path, what === "changed data" ? { hdu: 3 } : {});
        let error: unknown = null;
        try {
          read();
        } catch (caught) {
          error = caught;
        }
        expect(error).toBeInstanceOf(FrameError);
        expect((error as FrameError).reason).toBe(reason);
        expect((error as FrameError).path).toBe(path);
        expect((error as FrameError).message).toMatch(message);
        expect((error as FrameError).message.startsWith(`${path}: `)).toBe(true);
      }));
  }
  it("a missing file, a folder", () =>
    inFolder((folder) => {
      expect(() => readFits(join(folder, "none.fits"))).toThrow(/none\.fits: does not exist; check the path/);
      mkdirSync(join(folder, "dir.fits"));
      expect(() => readFits(join(folder, "dir.fits"))).toThrow(/is a folder, not a file/);
    }));
  it("any file, cut anywhere or with any byte changed, is read or refused, never more", () =>
    inFolder((folder) => {
      const path = join(folder, "bad.fits");
      const names = [
        "plain-int16.fits",
        "extensions.fits",
        "tile-RICE_1-int16-7x11.fits",
        "tile-GZIP_2-int16-rows.fits",
        "tile-HCOMPRESS_1-int16.fits",
        "tile-PLIO_1-int16.fits",
        "float-RICE_1-dither1.fits",
        "plain-uint16.fits.gz",
      ];
      fc.assert(
        fc.property(fc.constantFrom(...names), fc.nat(), fc.nat(255), fc.boolean(), (name, place, value, cut) => {
          const bytes = Buffer.from(readFileSync(fixture(name)));
          const at = place % bytes.length;
          if (!cut) bytes[at] = value;
          writeFileSync(path, cut ? bytes.subarray(0, at) : bytes);
          try {
            const { width, height, planes } = readFits(path);
            expect(planes[0].data.length).toBe(width * height);
          } catch (error) {
            expect(error).toBeInstanceOf(FrameError);
          }
        }),
        { numRuns: 400 },
      );
    }));
});

describe("files with a flaw that readers must tolerate", () => {
  it("a last block without its padding is read, with a note", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, constantImage(3, 2, 5));
      writeFileSync(path, readFileSync(path).subarray(0, -2000));
      const back = readFits(path);
      expect([...back.planes[0].data]).toEqual([5, 5, 5, 5, 5, 5]);
      expect(back.history.nodes.at(-1)?.notes).toEqual([
        "the last block lacks 2000 bytes of padding; the data are whole",
      ]);
    }));
  it("wrong sums are accepted when asked for, with a note, or not looked at", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFits(path, constantImage(3, 2, 5));
      const bytes = readFileSync(path);
      bytes[bytes.length - 2880] = 0x41;
      writeFileSync(path, bytes);
      expect(() => readFits(path)).toThrow(/DATASUM says/);
      const accepted = readFits(path, { checksum: "accept" });
      expect(accepted.history.nodes.at(-1)?.notes.join()).toMatch(
        /the data of HDU 0 add up to \d+, but DATASUM says \d+/,
      );
      expect(readFits(path, { checksum: "ignore" }).history.nodes.at(-1)?.notes).toEqual([]);
    }));
  it("odd cards are read with a note", () =>
    inFolder((folder) => {
      const path = join(folder, "a.fits");
      writeFileSync(path, block([...image, "OBJECT  = 'no end"], "x".repeat(2880)));
      expect(readFits(path).history.nodes.at(-1)?.notes).toEqual(["card OBJECT at byte 400 has no closing quote"]);
    }));
});
