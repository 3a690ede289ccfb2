import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { longRig, resizeRig, simulateFrame, starScene } from "../../lib/doors/simulate.ts";
import { lostRowShare } from "../../lib/measure/lost_rows.ts";

const image = (rows: readonly (readonly number[])[]) =>
  createImage({
    width: rows[0].length,
    height: rows.length,
    unit: "adu",
    planes: [{ channel: "L", data: Float32Array.from(rows.flat()) }],
  });

describe("lostRowShare", () => {
  it("counts rows of one value and rows without data, by hand", () => {
    expect(lostRowShare(image([[1, 2, 3], [7, 7, 7], [NaN, NaN, NaN], [0, 0, 1]]))).toBe(0.5);
    expect(lostRowShare(image([[NaN, NaN, 1], [1, NaN, NaN], [2, 2, NaN]]))).toBe(0);
  });
  it("finds none in a frame with noise, and what was filled with zeros", () => {
    const rig = resizeRig(longRig, { width: 64, height: 40 });
    const frame = simulateFrame(rig, starScene({ maximumMagnitude: 12 }), { seed: 2 }).image;
    expect(lostRowShare(frame)).toBe(0);
    frame.planes[0].data.fill(0, 30 * 64);
    expect(lostRowShare(frame)).toBe(0.25);
  });
});
