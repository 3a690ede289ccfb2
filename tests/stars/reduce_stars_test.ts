/** Holds reduce_stars.ts and recombine_stars.ts. */
import { describe, expect, it } from "vitest";
import { constantImage, type Image } from "../../lib/core/image.ts";
import { recombineStars } from "../../lib/stars/recombine_stars.ts";
import { reduceStars } from "../../lib/stars/reduce_stars.ts";
import { separateStars } from "../../lib/stars/separate_stars.ts";
import { makeScene } from "../support/scenes_processing.ts";

describe("reduceStars and recombineStars", () => {
  const scene = makeScene({ seed: 45, width: 320, height: 240, stars: 40, brightest: 1500, faintest: 100 });
  const above = (image: Image) => {
    let sum = 0;
    scene.image.planes[0].data.forEach((_, i) => {
      if (scene.starFlux[0][i] > 3 * scene.sigma) sum += image.planes[0].data[i] - scene.sky - scene.noise[0][i];
    });
    return sum;
  };

  it.each([0.3, 0.6, 1])("takes a share of %s of the flux away", (strength) => {
    const ratio = above(reduceStars(scene.image, { strength })) / above(scene.image);
    expect(Math.abs(ratio - (1 - strength))).toBeLessThan(0.02);
  });

  it("erodes bright spots, also on pictures, and leaves a flat field as it is", () => {
    const less = reduceStars(scene.image, { method: "morphology", strength: 1 });
    expect(above(less) / above(scene.image)).toBeLessThan(0.8);
    const flat = constantImage(20, 20, 0.3, { unit: "display" });
    expect([...reduceStars(flat, { method: "morphology" }).planes[0].data]).toEqual([...flat.planes[0].data]);
  });

  it("screens pictures and refuses to screen linear data or mix units", () => {
    const a = constantImage(2, 2, 0.4, { unit: "display" });
    const b = constantImage(2, 2, 0.5, { unit: "display" });
    expect(recombineStars(a, b, { strength: 0.5 }).planes[0].data[0]).toBeCloseTo(1 - 0.6 * 0.75, 6);
    expect(() => recombineStars(a, constantImage(2, 2, 5))).toThrow("images must have one unit");
    expect(() => recombineStars(constantImage(2, 2, 5), constantImage(2, 2, 5), { method: "screen" })).toThrow(
      "add instead",
    );
    expect(() => reduceStars(a)).toThrow("image must be linear");
    expect(() => reduceStars(scene.image, { strength: 2 })).toThrow("strength must lie within 0 … 1, but got 2");
  });

  it("takes stars that were found before in place of finding them, and records the same options", () => {
    const { stars } = separateStars(scene.image);
    const [found, known] = [reduceStars(scene.image), reduceStars(scene.image, { stars })];
    expect(known.planes[0].data).toEqual(found.planes[0].data);
    expect(known.history.nodes.at(-1)?.options).toEqual(found.history.nodes.at(-1)?.options);
    const other = constantImage(320, 240, 1, { channels: ["R", "G", "B"] });
    expect(() => reduceStars(scene.image, { stars: other })).toThrow("stars must have the image's 1 planes");
  });
});
