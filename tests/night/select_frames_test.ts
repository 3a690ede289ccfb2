/** Covers lib/night/select_frames.ts, weight_frames.ts. */
import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import { selectFrames } from "../../lib/doors/parts.ts";
import { type FrameDiagnosis, parseDecisions, selectionEffect, type Verdict, weightFrames } from "../../lib/mod.ts";

const diagnosis = (file: string, verdict: Verdict, transparency = 1): FrameDiagnosis => ({
  file,
  verdict,
  causes: ["clear sky"],
  cause: "clear sky",
  evidence: "",
  remedy: "",
  transparency,
  confidence: 1,
});

describe("weightFrames", () => {
  const frame = { transparency: 1, noise: 10, fwhm: 3, kept: true };
  it("has mean 1 over the kept frames and 0 for the others, whatever the numbers", () => {
    const arbitrary = fc.record({
      transparency: fc.oneof(fc.double({ min: 0.05, max: 2, noNaN: true }), fc.constant(null)),
      noise: fc.double({ min: 0.1, max: 100, noNaN: true }),
      fwhm: fc.oneof(fc.double({ min: 1, max: 9, noNaN: true }), fc.constant(null), fc.constant(NaN)),
      kept: fc.boolean(),
    });
    fc.assert(fc.property(fc.array(arbitrary, { minLength: 1, maxLength: 20 }), (frames) => {
      const weights = weightFrames(frames);
      const kept = frames.filter((each) => each.kept).length;
      const sum = weights.reduce((a, b) => a + b, 0);
      expect(Math.abs(sum - kept)).toBeLessThan(1e-9 * Math.max(1, kept));
      frames.forEach((each, i) => expect(weights[i] > 0).toBe(each.kept));
    }));
  });
  it("follows (T/σ)² (F₀/F)^sharpness", () => {
    const ratio = (change: object, options = {}) => {
      const [a, b] = weightFrames([frame, { ...frame, ...change }], options);
      return b / a;
    };
    expect(ratio({ noise: 20 })).toBeCloseTo(0.25, 12);
    expect(ratio({ transparency: 0.8 })).toBeCloseTo(0.64, 12);
    expect(ratio({ fwhm: 6 })).toBeCloseTo(0.5, 12);
    expect(ratio({ fwhm: 6 }, { sharpness: 2 })).toBeCloseTo(0.25, 12);
    expect(ratio({ fwhm: 6 }, { sharpness: 0 })).toBeCloseTo(1, 12);
  });
  it("refuses what makes no weight", () => {
    expect(() => weightFrames([{ ...frame, noise: 0 }])).toThrow("weightFrames: noise must be > 0, but got 0");
    expect(() => weightFrames([frame], { sharpness: -1 })).toThrow("sharpness must be ≥ 0, but got -1");
  });
  it("costs and gains: half of equal frames lose √½ of the depth, leaving blurred ones out sharpens", () => {
    const half = selectionEffect([frame, { ...frame, kept: false }]);
    expect(half.depth).toBeCloseTo(Math.SQRT1_2, 12);
    expect(half.width).toBeCloseTo(1, 12);
    expect(selectionEffect([frame, { ...frame, fwhm: 5, kept: false }]).width).toBeLessThan(0.9);
    // a lens cap: next to no noise, and no light
    expect(selectionEffect([frame, { ...frame, noise: 1, transparency: NaN, kept: false }]).depth).toBe(1);
    expect(selectionEffect([frame, { ...frame, noise: 40, kept: false }]).depth).toBeGreaterThan(0.96);
  });
});

describe("decisions", () => {
  it("are read from a small text", () => {
    expect(parseDecisions("# night of the third\n\n keep  a b.fits # not so bad\nreject c.fits\r\nkeep c.fits\n"))
      .toEqual([
        { file: "a b.fits", verdict: "keep", reason: "not so bad" },
        { file: "c.fits", verdict: "keep", reason: "" },
      ]);
    expect(() => parseDecisions("keep a\nmaybe b")).toThrow('parseDecisions: line 2 must be "keep"');
    expect(() => parseDecisions("maybe b\nkeep a\nkeep ../a\nreject /b", "mine.txt")).toThrow(
      /^mine\.txt: line 1 must be .*\nmine\.txt: line 3 must name a file within .*\nmine\.txt: line 4 .*frames\.csv does$/,
    );
    expect(() => parseDecisions("keep")).toThrow(SyntaxError);
  });
  it("win over the verdict, are told, and those about no file are listed", () => {
    const inputs = [["a", "reject"], ["b", "keep"], ["c", "keep"]].map(([file, verdict]) => ({
      diagnosis: diagnosis(file, verdict as Verdict),
      stack: file === "c" ? "OIII" : "Ha",
      noise: 5,
      fwhm: 3,
    }));
    const { frames, unused, effects } = selectFrames(inputs, parseDecisions("keep a\nreject b # bad\nkeep z"));
    expect(frames.map((each) => each.kept)).toEqual([true, false, true]);
    expect(frames.map((each) => each.reason)).toEqual(["decided by hand", "bad", "clear sky"]);
    expect(frames.map((each) => each.weight)).toEqual([1, 0, 1]);
    expect(unused.map((each) => each.file)).toEqual(["z"]);
    expect(effects.Ha.left).toBe(1);
    expect(effects.OIII.depth).toBeCloseTo(1, 12);
  });
});
