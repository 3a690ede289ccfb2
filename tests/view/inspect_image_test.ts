import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { constantImage, inspectImage, renameChannels } from "../../lib/mod.ts";
import { inspectedLevel } from "../../lib/view/inspect_image.ts";
import { displayCurve, type DisplayStretch } from "../../lib/view/preview.ts";

const random = randomStream("inspect");
const image = createImage({
  width: 60,
  height: 40,
  unit: "adu",
  planes: ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from({ length: 2400 }, (_, i) => i === 61 ? NaN : 500 + 9 * random.gaussian()),
  })),
});

/** What a page carries: settings and samples. */
function contentOf(html: string) {
  const set = JSON.parse(/const set=(\{.*?\});\n/.exec(html)?.[1] ?? "");
  const text = /text\/plain">([^<]+)</.exec(html)?.[1] ?? "";
  return { set, codes: new Uint16Array(Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer) };
}

describe("inspectedLevel", () => {
  it("draws as the sheets do", () => {
    const stretches: DisplayStretch[] = [
      { kind: "none" },
      { kind: "linear", black: [3, 4, 5], span: 900 },
      { kind: "sky", black: [3, 4, 5], span: 900, beta: 250, whiteShare: 0.0005 },
    ];
    for (const stretch of stretches) {
      for (const plane of [0, 1, 2]) {
        for (const value of [-20, 3, 4, 17.5, 600, 1200]) {
          // the same arithmetic in another order
          expect(inspectedLevel(value, plane, stretch)).toBeCloseTo(displayCurve(stretch, plane)(value), 12);
        }
      }
    }
  });
});

describe("inspectImage", () => {
  it("carries every sample to half a 65 534th of the range, and says where there is none", () => {
    const { set, codes } = contentOf(inspectImage(image).html);
    expect([set.width, set.height, set.scale, set.channels]).toEqual([60, 40, 1, ["red", "green", "blue"]]);
    image.planes.forEach(({ data }, p) =>
      data.forEach((v, i) => {
        const code = codes[p * 2400 + i];
        if (v !== v) expect(code).toBe(65535);
        else expect(Math.abs(set.low + set.step * code - v)).toBeLessThan(0.5 * set.step + 1e-4);
      })
    );
  });
  it("carries a channel that is named like a page's own markup as text", () => {
    const named = renameChannels(constantImage(20, 16, 7), { L: "</script><script>own()</script>" });
    const { html } = inspectImage(named);
    expect(html.match(/<\/script>/g)?.length).toBe(
      inspectImage(constantImage(20, 16, 7)).html.match(/<\/script>/g)?.length,
    );
    expect(contentOf(html).set.channels).toEqual(["</script><script>own()</script>"]);
  });
  it("keeps every pixel of a part, and its place", () => {
    const region = { x: 20, y: 10, width: 30, height: 20 };
    const { set } = contentOf(inspectImage(image, { region }).html);
    expect([set.width, set.height, set.x, set.y, set.scale]).toEqual([30, 20, 20, 10, 1]);
  });
  it("stays below a megabyte for a large image and tells the scale of its means", () => {
    const view = inspectImage(constantImage(4000, 3000, 7));
    expect(view.html.length).toBeLessThan(1_000_000);
    expect(contentOf(view.html).set.scale).toBeCloseTo(4000 / 640, 1);
  });
  it("refuses a part outside the image and a width that shows nothing", () => {
    expect(() => inspectImage(image, { region: { x: 50, y: 0, width: 20, height: 9 } })).toThrow(
      "region must lie within",
    );
    expect(() => inspectImage(image, { width: NaN })).toThrow("inspectImage: width must be ≥ 16, but got NaN");
  });
});
