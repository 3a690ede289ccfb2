/** Covers decode_png.ts, png_strip.ts and orientation.ts. */
import { readFileSync } from "node:fs";
import zlib from "node:zlib";
import fc from "fast-check";
import { decode as fastDecode, encode as fastEncode } from "fast-png";
import { describe, expect, it } from "vitest";
import { adler32, combineAdler } from "../../lib/io/png_strip.ts";
import { createImage } from "../../lib/doors/extend.ts";
import { card, decodePng, encodePng16, imageFromPng, readPngRecord } from "../../lib/doors/io.ts";
import { constantImage } from "../../lib/mod.ts";

const chunks = (bytes: Uint8Array) => {
  const view = new DataView(bytes.buffer, bytes.byteOffset);
  const found: { type: string; data: Uint8Array; crc: string }[] = [];
  for (let at = 8; at < bytes.length;) {
    const length = view.getUint32(at);
    found.push({
      type: String.fromCharCode(...bytes.subarray(at + 4, at + 8)),
      data: bytes.subarray(at + 8, at + 8 + length),
      crc: view.getUint32(at + 8 + length).toString(16).toUpperCase().padStart(8, "0"),
    });
    at += 12 + length;
  }
  return found;
};
const planesOf = (width: number, height: number, channels: number, value: (i: number, c: number) => number) => ({
  width,
  height,
  planes: Array.from(
    { length: channels },
    (_, c) => Float32Array.from({ length: width * height }, (_, i) => value(i, c)),
  ),
});

