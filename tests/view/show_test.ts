import fc from "fast-check";
import { afterEach, describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { cellProgress, type DisplayMessage, displayTo } from "../../lib/doors/view.ts";
import { compareView, constantImage, imageView, show, stretchAsinh, tuneStretch, youShouldSee } from "../../lib/mod.ts";
import { drawTunedPixel, type TunedLevels } from "../../lib/view/tune_stretch.ts";

function collect(): DisplayMessage[] {
  const messages: DisplayMessage[] = [];
  displayTo((message) => messages.push(message));
  return messages;
}
afterEach(() => displayTo(null));

const noise = randomStream("show");
const grainy = createImage({
  width: 1000,
  height: 700,
  unit: "display",
  planes: ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from({ length: 700000 }, () => noise.uniform()),
  })),
});

describe("show", () => {
  it("sends a sheet as PNG with its words beside it", () => {
    const messages = collect();
    const sheet = imageView(constantImage(40, 30, 7), { width: 300 });
    show(sheet);
    expect(messages.length).toBe(1);
    expect(Object.keys(messages[0].data)).toEqual(["image/png", "text/plain"]);
    expect(messages[0].data["image/png"].startsWith("iVBORw0KGgo")).toBe(true);
    expect(messages[0].data["text/plain"]).toBe(sheet.alternativeText);
  });
  it("never sends a megabyte: pure noise goes out as a JPEG, and HTML that is too long is refused", () => {
    const messages = collect();
    show(imageView(grainy));
    expect(Object.keys(messages[0].data)[0]).toBe("image/jpeg");
    expect(messages[0].data["image/jpeg"].length).toBeLessThan(170_001);
    const sheet = imageView(constantImage(4, 4, 7), { width: 300 });
    expect(() => show({ sheet, html: "x".repeat(1_000_001), height: 10 })).toThrow(
      "show: an output must be at most 1000000 characters",
    );
  });
  it("puts the picture before the page with controls, and the page into a frame that reaches nothing", () => {
    const messages = collect();
    const sheet = { ...imageView(constantImage(4, 4, 7), { width: 300 }), alternativeText: 'An "even" sky' };
    show({ sheet, html: '<p title="a&b">', height: 99 });
    expect(messages.map((message) => Object.keys(message.data)[0])).toEqual(["image/png", "text/html"]);
    expect(messages[1].data["text/html"]).toBe(
      '<iframe title="An &quot;even&quot; sky" sandbox="allow-scripts" style="width:100%;height:99px;border:0" srcdoc="<p title=&quot;a&amp;b&quot;>"></iframe>',
    );
  });
  it("shows images, rows and texts in the order given", () => {
    const messages = collect();
    show("first", constantImage(4, 4, 0.5, { unit: "display" }), [{ filter: "Ha", frames: 3 }]);
    const words = messages.map((message) => message.data["text/plain"]);
    expect(words[0]).toBe("first");
    expect(words[1]).toMatch(/^Picture: luminance; 4 × 4 pixels.*shown as it is/);
    expect(words[2]).toBe("Table of 1 row with filter, frames.");
  });
});

describe("cellProgress", () => {
  it("keeps one line, not more often than four times a second, and always the last", () => {
    const messages = collect();
    let now = 0;
    const progress = cellProgress(() => now);
    for (let done = 0; done <= 100; done++, now += 50) progress({ label: "measuring", done, total: 100 });
    expect(messages.length).toBeLessThan(24);
    expect(new Set(messages.map((message) => message.displayId)).size).toBe(1);
    expect(messages.map((message) => message.type)).toEqual(
      messages.map((_, at) => at === 0 ? "display_data" : "update_display_data"),
    );
    expect(messages.at(-1)?.data["text/plain"]).toBe("measuring: 100 of 100, done in 5.0 s");
  });
  it("shows a remark for good, keeps the last one in the line, and drops a stage's note with the stage", () => {
    const messages = collect();
    let now = 0;
    const progress = cellProgress(() => now);
    progress({ label: "reading", done: 1, total: 2, note: "a.fits" });
    progress.remark("b.fits: cloud");
    now = 60_000;
    progress({ label: "stacking", done: 1, total: 2 });
    expect(messages.map((message) => message.data["text/plain"])).toEqual([
      "reading: 1 of 2. a.fits",
      "b.fits: cloud",
      "stacking: 1 of 2. b.fits: cloud",
    ]);
  });
});

describe("youShouldSee", () => {
  it("shows what was promised and found, and throws beyond it, for NaN and for nothing", () => {
    const messages = collect();
    youShouldSee("frames kept", 14, 14, 0);
    expect(messages[0].data["text/plain"]).toBe("You should see: frames kept 14 (promised 14 ± 0)");
    expect(() => youShouldSee("noise (ADU)", 1.61, 1.5, 0.1)).toThrow(
      "youShouldSee: noise (ADU): must be 1.5 ± 0.1, but got 1.61",
    );
    expect(() => youShouldSee("noise", NaN, 1, 5)).toThrow("but got NaN");
    expect(() => youShouldSee("stars", null, 0, 5)).toThrow("must be 0 ± 5, but got nothing");
    expect(() => youShouldSee("noise", 1, 1, NaN)).toThrow("within must be ≥ 0");
  });
});

describe("compareView", () => {
  it("shows both at one size and refuses two sizes", () => {
    const view = compareView(constantImage(80, 50, 3), constantImage(80, 50, 4));
    expect(view.html.match(/data:image\/jpeg/g)?.length).toBe(2);
    expect(view.html).not.toMatch(/https?:/);
    expect(() => compareView(constantImage(8, 8, 3), constantImage(8, 9, 4))).toThrow("images must have one size");
  });
});

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
    // half a code, times the clipLimit slope of the curve
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
    const messages = collect();
    show(view);
    expect(messages[1].data["text/html"].length).toBeLessThan(1_000_000);
  });
  it("refuses a finished picture", () => {
    expect(() => tuneStretch(constantImage(4, 4, 0.5, { unit: "display" }))).toThrow(
      "tuneStretch: image must be linear",
    );
  });
});
