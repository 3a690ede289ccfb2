import fc from "fast-check";
import { afterEach, describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { displayTo } from "../../lib/view/display.ts";
import { clippingColours, rgbOf } from "../../lib/view/palette.ts";
import { show } from "../../lib/view/show.ts";
import { drawTunedPixel, type TunedLevels, tuneStretch } from "../../lib/view/tune_stretch.ts";
import { shownMessages } from "../support/shown_messages.ts";

afterEach(() => displayTo(null));

describe("tuneStretch", () => {
  it("draws each pixel as stretchAsinh does, for one and three channels", () => {
    fc.assert(
      fc.property(
        fc.array(fc.double({ min: -200, max: 70000, noNaN: true }), { minLength: 3, maxLength: 3 }),
        fc.double({ min: -100, max: 2000, noNaN: true }),
        fc.double({ min: 10, max: 60000, noNaN: true }),
        fc.double({ min: 0.01, max: 1e5, noNaN: true }),
        fc.double({ min: 0, max: 300, noNaN: true }),
        fc.double({ min: 0, max: 300, noNaN: true }),
        fc.constantFrom(1, 3),
        (given, black, range, bend, greyBelow, more, count) => {
          const values = given.slice(0, count).map(Math.fround);
          const levels: TunedLevels = { black, white: black + range, bend, greyBelow, colourAbove: greyBelow + more };
          const planes = values.map((v, c) => ({ channel: count === 1 ? "L" : "RGB"[c], data: Float32Array.of(v) }));
          const wanted = stretchAsinh(createImage({ width: 1, height: 1, unit: "adu", planes }), levels).planes;
          const found = [...values];
          drawTunedPixel(found, levels);
          // stored as float32: a relative 6e-8 of 1
          found.forEach((v, c) => expect(Math.abs(v - wanted[c].data[0])).toBeLessThan(2e-7));
        },
      ),
      { seed: 5, numRuns: 500 },
    );
  });
  it("holds the same text in the page as is tested here, and the call to paste", () => {
    const view = tuneStretch(constantImage(60, 40, 900), { name: "stack", black: 800, white: 9000, bend: 40 });
    expect(view.html).toContain(drawTunedPixel.toString());
    expect(view.html).toContain('"name":"stack"');
    expect(view.html).toContain(`"over":[${rgbOf(clippingColours.white)}]`);
    expect(view.html).toContain(`"under":[${rgbOf(clippingColours.black)}]`);
    expect(view.html).not.toMatch(/https?:|src=/);
  });
  it("carries the linear levels in 16 bits, so that the page draws what the pasted call draws", () => {
    const random = randomStream("tuned");
    const black = 480;
    const white = 9000;
    const bend = 300;
    const data = Float32Array.from(
      { length: 80 * 60 },
      () => 500 + 8 * random.gaussian() + 9000 * random.uniform() ** 8,
    );
    const image = createImage({ width: 80, height: 60, unit: "adu", planes: [{ channel: "L", data }] });
    const { html } = tuneStretch(image, { black, white, bend });
    const codes = new Uint16Array(
      Uint8Array.from(atob(/text\/plain">([^<]+)</.exec(html)?.[1] ?? ""), (c) => c.charCodeAt(0)).buffer,
    );
    const set = JSON.parse(/const set=(\{.*?\});/.exec(html)?.[1] ?? "");
    expect([set.width, set.height, codes.length]).toEqual([80, 60, 4800]);
    const wanted = stretchAsinh(image, { black, white, bend }).planes[0].data;
    // half a code, times the steepest slope of the curve
    const limit = 0.5 * set.step * bend / Math.asinh(bend) / (white - black) + 3e-7;
    expect(limit).toBeLessThan(0.001);
    codes.forEach((code, i) => {
      const pixel = [Math.fround(set.low + set.step * code)];
      drawTunedPixel(pixel, set.levels);
      expect(Math.abs(pixel[0] - wanted[i])).toBeLessThan(limit);
    });
  });
  it("keeps a large colour image within one output", () => {
    const image = createImage({
      width: 1500,
      height: 1000,
      unit: "adu",
      planes: ["R", "G", "B"].map((channel) => ({ channel, data: new Float32Array(1500000).fill(5) })),
    });
    const view = tuneStretch(image, { black: 0, white: 10, bend: 3 });
    const messages = shownMessages();
    show(view);
    expect(messages[1].data["text/html"].length).toBeLessThan(1_000_000);
  });
  it("refuses a finished picture", () => {
    expect(() => tuneStretch(constantImage(4, 4, 0.5, { unit: "display" }))).toThrow(
      "tuneStretch: image must be linear",
    );
  });
});
