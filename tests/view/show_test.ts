import { afterEach, describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { displayTo } from "../../lib/view/display.ts";
import { imageView } from "../../lib/view/image_view.ts";
import { show } from "../../lib/view/show.ts";
import { shownMessages } from "../support/shown_messages.ts";

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
    const messages = shownMessages();
    const sheet = imageView(constantImage(40, 30, 7), { width: 300 });
    show(sheet);
    expect(messages.length).toBe(1);
    expect(Object.keys(messages[0].data)).toEqual(["image/png", "text/plain"]);
    expect(messages[0].data["image/png"].startsWith("iVBORw0KGgo")).toBe(true);
    expect(messages[0].data["text/plain"]).toBe(sheet.alternativeText);
  });
  it("never sends a megabyte: pure noise goes out as a JPEG, and HTML that is too long is refused", () => {
    const messages = shownMessages();
    show(imageView(grainy));
    expect(Object.keys(messages[0].data)[0]).toBe("image/jpeg");
    expect(messages[0].data["image/jpeg"].length).toBeLessThan(170_001);
    const sheet = imageView(constantImage(4, 4, 7), { width: 300 });
    expect(() => show({ sheet, html: "x".repeat(1_000_001), height: 10 })).toThrow(
      "show: an output must be at most 1000000 characters",
    );
  });
  it("puts the picture before the page with controls, and the page into a frame that reaches nothing", () => {
    const messages = shownMessages();
    const sheet = { ...imageView(constantImage(4, 4, 7), { width: 300 }), alternativeText: 'An "even" sky' };
    show({ sheet, html: '<p title="a&b">', height: 99 });
    expect(messages.map((message) => Object.keys(message.data)[0])).toEqual(["image/png", "text/html"]);
    expect(messages[1].data["text/html"]).toBe(
      '<iframe title="An &quot;even&quot; sky" sandbox="allow-scripts allow-downloads" style="width:100%;height:99px;border:0" srcdoc="<p title=&quot;a&amp;b&quot;>"></iframe>',
    );
  });
  it("shows images, rows and texts in the order given", () => {
    const messages = shownMessages();
    show("first", constantImage(4, 4, 0.5, { unit: "display" }), [{ filter: "Ha", frames: 3 }]);
    const words = messages.map((message) => message.data["text/plain"]);
    expect(words[0]).toBe("first");
    expect(words[1]).toMatch(/^Picture: luminance; 4 × 4 pixels.*shown as it is/);
    expect(words[2]).toBe("Table of 1 row with filter, frames.");
  });
});
