import ndarray from "ndarray";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { imageFromNdarray, ndarrayOf } from "../../lib/core/ndarray.ts";

describe("ndarrays", () => {
  const data = Float32Array.of(1, 2, 3, 4, 5, 6);
  const image = createImage({ width: 3, height: 2, unit: "adu", planes: [{ channel: "L", data }] });

  it("view a plane by row and column, without a copy", () => {
    const view = ndarrayOf(image, "L");
    expect(view.shape).toEqual([2, 3]);
    expect(view.get(1, 0)).toBe(4);
    expect(view.data).toBe(image.planes[0].data);
  });

  it("become the image that they came from; transposed, the transposed one", () => {
    const back = imageFromNdarray({ L: ndarrayOf(image, "L") }, "adu");
    expect([...back.planes[0].data]).toEqual([...data]);
    const turned = imageFromNdarray({ L: ndarrayOf(image, "L").transpose(1, 0) }, "adu");
    expect([turned.width, turned.height, ...turned.planes[0].data]).toEqual([2, 3, 1, 4, 2, 5, 3, 6]);
  });

  it("are refused without a channel and with different shapes", () => {
    expect(() => imageFromNdarray({}, "adu")).toThrow("arrays must name at least one channel");
    expect(() => imageFromNdarray({ R: ndarray([1, 2], [1, 2]), G: ndarray([1, 2], [2, 1]) }, "adu")).toThrow(
      RangeError,
    );
  });
});
