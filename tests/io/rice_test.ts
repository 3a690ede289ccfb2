import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeRice, encodeRice, riceBound, type RiceWidth } from "../../lib/io/rice.ts";

const hex = (bytes: Uint8Array) => [...bytes].map((each) => each.toString(16).padStart(2, "0")).join("");
const unhex = (text: string) => Uint8Array.from(text.match(/../g) ?? [], (each) => parseInt(each, 16));

function encode(values: readonly number[], width: RiceWidth, block = 32): Uint8Array {
  const out = new Uint8Array(riceBound(values.length, width, block));
  return out.slice(0, encodeRice(Int32Array.from(values), width, block, out));
}

function decode(bytes: Uint8Array, count: number, width: RiceWidth, block = 32): number[] | null {
  const out = new Int32Array(count);
  return decodeRice(bytes, count, width, block, out) ? [...out] : null;
}

const tile = [10, 11, 12, 13, 12, 10, 9, 9, 10, 14, 20, 35, 20, 12, 11, 10];

describe("Rice coding, tiles that astropy 8.0.2 writes (blocks of 32)", () => {
  const cases: readonly (readonly [string, readonly number[], RiceWidth, string])[] = [
    ["int16", tile, 2, "000a39b6becc410060147b40"],
    ["int32", tile, 4, "0000000a1cdb5f662080300a3da0"],
    ["uint16", tile.map((each) => each - 32768), 2, "800a39b6becc410060147b40"],
    ["sixteen sevens", Array.from({ length: 16 }, () => 7), 2, "000700"],
  ];
  for (const [name, values, width, bytes] of cases) {
    it(name, () => {
      expect(decode(unhex(bytes), values.length, width)).toEqual(values);
      expect(hex(encode(values, width))).toBe(bytes);
    });
  }
});

describe("Rice coding", () => {
  const range: Readonly<Record<RiceWidth, readonly [number, number]>> = {
    1: [0, 255],
    2: [-32768, 32767],
    4: [-(2 ** 31), 2 ** 31 - 1],
  };
  it("gives any integers back, calm or wild, in any block size", () => {
    const width = fc.constantFrom<RiceWidth>(1, 2, 4);
    const spread = fc.double({ min: 0, max: 1, noNaN: true });
    fc.assert(
      fc.property(
        width,
        fc.integer({ min: 1, max: 200 }),
        fc.constantFrom(8, 16, 32, 64, 256),
        fc.nat(),
        spread,
        (w, count, block, seed, wild) => {
          const [least, most] = range[w];
          let state = seed % 2147483646 + 1;
          const uniform = () => (state = (16807 * state) % 2147483647) / 2147483647;
          const calm = most > 300 ? 300 : 100;
          const values = Array.from(
            { length: count },
            () =>
              uniform() < wild ? Math.floor(least + uniform() * (most - least + 1)) : calm + Math.floor(8 * uniform()),
          );
          const bytes = encode(values, w, block);
          expect(bytes.length).toBeLessThanOrEqual(riceBound(count, w, block));
          expect(decode(bytes, count, w, block)).toEqual(values);
        },
      ),
      { numRuns: 400 },
    );
  });
  it("gives the extremes back that differ by the whole range", () => {
    for (const w of [1, 2, 4] as const) {
      const values = Array.from({ length: 70 }, (_, index) => range[w][index % 2]);
      expect(decode(encode(values, w), 70, w)).toEqual(values);
    }
  });
  it("says so when the bytes end too early, and never reads on for ever", () => {
    const bytes = encode(Array.from({ length: 100 }, (_, index) => (index * 7919) % 1000), 2);
    for (let length = 0; length < bytes.length - 1; length++) {
      expect(decode(bytes.subarray(0, length), 100, 2)).toBe(null);
    }
    fc.assert(fc.property(fc.uint8Array({ maxLength: 80 }), fc.constantFrom<RiceWidth>(1, 2, 4), (junk, w) => {
      const found = decode(junk, 64, w);
      expect(found === null || found.length === 64).toBe(true);
    }));
  });
});
