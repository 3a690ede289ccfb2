/** Covers combine_master.ts and combine_band.ts. */
import { describe, expect, it } from "vitest";
import { combineBias } from "../../lib/calibrate/combine_bias.ts";
import { cardNumber, cardText } from "../../lib/core/header.ts";
import { constantImage } from "../../lib/core/image.ts";
import { imageOf, moments, noisy } from "./support.ts";

const series = (count: number, sigma = 8) =>
  Array.from({ length: count }, (_, k) => imageOf(96, 64, noisy(96, 64, 300, sigma, `bias ${k}`)));

describe("combineBias", () => {
  it("averages down by √N and predicts it", () => {
    const master = combineBias(series(25));
    const pixels = 96 * 64;
    const { mean, sd } = moments(master.planes[0].data);
    expect(Math.abs(mean - 300)).toBeLessThan(4 * 8 / Math.sqrt(25 * pixels));
    // 0.1 % a side is lost, so the scatter is that of the mean within its own standard error (4 sigma).
    expect(Math.abs(sd / (8 / 5) - 1)).toBeLessThan(4 / Math.sqrt(2 * pixels));
    const predicted = Math.sqrt(moments(master.variance?.[0] ?? []).mean);
    expect(Math.abs(predicted / (8 / 5) - 1)).toBeLessThan(0.02);
  });

  it("leaves an outlier out, whether many frames or few tell it", () => {
    for (const count of [3, 5, 12]) {
      const frames = series(count);
      frames[1].planes[0].data[100] = 20000;
      frames[2].planes[0].data[200] = -4000;
      const { data } = combineBias(frames).planes[0];
      expect(Math.abs(data[100] - 300)).toBeLessThan(8 * 4);
      expect(Math.abs(data[200] - 300)).toBeLessThan(8 * 4);
    }
  });

  it("loses the share of good samples that it promises", () => {
    for (const falseRejectionShare of [0.001, 0.01]) {
      const notes = combineBias(series(16), { falseRejectionShare: falseRejectionShare }).history.nodes.at(-1)?.notes ??
        [];
      const shares = notes[1].match(/([\d.]+) % of the samples below and ([\d.]+) %/)?.slice(1).map(Number) ?? [];
      const samples = 16 * 96 * 64;
      // Counting error of the share, 4 sigma, and 3 % for the table of limits.
      for (const share of shares) {
        expect(Math.abs(share / 100 - falseRejectionShare)).toBeLessThan(
          4 * Math.sqrt(falseRejectionShare / samples) + 0.03 * falseRejectionShare,
        );
      }
    }
  });

  it("writes its frames into the header and counts what it kept", () => {
    const master = combineBias(series(4));
    expect(cardNumber(master.header, "NCOMBINE")).toBe(4);
    expect(cardText(master.header, "FRM00004")).toBe("frame 4");
    expect(cardText(master.header, "IMAGETYP")).toBe("Master Bias");
    expect(Math.max(...master.coverage ?? [])).toBe(4);
  });

  it("does not depend on the order of the frames beyond float rounding", () => {
    const frames = series(9);
    const there = combineBias(frames).planes[0].data;
    const back = combineBias(frames.toReversed()).planes[0].data;
    for (let p = 0; p < there.length; p++) expect(Math.abs(there[p] - back[p])).toBeLessThan(1e-4);
  });

  it("passes one frame through and leaves out one of another size", () => {
    const told: string[] = [];
    const odd = constantImage(5, 5, 1);
    const master = combineBias([constantImage(4, 4, 7), odd], {
      onUnusable: (name, reason) => told.push(name, reason),
    });
    expect(master.planes[0].data[3]).toBe(7);
    expect(told[0]).toBe("frame 2");
    expect(told[1]).toContain("5 × 5 pixels where the first has 4 × 4");
  });

  it("keeps NaN only where no frame has data", () => {
    const frames = series(3);
    frames[0].planes[0].data[5] = NaN;
    for (const frame of frames) frame.planes[0].data[6] = NaN;
    const { data } = combineBias(frames).planes[0];
    expect(Math.abs(data[5] - 300)).toBeLessThan(40);
    expect(data[6]).toBeNaN();
  });

  it("says what is wrong", () => {
    expect(() => combineBias([])).toThrow("sources must hold at least one frame, but got none; add bias frames");
    expect(() => combineBias(series(2), { falseRejectionShare: 0 })).toThrow("falseRejectionShare must lie above 0");
    expect(() => combineBias(["/nowhere/a.fits"])).toThrow("none of 1 is");
  });
});
