/**
 * Files that are small and claim to be large: each costs little, and the error names the file, the fact and the remedy.
 * Covers bounded_json.ts.
 */
import { describe, expect, it } from "vitest";
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import zlib from "node:zlib";
import { parseJson } from "../../lib/io/bounded_json.ts";
import { decodePng } from "../../lib/io/decode_png.ts";
import { parseCards } from "../../lib/io/fits_cards.ts";
import { readFits } from "../../lib/io/read_fits.ts";
import { parseRecipe } from "../../lib/pipeline/recipe.ts";
import { inFolder } from "./fixtures.ts";

const block = 2880;
const cardOf = (text: string): string => text.padEnd(80);
const start = ["SIMPLE  =                    T", "BITPIX  =                   16"];
const image = [
  ...start,
  "NAXIS   =                    2",
  "NAXIS1  =                   10",
  "NAXIS2  =                    8",
];
const padded = (bytes: Uint8Array): Uint8Array => {
  const out = new Uint8Array(Math.ceil(bytes.length / block) * block);
  out.fill(32);
  out.set(bytes);
  return out;
};
const header = (cards: readonly string[]): Uint8Array =>
  padded(new TextEncoder().encode([...cards, "END"].map(cardOf).join("")));
const data = new Uint8Array(block);

/** Write a file and read it. */
const read = (name: string, parts: readonly Uint8Array[], pack = false) =>
  inFolder((folder) => {
    const path = join(folder, name);
    const bytes = Buffer.concat(parts);
    writeFileSync(path, pack ? zlib.gzipSync(bytes) : bytes);
    return readFits(path);
  });

describe("a FITS file", () => {
  it("whose header never ends is given up after 57 600 cards", () => {
    const blanks = new Uint8Array(6_000_000).fill(32);
    expect(() => read("endless.fits", [new TextEncoder().encode(cardOf(image[0])), blanks])).toThrow(
      /endless\.fits: has more than 57600 cards in the header of HDU 0, before any END card; no camera writes so many/,
    );
  });

  it("of a thousand HDUs and more without an image says so shortly", () => {
    const empty = [...start, "NAXIS   =                    0", "EXTEND  =                    T"];
    const extension = header(["XTENSION= 'IMAGE   '", ...empty.slice(1, 3), "PCOUNT  = 0", "GCOUNT  = 1"]);
    expect(() => read("many.fits", [header(empty), ...Array(1100).fill(extension)])).toThrow(
      /many\.fits: holds no image \(empty, empty, empty, empty, empty and 995 more\); leave it out/,
    );
  });

  it("that was packed and unpacks to far more than its header promises is not unpacked further", () => {
    const zeros = new Uint8Array(80 * 2 ** 20);
    expect(() => read("bomb.fits.gz", [header(image), data, zeros], true)).toThrow(
      /bomb\.fits\.gz: unpacks to more than \d+ bytes, where its headers promise 5760; no camera writes such a file/,
    );
  });

  it("that was packed and holds somewhat more than its header promises is read", () => {
    const { width, height } = read("plain.fits.gz", [header(image), data, new Uint8Array(2 ** 20)], true);
    expect([width, height]).toEqual([10, 8]);
  });

  it("with a string over many cards is put together whole", () => {
    const piece = "0123456789".repeat(6);
    const cards = ["LONGSTR = 'a&'", ...Array(5000).fill(`CONTINUE  '${piece}&'`), "CONTINUE  'z' / end"];
    const { cards: found } = parseCards(header([...image, ...cards]));
    const long = found.find(({ keyword }) => keyword === "LONGSTR");
    expect(long?.value).toBe(`a${piece.repeat(5000)}z`);
    expect(long?.comment).toBe("end");
  });
});

describe("a PNG", () => {
  const chunk = (type: string, body: Uint8Array): Buffer => {
    const named = Buffer.concat([Buffer.from(type, "latin1"), body]);
    const out = Buffer.alloc(12 + body.length);
    out.writeUInt32BE(body.length, 0);
    named.copy(out, 4);
    out.writeUInt32BE(zlib.crc32(named), 8 + body.length);
    return out;
  };
  const png = (...chunks: Buffer[]): Uint8Array =>
    Buffer.concat([
      Buffer.from([0x89, 0x50, 0x4e, 0x47, 13, 10, 26, 10]),
      chunk("IHDR", Uint8Array.of(0, 0, 0, 10, 0, 0, 0, 10, 8, 0, 0, 0, 0)),
      ...chunks,
      chunk("IEND", new Uint8Array(0)),
    ]);
  const pixels = chunk("IDAT", zlib.deflateSync(new Uint8Array(110)));

  it("whose samples unpack to far more than its size is refused", () => {
    expect(() => decodePng(png(chunk("IDAT", zlib.deflateSync(new Uint8Array(2 ** 24)))))).toThrow(
      "pixel data must hold 110 bytes, but hold more than 65646",
    );
  });

  it("whose text unpacks to more than any record is refused", () => {
    const text = Buffer.concat([Buffer.from("x\0\0", "latin1"), zlib.deflateSync(new Uint8Array(65 * 2 ** 20))]);
    expect(() => decodePng(png(chunk("zTXt", text), pixels))).toThrow("a text must unpack to at most 67108864 bytes");
  });

  it("is read when it is as it should be", () => {
    expect(decodePng(png(pixels)).width).toBe(10);
  });
});

describe("parseJson", () => {
  it("reads what is nested as our own files are, brackets within strings left out", () => {
    const text = `{"a":"${"[".repeat(500)}\\"{","b":${"[".repeat(60)}1${"]".repeat(60)}}`;
    expect((parseJson(text, "a.json") as { a: string }).a.length).toBe(502);
  });

  it("refuses what is nested deeper, and says where", () => {
    expect(() => parseJson("[".repeat(1_000_000), "deep.json")).toThrow(
      "deep.json: must be nested at most 64 levels deep, but is deeper",
    );
    const options = `${"[".repeat(100)}${"]".repeat(100)}`;
    const recipe =
      `{"name":"x","steps":[{"id":"a","step":"saturate","inputs":["stack.L"],"options":{"factor":${options}}}]}`;
    expect(() => parseRecipe(recipe, "deep.json")).toThrow("deep.json: must be nested at most 64");
  });

  it("refuses what is no JSON", () => {
    expect(() => parseJson("{", "a.json")).toThrow(/^a\.json: must be JSON, but /);
  });
});
