import { describe, expect, it } from "vitest";
import { ditherSequence, unquantise } from "../../lib/io/quantise.ts";

describe("dithered floats (FITS 4.0 appendix I)", () => {
  it("use the generator whose 10 000th state is 1043618065", () => {
    const sequence = ditherSequence();
    expect(sequence.length).toBe(10000);
    expect(sequence[0]).toBe(Math.fround(16807 / 2147483647));
    expect(sequence[9999]).toBe(Math.fround(1043618065 / 2147483647));
  });
  it("subtract the number that was added", () => {
    const random = ditherSequence();
    const out = new Float32Array(3);
    unquantise(
      Int32Array.of(100, -2147483646, -2147483648),
      {
        scale: 0.5,
        zero: 7,
        blank: -2147483648,
        method: "dither2",
        start: 4,
      },
      out,
    );
    const first = Math.floor(random[4] * 500);
    expect(out[0]).toBe(Math.fround((100 - random[first] + 0.5) * 0.5 + 7));
    expect(out[1]).toBe(0);
    expect(out[2]).toBeNaN();
  });
  it("without dither are a straight line", () => {
    const out = new Float32Array(2);
    unquantise(Int32Array.of(3, 4), { scale: 2, zero: 1, blank: 4, method: "plain", start: 0 }, out);
    expect([...out]).toEqual([7, NaN]);
  });
});
