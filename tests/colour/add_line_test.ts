/** A line joined to the colour it shines in: what it adds, and where it adds nothing. */
import { describe, expect, it } from "vitest";
import { addLine } from "../../lib/colour/add_line.ts";
import { createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";

const size = 160;
const nebula = (p: number) => 40 * Math.exp(-((p % size - 80) ** 2 + (Math.floor(p / size) - 80) ** 2) / (2 * 12 ** 2));

function plane(channel: string, level: number, sigma: number, line: number) {
  const random = randomStream(channel);
  return {
    channel,
    data: Float32Array.from({ length: size * size }, (_, p) => level + sigma * random.gaussian() + line * nebula(p)),
  };
}

const image = (planes: readonly { readonly channel: string; readonly data: Float32Array }[]) =>
  createImage({ width: size, height: size, unit: "adu", planes });
const colour = image([plane("R", 300, 10, 1), plane("G", 250, 8, 0), plane("B", 200, 8, 0)]);
const line = image([plane("Ha", 20, 2, 5)]);
const centre = 80 * size + 80;

describe("addLine", () => {
  it("adds gain × (line − sky) to the channels named, and leaves the others as they are", () => {
    const added = addLine(colour, line, { gain: 1.5 });
    const shift = (p: number) => added.planes[0].data[p] - colour.planes[0].data[p];
    for (const p of [5, 900, centre]) expect(shift(p)).toBeCloseTo(1.5 * (line.planes[0].data[p] - 20), -0.5);
    expect(added.planes[1].data).toBe(colour.planes[1].data);
    expect(added.planes[2].data).toBe(colour.planes[2].data);
  });

  it("by itself brings the line's noise up to the channel's: 10 / 2 = 5, so the nebula gains 5 × 200 ADU", () => {
    const added = addLine(colour, line);
    const gain = (added.planes[0].data[centre] - colour.planes[0].data[centre]) / (line.planes[0].data[centre] - 20);
    expect(Math.abs(gain - 5)).toBeLessThan(0.4);
    expect(added.history.nodes.at(-1)?.notes?.[0]).toMatch(/^R \+ 5\.\d+ × Ha$|^R \+ 4\.\d+ × Ha$/);
  });

  it("leaves a channel as it is where the line has no data", () => {
    const data = line.planes[0].data.slice();
    data[7] = NaN;
    expect(addLine(colour, image([{ channel: "Ha", data }])).planes[0].data[7]).toBe(colour.planes[0].data[7]);
  });

  it("says what is wrong", () => {
    expect(() => addLine(colour, line, { to: ["X"] })).toThrow('must name channels of R, G, B, but got "X"');
    expect(() => addLine(colour, colour)).toThrow("one plane");
    expect(() => addLine(colour, line, { gain: NaN })).toThrow("gain must be a number");
  });
});
