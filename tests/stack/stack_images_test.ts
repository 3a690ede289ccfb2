import { describe, expect, it } from "vitest";
import { constantImage } from "lib/core/image.ts";
import { identityTransform, type Transform } from "lib/core/transform.ts";
import { stackImages } from "lib/stack/stack_images.ts";

const right = (pixels: number): Transform => ({ kind: "similarity", matrix: [1, 0, pixels, 0, 1, 0, 0, 0, 1] });

describe("stackImages", () => {
  const images = [10, 12, 900, 14].map((level) => constantImage(8, 8, level));

  it("takes what a registration found, and says which images it leaves out", () => {
    const registration = { reference: 1, transforms: [right(0), identityTransform, null, right(0)] };
    const { image, report } = stackImages(images, { registration });
    expect(image.planes[0].data[0]).toBe(12);
    expect(report.frames.map(({ name }) => name)).toEqual(["frame 1", "frame 2", "frame 4"]);
    expect(report.notes).toContain("not used: frame 3: has no transform onto the reference");
  });

  it("stacks on the grid of the registration's reference", () => {
    const list = [constantImage(8, 8, 10), constantImage(12, 6, 10)];
    const { image } = stackImages(list, { registration: { reference: 1, transforms: [right(2), identityTransform] } });
    expect([image.width, image.height]).toEqual([12, 6]);
  });

  it("refuses lists of another length", () => {
    expect(() => stackImages(images, { registration: { reference: 0, transforms: [identityTransform] } })).toThrow(
      "transforms must have one entry for each of 4 images, but got 1",
    );
  });
});
