/** Depth on equal terms. */
import { describe, expect, it } from "vitest";
import { imageFromFunction, measureSurfaceSnr } from "faintlight";
import { randomStream } from "faintlight/stats";

/** A half of a stack: a target of 12 above the sky on the left, seen with pixels of a size; noise of the stack 3 a pixel of 1″. */
function halfOf(name: string, arcsecPerPixel: number, sigma = 3 / arcsecPerPixel) {
  const random = randomStream(name);
  const side = 400 / arcsecPerPixel;
  return imageFromFunction(side, side, (x) => (x < side / 2 ? 112 : 100) + Math.SQRT2 * sigma * random.gaussian());
}
const measured = (arcsecPerPixel: number) => {
  const side = 400 / arcsecPerPixel;
  const target = { x: 0, y: 0, width: side / 2, height: side };
  const halves = [halfOf("a", arcsecPerPixel), halfOf("b", arcsecPerPixel)] as const;
  return measureSurfaceSnr(halfOf("whole", arcsecPerPixel, 0), halves, {
    target,
    sky: { ...target, x: side / 2 },
    arcsecPerPixel,
    totalExposureSeconds: 1800,
    lights: 25,
  });
};

describe("measureSurfaceSnr", () => {
  it("is signal over the noise of a square arcsecond: 12 over 3", () => {
    const { signal, snr, snrOfALight, snrAnHour } = measured(1);
    expect(signal).toBeCloseTo(12, 5);
    expect(Math.abs(snr / 4 - 1)).toBeLessThan(0.02); // 80 000 samples know their noise to 0.25 %
    expect(snrOfALight).toBeCloseTo(snr / 5, 9);
    expect(snrAnHour).toBeCloseTo(snr * Math.SQRT2, 9);
  });

  it("does not depend on the size of the pixels", () => {
    expect(Math.abs(measured(2).snr / measured(1).snr - 1)).toBeLessThan(0.02);
  });

  it("refuses a scale of nothing by name", () => {
    const image = imageFromFunction(8, 8, () => 1);
    const target = { x: 0, y: 0, width: 4, height: 4 };
    const facts = { target, sky: target, arcsecPerPixel: 0, totalExposureSeconds: 1, lights: 1 };
    expect(() => measureSurfaceSnr(image, [image, image], facts)).toThrow(
      "measureSurfaceSnr: arcsecPerPixel must be > 0, but got 0",
    );
  });
});
