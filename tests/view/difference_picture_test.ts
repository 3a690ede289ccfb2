import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import {
  differencePlane,
  differenceScale,
  differenceSpan,
  mostChangedRegion,
} from "../../lib/view/difference_picture.ts";
import { themes } from "../../lib/view/palette.ts";
import { makePreview } from "../../lib/view/preview.ts";

const [width, height] = [120, 80];
const grey = (valueAt: (x: number, y: number) => number) => {
  const data = Float32Array.from({ length: width * height }, (_, i) => valueAt(i % width, Math.floor(i / width)));
  return createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
};
const box = { width, height };

describe("difference of two previews", () => {
  const before = makePreview(grey(() => 5), box);
  const changed = grey((x, y) => x >= 90 && y >= 50 ? 9 : 5);
  const after = makePreview(changed, box);
  const difference = differencePlane(before, after);

  it("is after minus before", () => {
    expect(difference[0]).toBe(0);
    expect(difference[60 * width + 100]).toBe(4);
    expect(differenceSpan([difference])).toBe(4);
    expect(differenceSpan([new Float32Array(9)])).toBe(0);
  });

  it("is largest where the image changed most", () => {
    const region = mostChangedRegion(changed, difference, after, 40);
    expect([region.width, region.height]).toEqual([40, 25]);
    expect(region.x + region.width / 2).toBeGreaterThan(90);
    expect(region.y + region.height / 2).toBeGreaterThan(50);
    expect(region.x + region.width).toBeLessThanOrEqual(width);
    expect(region.y + region.height).toBeLessThanOrEqual(height);
  });

  it("has a scale with its numbers, or says that nothing changed", () => {
    const at = { x: 0, y: 0, width: 300 };
    expect(differenceScale(4, "ADU", at, themes.light).elements.join("")).toContain("+4.00 ADU");
    expect(differenceScale(0, "ADU", at, themes.light).elements.join("")).toContain("no pixel changed");
  });
});