describe("encodePng16", () => {
  it("rounds to the nearest code, clamps, and draws no data as black", () => {
    const values = [0, 1, 0.5, -0.2, 1.7, NaN, 0.49 / 65535, 0.51 / 65535, 1234 / 65535];
    const { samples } = decodePng(encodePng16(planesOf(9, 1, 1, (i) => values[i])));
    expect([...samples]).toEqual([0, 65535, 32768, 0, 65535, 0, 0, 1, 1234]);
    const eight = decodePng(encodePng16(planesOf(9, 1, 1, (i) => values[i]), { bits: 8 }));
    expect([...eight.samples]).toEqual([0, 255, 128, 0, 255, 0, 0, 0, 5]);
  });
  it("writes the chunks in the order of the specification, with the published and zlib-computed CRCs", () => {
    // CRC values: zlib on the chunk contents of the PNG specification (IHDR 1 × 1 16-bit RGB, cICP 1,13,0,1, sRGB,
    // gAMA, cHRM, IEND)
    const found = chunks(encodePng16(constantImage(1, 1, 0.25, { unit: "display", channels: ["R", "G", "B"] }), {
      record: "{}",
      text: { Title: "Lantern Nebula" },
      significantBits: 14,
      pixelsPerMetre: 11811,
    }));
    expect(found.map((each) => each.type)).toEqual(
      ["IHDR", "cICP", "sRGB", "gAMA", "cHRM", "sBIT", "pHYs", "iTXt", "iTXt", "IDAT", "IEND"],
    );
    const crc = Object.fromEntries(found.map((each) => [each.type, each.crc]));
    expect([crc.IHDR, crc.cICP, crc.sRGB, crc.gAMA, crc.cHRM, crc.IEND]).toEqual(
      ["C0E78F9D", "9C693B32", "AECE1CE9", "0BFC6105", "9CBA513C", "AE426082"],
    );
    expect([...found[5].data]).toEqual([14, 14, 14]);
  });
  it("agrees with fast-png on random pictures of every kind it writes", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 40 }),
        fc.integer({ min: 1, max: 40 }),
        fc.constantFrom(1 as const, 3 as const),
        fc.constantFrom(8, 16),
        fc.integer(),
        (width, height, channels, bits, seed) => {
          const values = Array.from(
            { length: width * height * channels },
            (_, i) => Math.imul(i * 7 + seed, 0x9e3779b1) >>> (i % 3 === 0 ? 16 : 24),
          );
          const samples = bits === 16 ? Uint16Array.from(values) : Uint8Array.from(values);
          const bytes = encodePng16({ width, height, channels, samples });
          const other = fastDecode(bytes, { checkCrc: true });
          expect([other.width, other.height, other.channels, other.depth]).toEqual([width, height, channels, bits]);
          expect(Array.from(other.data as Uint8Array)).toEqual(Array.from(samples));
          expect(Array.from(decodePng(bytes).samples)).toEqual(Array.from(samples));
        },
      ),
      { seed: 20261003, numRuns: 60 },
    );
  });
  it("joins strips into one zlib stream that others read", () => {
    const width = 1100;
    const height = 700; // 4.6 MB of samples: three strips
    const source = planesOf(width, height, 3, (i, c) => ((i * 31 + c * 977) % 65536) / 65535);
    const bytes = encodePng16(source);
    const data = chunks(bytes).filter((each) => each.type === "IDAT");
    expect(data.length).toBe(3);
    const raw = zlib.inflateSync(new Uint8Array(data.flatMap((each) => [...each.data]))); // zlib checks the Adler sum
    expect(raw.length).toBe(height * (width * 6 + 1));
    const other = fastDecode(bytes, { checkCrc: true }).data;
    const wrong = Array.from({ length: width * height * 3 }, (_, at) => at)
      .filter((at) => other[at] !== (Math.floor(at / 3) * 31 + at % 3 * 977) % 65536);
    expect(wrong).toEqual([]);
  });
  it("turns rows round where the header says that they run upwards, and only there", () => {
    const rows = (order: string | null) => {
      const planes = [{ channel: "L", data: Float32Array.of(0, 0, 0.2, 0.2, 1, 1) }];
      const header = order === null ? [] : [card("ROWORDER", order)];
      const image = createImage({ width: 2, height: 3, unit: "display", planes, header });
      return [...decodePng(encodePng16(image, { bits: 8 })).samples];
    };
    expect(rows(null)).toEqual([0, 0, 51, 51, 255, 255]);
    expect(rows("TOP-DOWN")).toEqual([0, 0, 51, 51, 255, 255]);
    expect(rows("BOTTOM-UP")).toEqual([255, 255, 51, 51, 0, 0]);
  });
  it("gives the same bytes for private and for shared memory", () => {
    const plain = planesOf(900, 500, 3, (i) => (i % 251) / 250);
    const shared = plain.planes.map((plane) => {
      const copy = new Float32Array(new SharedArrayBuffer(plane.byteLength));
      copy.set(plane);
      return copy;
    });
    expect(encodePng16({ ...plain, planes: shared })).toEqual(encodePng16(plain));
  });
  it("keeps flat areas small", () => {
    const bytes = encodePng16(constantImage(800, 600, 0.5, { unit: "display" }));
    expect(bytes.length).toBeLessThan(4000); // 960 kB of samples
  });
  it("keeps a record of any length and language", () => {
    const record = JSON.stringify({
      object: "Лампа ☾ 灯",
      steps: Array.from({ length: 500 }, (_, i) => ({ step: i })),
    });
    const bytes = encodePng16(constantImage(2, 2, 0, { unit: "display" }), { record, text: { Comment: "5′ → 灯" } });
    expect(readPngRecord(bytes)).toBe(record);
    expect(decodePng(bytes).text.Comment).toBe("5′ → 灯");
    expect(bytes.length).toBeLessThan(record.length);
  });
  it("names what is wrong", () => {
    expect(() => encodePng16(constantImage(2, 2, 1))).toThrow("encodePng16: image must be a stretched picture");
    expect(() => encodePng16(constantImage(2, 2, 1, { unit: "display", channels: ["Ha", "OIII"] }))).toThrow(
      "image must have 1 or 3 planes, but got 2",
    );
    expect(() => encodePng16({ width: 2, height: 2, channels: 1, samples: new Uint8Array(3) })).toThrow(
      "samples must hold 4 samples, but got 3",
    );
    expect(() => encodePng16(constantImage(1, 1, 0, { unit: "display" }), { text: { " x": "" } })).toThrow(
      "keyword must be 1 to 79 Latin-1 characters",
    );
    expect(() => encodePng16(constantImage(1, 1, 0, { unit: "display" }), { significantBits: 17 })).toThrow(
      "significantBits must be 1 … 16, but got 17",
    );
  });
});

