/** Colour kept, against another implementation of the paper that gave it. */
import { describe, expect, it } from "vitest";
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { imageFromRows, joinChannels, stretchImage } from "faintlight";

const path = fileURLToPath(new URL("../../fixtures/published/values.json", import.meta.url));
const { minimum, stretch, Q, rows, drawn }: {
  minimum: number;
  stretch: number;
  Q: number;
  rows: number[][][];
  drawn: number[][][];
} = JSON.parse(readFileSync(path, "utf8")).lupton;

describe("colour kept", () => {
  // Lupton et al. 2004, PASP 116, 133, as astropy 7.1.0's make_lupton_rgb draws it, through
  // fixtures/published/generate.py. There 8 bits are cut off, not rounded, so the same number comes out of ours.
  it("gives every 8-bit sample that astropy gives", () => {
    const bands = joinChannels(rows.map((band, c) => imageFromRows(band, { channel: "RGB"[c] })));
    const bend = Math.sinh(Math.asinh(0.1 * Q) / 0.1); // the slope of that implementation: 0.1 / asinh(0.1 Q)
    const white = minimum + bend * stretch / Q;
    const ours = stretchImage(bands, { curve: { family: "asinh", bend }, black: minimum, white, colour: "kept" });
    const samples = ours.planes.map(({ data }) => Array.from(data, (value) => Math.floor(255 * value)));
    expect(samples).toEqual(drawn.map((plane) => plane.flat()));
  });
});
