/** Patches of images, for the tests of steps that state a margin. */
import { expect } from "vitest";
import type { Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { cropImage } from "../../lib/stack/crop_image.ts";

/** A rectangle of an image at a random interior place, and the same with a margin about it. */
export interface Patch {
  /** The part of the image with its margin. */
  readonly image: Image;
  /** First column of the rectangle in the patch, and in the whole. */
  readonly x: { readonly patch: number; readonly whole: number };
  /** First row. */
  readonly y: { readonly patch: number; readonly whole: number };
  readonly width: number;
  readonly height: number;
}

/** A random rectangle of `width` × `height` that has room for the margin on all sides, off the borders. */
export function randomPatch(whole: Image, margin: number, width: number, height: number, seed: number): Patch {
  const random = randomStream(`patch/${seed}`);
  const place = (size: number, part: number) => {
    const room = size - part - 2 * margin;
    expect(room, "room for the margin").toBeGreaterThan(1);
    return margin + 1 + Math.floor(random.uniform() * (room - 1));
  };
  const x = place(whole.width, width);
  const y = place(whole.height, height);
  const image = cropImage(whole, {
    x: x - margin,
    y: y - margin,
    width: width + 2 * margin,
    height: height + 2 * margin,
  });
  return { image, x: { patch: margin, whole: x }, y: { patch: margin, whole: y }, width, height };
}

/** Samples of the rectangle in which what was made of the patch differs from what was made of the whole. */
export function differingSamples({ x, y, width, height }: Patch, patch: Image, whole: Image): number {
  let differing = 0;
  whole.planes.forEach(({ data }, c) => {
    for (let j = 0; j < height; j++) {
      for (let i = 0; i < width; i++) {
        const a = data[(y.whole + j) * whole.width + x.whole + i];
        const b = patch.planes[c].data[(y.patch + j) * patch.width + x.patch + i];
        if (!Object.is(a, b)) differing++;
      }
    }
  });
  return differing;
}

/** Samples of the rectangle that a step changed. */
export function changedSamples({ x, y, width, height }: Patch, before: Image, after: Image): number {
  let changed = 0;
  before.planes.forEach(({ data }, c) => {
    for (let j = 0; j < height; j++) {
      for (let i = 0; i < width; i++) {
        const at = (y.whole + j) * before.width + x.whole + i;
        if (data[at] !== after.planes[c].data[at]) changed++;
      }
    }
  });
  return changed;
}