describe("decodePng", () => {
  interface Case {
    readonly name: string;
    readonly width: number;
    readonly height: number;
    readonly channels: number;
    readonly bits: number;
    readonly base64: string;
  }
  const cases: Case[] = JSON.parse(
    readFileSync(new URL("../../fixtures/png/opencv.json", import.meta.url), "utf8"),
  );
  // OpenCV 4.6.0 wrote these files; the ramp is stated in fixtures/png/generate.py
  it.each(cases)("reads $name of OpenCV", ({ width, height, channels, bits, base64 }) => {
    const found = decodePng(new Uint8Array(Buffer.from(base64, "base64")));
    expect([found.width, found.height, found.channels, found.bits]).toEqual([width, height, channels, bits]);
    const wanted = Array.from({ length: width * height * channels }, (_, at) => {
      const c = at % channels;
      const x = Math.floor(at / channels) % width;
      const y = Math.floor(at / channels / width);
      return bits === 16 ? (977 * x + 3163 * y + 7001 * c) % 65536 : (37 * x + 91 * y + 53 * c) % 256;
    });
    expect(Array.from(found.samples)).toEqual(wanted);
  });
  it("reads gray and colour with alpha as fast-png writes them", () => {
    for (const channels of [2, 4] as const) {
      const data = Uint8Array.from({ length: 6 * 5 * channels }, (_, i) => (i * 29) % 256);
      const found = decodePng(fastEncode({ width: 6, height: 5, channels, depth: 8, data }));
      expect(found.channels).toBe(channels);
      expect(Array.from(found.samples)).toEqual(Array.from(data));
    }
  });
  it("reads a one-bit picture and a two-bit palette written out by hand", () => {
    const build = (depth: number, colour: number, width: number, rows: number[], extra: [string, number[]][]) => {
      const part = (type: string, data: Uint8Array) => {
        const body = new Uint8Array([...type].map((each) => each.charCodeAt(0)).concat([...data]));
        const out = new Uint8Array(body.length + 8);
        const view = new DataView(out.buffer);
        view.setUint32(0, data.length);
        out.set(body, 4);
        view.setUint32(4 + body.length, zlib.crc32(body));
        return [...out];
      };
      return Uint8Array.from([
        ...[0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a],
        ...part("IHDR", Uint8Array.of(0, 0, 0, width, 0, 0, 0, 1, depth, colour, 0, 0, 0)),
        ...extra.flatMap(([type, data]) => part(type, Uint8Array.from(data))),
        ...part("IDAT", new Uint8Array(zlib.deflateSync(Uint8Array.from(rows)))),
        ...part("IEND", new Uint8Array(0)),
      ]);
    };
    expect([...decodePng(build(1, 0, 3, [0, 0b10100000], [])).samples]).toEqual([255, 0, 255]);
    const palette: [string, number[]][] = [["PLTE", [1, 2, 3, 40, 50, 60, 7, 8, 9]]];
    expect([...decodePng(build(2, 3, 3, [0, 0b01100000], palette)).samples]).toEqual([40, 50, 60, 7, 8, 9, 1, 2, 3]);
    expect(decodePng(build(2, 3, 3, [0, 0b01100000], [...palette, ["tRNS", [9]]])).samples[11]).toBe(9);
  });
  it("refuses other files, damage and truncation by name", () => {
    const good = encodePng16(constantImage(4, 4, 0.5, { unit: "display" }));
    expect(() => decodePng(Uint8Array.of(1, 2, 3))).toThrow("must start with the PNG signature");
    expect(() => decodePng(good.subarray(0, good.length - 20))).toThrow(/cut short|end before/);
    const damaged = good.slice();
    damaged[20] ^= 1;
    expect(() => decodePng(damaged)).toThrow("CRC of chunk IHDR must be");
  });
});

describe("imageFromPng", () => {
  it("brings 16-bit samples back exactly", () => {
    const planes = ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from({ length: 12 }, (_, i) => (i * 5003 + c * 77) % 65536 / 65535),
    }));
    const image = createImage({ width: 4, height: 3, unit: "display", planes });
    const back = imageFromPng(encodePng16(image));
    expect(back.unit).toBe("display");
    expect(back.planes.map((plane) => plane.channel)).toEqual(["R", "G", "B"]);
    back.planes.forEach((plane, c) => expect([...plane.data]).toEqual([...planes[c].data]));
  });
});

describe("Adler-32", () => {
  const bytes = (text: string) => new TextEncoder().encode(text);
  it("has the published value of RFC 1950 implementations for 'Wikipedia'", () => {
    expect(adler32(bytes("Wikipedia")).toString(16)).toBe("11e60398");
  });
  it("of two pieces equals that of the whole", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 9000 }), fc.uint8Array({ maxLength: 9000 }), (a, b) => {
        const whole = new Uint8Array([...a, ...b]);
        expect(combineAdler(adler32(a), adler32(b), b.length)).toBe(adler32(whole));
      }),
      { seed: 7, numRuns: 40 },
    );
  });
});
