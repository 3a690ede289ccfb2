import { describe, expect, it } from "vitest";
import { combineDark } from "../../lib/calibrate/combine_dark.ts";
import { cardText } from "../../lib/core/header.ts";
import { constantImage } from "../../lib/core/image.ts";
import { writeFits } from "../../lib/io/write_fits.ts";
import { inFolder } from "../io/fixtures.ts";
import { imageOf, noisy } from "./support.ts";

describe("combineDark", () => {
  it("keeps what is the same in every dark: hot pixels stay", () => {
    const frames = Array.from({ length: 10 }, (_, k) => imageOf(32, 32, noisy(32, 32, 200, 5, k)));
    for (const frame of frames) frame.planes[0].data[77] += 3000;
    expect(Math.abs(combineDark(frames).planes[0].data[77] - 3200)).toBeLessThan(10);
  });

  it("takes a cosmic ray out that hit one dark", () => {
    const frames = Array.from({ length: 10 }, (_, k) => imageOf(32, 32, noisy(32, 32, 200, 5, k)));
    frames[4].planes[0].data[300] += 900;
    expect(Math.abs(combineDark(frames).planes[0].data[300] - 200)).toBeLessThan(8);
  });

  it("does not reject the neighbours of a value that integers repeat", () => {
    const values = [100, 100, 100, 100, 100, 100, 100, 100, 101, 99];
    const { planes, coverage } = combineDark(values.map((value) => constantImage(3, 3, value)));
    expect(planes[0].data[0]).toBe(100);
    expect(coverage?.[0]).toBe(10);
  });

  it("leaves no more good samples out than promised when the sensor counts in steps as large as its noise", () => {
    const frames = [1, 2].map((k) => imageOf(200, 200, noisy(200, 200, 300, 1.41, k).map(Math.round)));
    const { coverage } = combineDark(frames, { falseRejectionShare: 0.001 });
    const lost = frames.length * 40000 - (coverage ?? new Float32Array()).reduce((sum, each) => sum + each, 0);
    // each of two samples is judged against the other: 0.1 % a side expects 80 of 80 000
    expect(lost).toBeLessThan(160);
  });

  it("reads files band by band and gives the same as from memory", () => {
    inFolder((folder) => {
      const frames = Array.from({ length: 9 }, (_, k) => imageOf(40, 30, noisy(40, 30, 200, 5, k).map(Math.round)));
      const paths = frames.map((frame, k) => {
        const path = `${folder}/dark_${k + 1}.fits`;
        writeFits(path, frame);
        return path;
      });
      const master = combineDark(paths);
      expect(master.planes[0].data).toEqual(combineDark(frames).planes[0].data);
      expect(cardText(master.header, "FRM00009")).toBe("dark_9.fits");
    });
  });
});
