import { describe, expect, it } from "vitest";
import { displayed, displayKind, displaySymbol } from "../../lib/core/display.ts";
import { constantImage, createImage, derive, type Image } from "../../lib/core/image.ts";
import { canonicalJson } from "../../lib/core/options.ts";
import { imageDigest } from "../../lib/pipeline/image_digest.ts";

/** The same value as it would be without the mark. */
const unmarked = (image: Image): Image => Object.freeze({ ...image });

describe("a value that shows itself", () => {
  const image = constantImage(3, 2, 7, { channels: ["Ha"] });

  it("answers to the name the kernel asks for", () => {
    expect(typeof (image as unknown as Record<symbol, unknown>)[Symbol.for("Jupyter.display")]).toBe("function");
    expect(displayKind(image)).toBe("image");
    expect(displayKind(derive(image, { unit: "electron" }, { step: "demo", options: {} }))).toBe("image");
  });

  it("looks like any other to keys, copies, JSON and digests", () => {
    const plain = unmarked(image);
    expect(Reflect.ownKeys(plain)).toEqual(Object.keys(image));
    expect(Object.getOwnPropertyDescriptor(image, displaySymbol)?.enumerable).toBe(false);
    expect(JSON.stringify(image)).toBe(JSON.stringify(plain));
    expect(canonicalJson({ ...image, planes: [] })).toBe(canonicalJson({ ...plain, planes: [] }));
    expect(imageDigest(image)).toBe(imageDigest(plain));
    expect(image).toEqual(plain);
  });

  it("goes to a worker without the mark", () => {
    const data = Float32Array.of(1, 2);
    const small = createImage({ width: 2, height: 1, unit: "adu", planes: [{ channel: "L", data }] });
    const clone = structuredClone(small);
    expect(clone).toEqual(small);
    expect(Reflect.ownKeys(clone)).toEqual(Object.keys(small));
    expect(displayKind(clone)).toBeNull();
  });

  it("stays frozen when it was to be", () => {
    expect(Object.isFrozen(image)).toBe(true);
    expect(Object.isFrozen(displayed("demo", { a: 1 }))).toBe(false);
  });
});
