import jpeg from "jpeg-js";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { encodeJpeg } from "../../lib/doors/io.ts";
import { constantImage } from "../../lib/mod.ts";

describe("encodeJpeg", () => {
  const width = 48;
  const height = 32;
  const ramp = createImage({
    width,
    height,
    unit: "display",
    planes: ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from({ length: width * height }, (_, i) => 0.2 + 0.6 * ((i % width) / width) * (1 - c / 4)),
    })),
  });
  it("gives a smooth picture back to within the quantisation of quality 95", () => {
    const found = jpeg.decode(encodeJpeg(ramp, { quality: 95 }), { useTArray: true });
    expect([found.width, found.height]).toEqual([width, height]);
    const worst = Math.max(
      ...ramp.planes.flatMap((plane, c) => Array.from(plane.data, (v, i) => Math.abs(found.data[4 * i + c] - 255 * v))),
    );
    expect(worst).toBeLessThan(6); // luminance steps of ITU-T T.81 table K.1 at quality 95 are 1 … 12, chroma 2 … 10
  });
  it("spends more bytes on higher quality", () => {
    expect(encodeJpeg(ramp, { quality: 95 }).length).toBeGreaterThan(encodeJpeg(ramp, { quality: 40 }).length);
  });
  it("takes gray images and 8-bit samples alike", () => {
    const gray = encodeJpeg(constantImage(8, 8, 0.4, { unit: "display" }));
    const samples = encodeJpeg({ width: 8, height: 8, channels: 1, samples: new Uint8Array(64).fill(102) });
    expect(gray).toEqual(samples);
  });
  it("names what is wrong", () => {
    expect(() => encodeJpeg(ramp, { quality: 0 })).toThrow("encodeJpeg: quality must be 1 … 100, but got 0");
    expect(() => encodeJpeg(constantImage(2, 2, 5))).toThrow("must be a stretched picture");
    const two = constantImage(2, 2, 0, { unit: "display", channels: ["Ha", "OIII"] });
    expect(() => encodeJpeg(two)).toThrow("must have 1 or 3 planes, but got 2");
  });
});
