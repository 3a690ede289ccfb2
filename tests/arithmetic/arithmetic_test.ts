/**
 * Sums, differences, products, quotients and mixtures: samples, variances, masks, units, channels, history. Covers
 * add_images.ts, subtract_images.ts, multiply_images.ts, divide_images.ts, mix_images.ts, combine_samples.ts,
 * image_from_function.ts, image_from_rows.ts, select_channels.ts and rename_channels.ts.
 */
import { describe, expect, it } from "vitest";
import {
  addImages,
  constantImage,
  divideImages,
  type Image,
  imageDigest,
  imageFromFunction,
  imageFromRows,
  mixImages,
  multiplyImages,
  renameChannels,
  selectChannels,
  subtractImages,
} from "faintlight";
import { createImage, derive, maskBit, replayHistory, type Unit } from "faintlight/extend";
import { randomStream } from "faintlight/stats";

const samples = (image: Image, plane = 0) => [...image.planes[plane].data];

/** An image of one row with variances. */
const row = (values: readonly number[], variance: readonly number[] | null = null, unit: Unit = "adu"): Image =>
  createImage({
    width: values.length,
    height: 1,
    unit,
    planes: [{ channel: "L", data: Float32Array.from(values) }],
    variance: variance === null ? null : [Float32Array.from(variance)],
  });

describe("addImages and subtractImages", () => {
  it("work sample by sample, and what is missing in one is missing in the result", () => {
    expect(samples(addImages(row([1, NaN, 3]), row([10, 20, NaN])))).toEqual([11, NaN, NaN]);
    expect(samples(subtractImages(row([1, 2]), row([10, 20])))).toEqual([-9, -18]);
    expect(samples(subtractImages(row([1, 2]), 1))).toEqual([0, 1]);
  });

  it("are each other's way back", () => {
    const random = randomStream(3);
    const values = Array.from({ length: 50 }, () => Math.round(1000 * random.uniform()));
    const glow = Array.from({ length: 50 }, () => Math.round(1000 * random.uniform()));
    expect(samples(subtractImages(addImages(row(values), row(glow)), row(glow)))).toEqual(values);
  });

  it("add variances, which a number does not change", () => {
    const sum = addImages(row([1, 2], [3, 4]), row([1, 2], [5, 6]));
    expect([...sum.variance?.[0] ?? []]).toEqual([8, 10]);
    expect([...subtractImages(row([1, 2], [3, 4]), 9).variance?.[0] ?? []]).toEqual([3, 4]);
    expect(addImages(row([1], [3]), row([1])).variance).toBe(null);
  });

  it("join the reasons of both masks", () => {
    const masked = (bit: number) => derive(row([1]), { mask: Uint8Array.of(bit) }, { step: "mark", options: { bit } });
    const sum = addImages(masked(maskBit.saturated), masked(maskBit.trail));
    expect([...sum.mask ?? []]).toEqual([maskBit.saturated | maskBit.trail]);
  });

  it("refuse units, scales, sizes and channels that do not go together", () => {
    expect(() => addImages(row([1]), row([1], null, "electron"))).toThrow(/addImages: images must have one unit/);
    expect(() => addImages(row([1]), row([1], null, "display"))).toThrow(/must not mix/);
    expect(() => addImages(row([1]), row([1, 2]))).toThrow(/one size/);
    expect(() => addImages(row([1]), NaN)).toThrow(/finite number/);
    expect(() => addImages(row([1]), "a" as unknown as number)).toThrow(/image or a number, but got string/);
    const line = (channel: string) => constantImage(1, 1, 1, { channels: [channel, "other"] });
    expect(() => subtractImages(line("Ha"), line("OIII"))).toThrow(/name them alike with renameChannels/);
    expect(samples(subtractImages(line("Ha"), renameChannels(line("OIII"), { OIII: "Ha" })))).toEqual([0]);
  });

  it("let one channel serve all", () => {
    const colour = constantImage(1, 1, 5, { channels: ["R", "G", "B"] });
    expect(addImages(colour, constantImage(1, 1, 2)).planes.map(({ data }) => data[0])).toEqual([7, 7, 7]);
  });
});

describe("multiplyImages and divideImages", () => {
  it("keep the unit beside what has none, and a quotient of equal units has none", () => {
    const light = row([8, 6]);
    const ratio = divideImages(light, row([2, 3]));
    expect([ratio.unit, ...samples(ratio)]).toEqual(["ratio", 4, 2]);
    const product = multiplyImages(ratio, row([2, 3]));
    expect([product.unit, ...samples(product)]).toEqual(["adu", 8, 6]);
    expect(multiplyImages(light, row([0.5, 0], null, "display")).unit).toBe("adu");
    expect(divideImages(light, ratio).unit).toBe("adu");
    expect(divideImages(light, 2).unit).toBe("adu");
    expect(() => multiplyImages(light, light)).toThrow(/one factor must be a number, a mask, a flat or a ratio/);
    expect(() => divideImages(light, row([1, 1], null, "electron"))).toThrow(/one unit/);
  });

  it("give no data where the divisor is 0, and refuse the number 0", () => {
    expect(samples(divideImages(row([1, 4]), row([0, 2])))).toEqual([NaN, 2]);
    expect(() => divideImages(row([1]), 0)).toThrow(/b must not be 0/);
  });

  it("carry variances to first order, as a thousand noisy samples scatter", () => {
    const random = randomStream(7);
    const count = 4000;
    const noisy = (level: number, sigma: number) =>
      row(
        Array.from({ length: count }, () => level + sigma * random.gaussian()),
        new Array<number>(count).fill(sigma ** 2),
      );
    const a = noisy(100, 2);
    const b = derive(noisy(20, 0.5), { unit: "ratio" }, { step: "asRatio", options: {} });
    for (const made of [multiplyImages(a, b), divideImages(a, b)]) {
      const values = samples(made);
      const mean = values.reduce((sum, each) => sum + each, 0) / count;
      const scatter = values.reduce((sum, each) => sum + (each - mean) ** 2, 0) / (count - 1);
      const stated = [...made.variance?.[0] ?? []].reduce((sum, each) => sum + each, 0) / count;
      expect(stated / scatter).toBeGreaterThan(0.9);
      expect(stated / scatter).toBeLessThan(1.1);
    }
  });
});

