import { describe, expect, it } from "vitest";
import { deflate } from "../../lib/io/deflate.ts";

describe("deflate", () => {
  it("makes what a browser's own stream reads back, smaller", async () => {
    const bytes = Uint8Array.from({ length: 5000 }, (_, k) => k % 7);
    const packed = deflate(bytes);
    expect(packed.length).toBeLessThan(100);
    const stream = new Blob([packed.slice()]).stream().pipeThrough(new DecompressionStream("deflate"));
    expect(new Uint8Array(await new Response(stream).arrayBuffer())).toEqual(bytes);
  });
});
