import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { encodeSum, joinSums, sumBytes } from "../../lib/io/fits_sum.ts";
import { openFits } from "../../lib/doors/io.ts";
import { fixture } from "./fixtures.ts";

/** The definition, digit by digit: 32-bit big-endian words added with end-around carry. */
function slowSum(bytes: Uint8Array): number {
  let sum = 0n;
  for (let at = 0; at < bytes.length; at += 4) {
    let word = 0n;
    for (let k = 0; k < 4; k++) word = (word << 8n) | BigInt(bytes[at + k] ?? 0);
    sum += word;
    if (sum > 0xffffffffn) sum = (sum & 0xffffffffn) + (sum >> 32n);
  }
  return Number(sum);
}

describe("FITS sums", () => {
  it("encode the worked example of FITS 4.0 appendix J", () => {
    expect(encodeSum(868229149)).toBe("hcHjjc9ghcEghc9g");
  });
  it("encode nothing as sixteen zeros of an HDU that adds up already", () => {
    expect(encodeSum(0xffffffff)).toBe("0000000000000000");
  });
  it("give 1966116 for the int16 numbers 0 to 11 (astropy, and by hand)", () => {
    const bytes = new Uint8Array(24);
    for (let i = 0; i < 12; i++) bytes[2 * i + 1] = i;
    expect(sumBytes(bytes)).toBe(1966116);
  });
  it("follow the definition, whatever the length and alignment, in pieces as in one", () => {
    fc.assert(fc.property(fc.uint8Array({ maxLength: 6000 }), fc.nat(), fc.nat(3), (bytes, cut, shift) => {
      const moved = new Uint8Array(bytes.length + shift).subarray(shift);
      moved.set(bytes);
      const at = bytes.length === 0 ? 0 : (cut % bytes.length) & ~3;
      expect(sumBytes(moved)).toBe(slowSum(bytes));
      expect(sumBytes(bytes.subarray(at), sumBytes(bytes.subarray(0, at)))).toBe(slowSum(bytes));
      expect(joinSums(sumBytes(bytes.subarray(0, at)), sumBytes(bytes.subarray(at)))).toBe(slowSum(bytes));
    }));
  });
  it("stay exact on megabytes of the largest bytes", () => {
    const bytes = new Uint8Array(8 << 20).fill(255);
    expect(sumBytes(bytes)).toBe(0xffffffff);
    bytes[bytes.length - 1] = 254;
    expect(sumBytes(bytes)).toBe(0xfffffffe);
  });
  it("make any HDU add up to all ones, with letters and digits only", () => {
    fc.assert(fc.property(fc.nat(0xffffffff), (sum) => {
      const text = encodeSum(sum);
      expect(text).toMatch(/^[0-9A-Za-z]{16}$/);
      // the card's value starts at column 12, so its first character is the last of a word (appendix J)
      const codes = Uint8Array.from([...text], (sign) => sign.charCodeAt(0));
      const turned = Uint8Array.from({ length: 16 }, (_, index) => codes[(index + 1) % 16]);
      const zeros = new Uint8Array(16).fill(48);
      const added = joinSums(sumBytes(turned), (~sumBytes(zeros)) >>> 0);
      expect(joinSums(sum, added)).toBe(0xffffffff);
    }));
  });
  it("agree with what astropy wrote", () => {
    const file = openFits(fixture("extensions.fits"));
    const sums = file.hdus.map((hdu) => file.sums(hdu.index));
    file.close();
    expect(sums.map((each) => each.verdict)).toEqual(["good", "good", "good", "good"]);
    expect(sums.every((each) => each.dataStated === each.dataFound)).toBe(true);
  });
});