describe("mixImages", () => {
  it("is a step in part, by a share, through a mask, or both", () => {
    const before = row([10, 10, NaN]);
    const after = row([20, NaN, 20]);
    expect(samples(mixImages(before, after))).toEqual([15, NaN, NaN]);
    const mask = row([0.5, 0, 1], null, "display");
    expect(samples(mixImages(before, after, { mask }))).toEqual([15, 10, 20]);
    expect(samples(mixImages(before, after, { mask, share: 0.5 }))).toEqual([12.5, 10, NaN]);
    expect([...mixImages(row([1], [4]), row([1], [8])).variance?.[0] ?? []]).toEqual([3]);
  });

  it("refuses shares beyond 0 … 1 and masks of several planes", () => {
    expect(() => mixImages(row([1]), row([2]), { share: 2 })).toThrow(/share must be 0 … 1, but got 2/);
    const mask = constantImage(1, 1, 1, { channels: ["a", "b"] });
    expect(() => mixImages(row([1]), row([2]), { mask })).toThrow(/mask must have one plane/);
  });
});

describe("channels", () => {
  const colour = createImage({
    width: 1,
    height: 1,
    unit: "adu",
    planes: ["R", "G", "B"].map((channel, at) => ({ channel, data: Float32Array.of(at) })),
    variance: [0, 1, 2].map((at) => Float32Array.of(10 * at)),
  });

  it("are chosen with their variances, in the order asked for", () => {
    const chosen = selectChannels(colour, ["B", "R"]);
    expect(chosen.planes.map(({ channel, data }) => [channel, data[0]])).toEqual([["B", 2], ["R", 0]]);
    expect(chosen.variance?.map(([value]) => value)).toEqual([20, 0]);
    expect(() => selectChannels(colour, "Ha")).toThrow(/must have channel "Ha", but has R, G, B/);
    expect(() => selectChannels(colour, ["R", "R"])).toThrow(/named once/);
  });

  it("are renamed, each to a name of its own", () => {
    expect(renameChannels(colour, { R: "Ha" }).planes.map(({ channel }) => channel)).toEqual(["Ha", "G", "B"]);
    expect(() => renameChannels(colour, { R: "G" })).toThrow(/a name of its own, but got "G"/);
    expect(() => renameChannels(colour, { L: "G" })).toThrow(/must have channel "L"/);
  });
});

describe("images that are written down", () => {
  it("are made of rows", () => {
    const image = imageFromRows([[1, 2], [3, NaN]], { unit: "electron", channel: "Ha" });
    expect([image.unit, image.planes[0].channel, ...samples(image)]).toEqual(["electron", "Ha", 1, 2, 3, NaN]);
    expect(() => imageFromRows([[1, 2], [3]])).toThrow(/row 1 must hold 2 numbers/);
    expect(() => imageFromRows([])).toThrow(/at least one number/);
  });

  it("are made by a function of the place, like another image", () => {
    const like = constantImage(3, 2, 5, { unit: "electron", channels: ["R", "G", "B"] });
    const glow = imageFromFunction(3, 2, (x, y) => x + 10 * y, { like });
    expect(glow.unit).toBe("electron");
    expect(samples(glow, 2)).toEqual([0, 1, 2, 10, 11, 12]);
    expect(samples(addImages(like, glow), 1)).toEqual([5, 6, 7, 15, 16, 17]);
    expect(() => imageFromFunction(2, 2, () => 0, { like })).toThrow(/that of like, 3 × 2/);
    expect(() => imageFromFunction(0, 2, () => 0)).toThrow(/whole numbers above 0/);
    expect(imageFromFunction(2, 2, () => 0).history.head).not.toBe(imageFromFunction(2, 2, () => 1).history.head);
  });
});

describe("the history of arithmetic", () => {
  it("is carried out again to the same samples", () => {
    const a = imageFromRows([[1, 2, 3]]);
    const b = imageFromRows([[4, 5, 6]]);
    const ratio = divideImages(addImages(a, 2), subtractImages(b, a));
    const made = mixImages(multiplyImages(ratio, 3), selectChannels(renameChannels(ratio, { L: "X" }), "X"), {
      share: 0.25,
    });
    const sources = new Map([[a.history.head, a], [b.history.head, b]]);
    expect(imageDigest(replayHistory(made.history, sources) as Image)).toBe(imageDigest(made));
  });
});
