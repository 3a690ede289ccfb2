import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { card } from "../../lib/doors/io.ts";
import { constantImage, type Image } from "../../lib/mod.ts";
import {
  anchorStretch,
  describeStretch,
  displayCurve,
  drawPreview,
  fitDisplayStretch,
  makePreview,
} from "../../lib/view/preview.ts";

const imageOf = (width: number, height: number, value: (x: number, y: number) => number, order = ""): Image =>
  createImage({
    width,
    height,
    unit: "adu",
    header: order === "" ? [] : [card("ROWORDER", order)],
    planes: [{
      channel: "L",
      data: Float32Array.from({ length: width * height }, (_, i) => value(i % width, Math.floor(i / width))),
    }],
  });

/** The same mean written the slow way: every source pixel's overlap with the cell. */
function slowCell(image: Image, column: number, row: number, width: number, height: number): number {
  const sx = image.width / width;
  const sy = image.height / height;
  const overlap = (at: number, from: number, to: number) => Math.max(0, Math.min(at + 1, to) - Math.max(at, from));
  let sum = 0;
  let weight = 0;
  for (let y = 0; y < image.height; y++) {
    for (let x = 0; x < image.width; x++) {
      const w = overlap(x, column * sx, (column + 1) * sx) * overlap(y, row * sy, (row + 1) * sy);
      const v = image.planes[0].data[y * image.width + x];
      if (w > 0 && !Number.isNaN(v)) {
        sum += w * v;
        weight += w;
      }
    }
  }
  return weight > 1e-9 ? sum / weight : NaN;
}

describe("makePreview", () => {
  it("takes area means, whatever the ratio, and leaves NaN out", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 23 }),
        fc.integer({ min: 1, max: 23 }),
        fc.integer({ min: 1, max: 12 }),
        fc.integer({ min: 0, max: 1000 }),
        (width, height, box, seed) => {
          const image = imageOf(
            width,
            height,
            (x, y) => (x * 7 + y * 13 + seed) % 11 === 0 ? NaN : (x * 31 + y * 17 + seed) % 97,
          );
          const preview = makePreview(image, { width: box, height: box });
          for (let r = 0; r < preview.height; r++) {
            for (let c = 0; c < preview.width; c++) {
              const wanted = slowCell(image, c, r, preview.width, preview.height);
              const found = preview.planes[0][r * preview.width + c];
              if (Number.isNaN(wanted)) expect(found).toBeNaN();
              else expect(found).toBeCloseTo(wanted, 3); // float32 of values below 100
            }
          }
        },
      ),
      { seed: 11, numRuns: 60 },
    );
  });
  it("keeps the pixels of a part that fits", () => {
    const image = imageOf(9, 7, (x, y) => 10 * y + x);
    const part = makePreview(image, { width: 50, height: 50 }, { x: 2, y: 3, width: 3, height: 2 });
    expect([...part.planes[0]]).toEqual([32, 33, 34, 42, 43, 44]);
  });
  it("draws the first stored row on top, and at the bottom only where the header says so", () => {
    const rows = (
      order: string,
    ) => [...makePreview(imageOf(1, 3, (_, y) => y, order), { width: 9, height: 9 }).planes[0]];
    expect(rows("")).toEqual([0, 1, 2]);
    expect(rows("TOP-DOWN")).toEqual([0, 1, 2]);
    expect(rows("BOTTOM-UP")).toEqual([2, 1, 0]);
  });
});

describe("fitDisplayStretch", () => {
  // A sky whose distribution is a symmetric triangle of half width w around 1000: its quartiles lie w (1 − √½) from the
  // middle, which a person can work out.
  const w = 30;
  const sky = imageOf(400, 250, (x, y) => {
    if (x === 399) return 9000; // a quarter of a per cent of stars, so that white lies far above the sky
    const u = ((x * 250 + y) + 0.5) / 100000;
    return 1000 + (u < 0.5 ? -w * (1 - Math.sqrt(2 * u)) : w * (1 - Math.sqrt(2 - 2 * u)));
  });
  it("puts the sky at CIE lightness 15 and black 3.0902 sigma below it", () => {
    const stretch = fitDisplayStretch(makePreview(sky, { width: 400, height: 400 }));
    if (stretch.kind !== "sky") throw new Error(`expected a sky stretch, got ${stretch.kind}`);
    const sigma = 1.4826 * w * (1 - Math.SQRT1_2); // quartile deviation of the triangle, times 1.4826
    expect(stretch.black[0]).toBeCloseTo(1000 - 3.0902 * sigma, 0);
    // L* = 15 is Y = 0.019086 by CIE 15:2004, 0.147713 after the sRGB curve of IEC 61966-2-1
    expect(displayCurve(stretch, 0)(1000)).toBeCloseTo(0.147713, 3);
    expect(displayCurve(stretch, 0)(stretch.black[0])).toBe(0);
    expect(displayCurve(stretch, 0)(stretch.black[0] + stretch.span)).toBeCloseTo(1, 12);
    expect(describeStretch(stretch, "adu")).toMatch(
      /^linear data, brightened for the screen: asinh, black 959\.\d, white/,
    );
  });
  it("leaves a finished picture alone and says so", () => {
    const stretch = fitDisplayStretch(
      makePreview(constantImage(4, 4, 0.3, { unit: "display" }), { width: 9, height: 9 }),
    );
    expect(stretch).toEqual({ kind: "none" });
    expect(describeStretch(stretch, "display")).toBe("shown as it is");
  });
  it("is the same for two images but for the level of their skies", () => {
    const higher = imageOf(400, 250, (x, y) => sky.planes[0].data[y * 400 + x] + 70);
    const [one, two] = [sky, higher].map((image) => makePreview(image, { width: 400, height: 400 }));
    const stretch = fitDisplayStretch(one);
    const moved = anchorStretch(stretch, one, two);
    expect(displayCurve(moved, 0)(1090)).toBeCloseTo(displayCurve(stretch, 0)(1020), 4);
  });
  it("draws no data in a colour that no grey has", () => {
    const image = imageOf(2, 1, (x) => x === 0 ? NaN : 5);
    const preview = makePreview(image, { width: 2, height: 2 });
    const samples = drawPreview(preview, { kind: "linear", black: [0], span: 10 });
    expect([...samples]).toEqual([46, 58, 92, 128, 128, 128]);
  });
});

describe("two planes", () => {
  it("are drawn red and cyan, so that grey is where they agree, and no data is blue in both", () => {
    const data = (...values: number[]) => Float32Array.from(values);
    const image = createImage({
      width: 3,
      height: 1,
      unit: "display",
      planes: [{ channel: "Ha", data: data(1, 0.5, NaN) }, { channel: "OIII", data: data(0, 0.5, NaN) }],
    });
    const preview = makePreview(image, { width: 3, height: 1 });
    const samples = drawPreview(preview, fitDisplayStretch(preview));
    expect([...samples]).toEqual([255, 0, 0, 128, 128, 128, 46, 58, 92]);
  });
});
