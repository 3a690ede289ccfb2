/** Trails across what is bright: the outlier test alone leaves a part of them, their known line does not. */
import { describe, expect, it } from "vitest";
import { referenceCanvas } from "../../lib/core/canvas.ts";
import type { Image } from "../../lib/core/image.ts";
import type { SimilarityTransform } from "../../lib/core/transform.ts";
import { stackFrames } from "../../lib/stack/stack_frames.ts";
import type { StackFramesOptions } from "../../lib/stack/stack_options.ts";
import { isInBand, type TrailBand } from "../../lib/stack/trail_bands.ts";
import { imageOf, moments, noisy } from "../calibrate/support.ts";

const width = 240;
const height = 160;
const sky = 100;
const noise = 8;
const trailHeight = 120;

/** A line from border to border through the middle of the nebula, at 30°. */
const direction = { x: Math.cos(Math.PI / 6), y: Math.sin(Math.PI / 6) };
const centre = { x: 121, y: 79 };
const band: TrailBand = {
  from: { x: centre.x - 130 * direction.x, y: centre.y - 130 * direction.y },
  to: { x: centre.x + 130 * direction.x, y: centre.y + 130 * direction.y },
  halfWidthPixels: 6,
};
const across = (x: number, y: number) => (y - centre.y) * direction.x - (x - centre.x) * direction.y;

/** A nebula so steep that no outlier test may be strict in it. */
const nebula = (x: number, y: number) => 3000 * Math.exp(-((x - 120) ** 2 + (y - 80) ** 2) / (2 * 25 ** 2));

function frame(name: string, shift: number, hasTrail: boolean): Image {
  const samples = noisy(width, height, sky, noise, name);
  for (let y = 0, p = 0; y < height; y++) {
    for (let x = 0; x < width; x++, p++) {
      samples[p] += nebula(x + shift, y) +
        (hasTrail ? trailHeight * Math.exp(-(across(x, y) ** 2) / (2 * 1.3 ** 2)) : 0);
    }
  }
  return imageOf(width, height, samples);
}

const shifted = (dx: number): SimilarityTransform => ({ kind: "similarity", matrix: [1, 0, dx, 0, 1, 0, 0, 0, 1] });

function stack(count: number, trails: readonly TrailBand[], options: Partial<StackFramesOptions> = {}) {
  const frames = Array.from({ length: count }, (_, k) => ({
    source: frame(`light ${k}`, k, k === 1),
    transform: shifted(k),
    trails: k === 1 ? trails : [],
  }));
  return stackFrames(frames, referenceCanvas(frames[0].source), options);
}

/** Samples of a stack less the truth, on the middle line of the trail, where the nebula is steep. */
function leftOnLine(image: Image): number[] {
  const found: number[] = [];
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const steep = nebula(x, y) > 600 && nebula(x, y) < 2600;
      // the frame with the trail lies one pixel to the right
      if (steep && Math.abs(across(x - 1, y)) < 1) found.push(image.planes[0].data[y * width + x] - sky - nebula(x, y));
    }
  }
  return found;
}

describe("a trail across a steep nebula", () => {
  it("leaves a part of itself where the outlier test is all there is", () => {
    const { mean } = moments(leftOnLine(stack(8, []).image));
    expect(mean).toBeGreaterThan(0.3 * trailHeight / 8);
  });

  it.each([3, 8])("is gone from a stack of %d where its line is known", (count) => {
    const left = leftOnLine(stack(count, [band]).image);
    // four standard errors of samples whose neighbours share noise
    expect(Math.abs(moments(left).mean)).toBeLessThan(4 * noise / Math.sqrt(count - 1) / Math.sqrt(left.length / 4));
  });

  it("is gone from a drizzled stack, too", () => {
    const { image } = stack(8, [band], { drizzle: { dropSize: 1 } });
    const left = leftOnLine(image).filter(Number.isFinite);
    expect(Math.abs(moments(left).mean)).toBeLessThan(4 * noise / Math.sqrt(7) / Math.sqrt(left.length / 4));
  });

  it("stands in the rejections as brighter samples, and costs nothing beyond its band", () => {
    const { rejections, coverage } = stack(8, [band]);
    const brighter = rejections.planes.find((plane) => plane.channel === "brighter")?.data ?? new Float32Array(0);
    let outside = 0;
    let inside = 0;
    let most = 0;
    for (let p = 0; p < brighter.length; p++) {
      const away = Math.abs(across(p % width - 1, Math.floor(p / width)));
      if (coverage.planes[0].data[p] < 8) continue;
      if (away < 5.5) {
        inside++;
        if (brighter[p] >= 1) most++;
      } else if (away > 8) outside += brighter[p];
    }
    expect(inside).toBeGreaterThan(1000);
    expect(most).toBe(inside);
    // one false rejection of a thousand a frame and side
    expect(outside).toBeLessThan(0.004 * 8 * width * height);
  });
});

describe("a band", () => {
  it("reaches so far on either side of its line", () => {
    const level = { from: { x: 0, y: 10 }, to: { x: 50, y: 10 }, halfWidthPixels: 3 };
    expect([6, 7, 10, 13, 14].map((y) => isInBand([level], 20, y))).toEqual([false, true, true, true, false]);
    expect(isInBand([], 20, 10)).toBe(false);
  });

  it("is left in where no other frame shows the place, and of three samples two stay", () => {
    const one = [{ source: frame("alone", 0, true), trails: [band] }];
    const alone = stackFrames(one, referenceCanvas(one[0].source)).image.planes[0].data;
    expect(alone.every(Number.isFinite)).toBe(true);
    const all = [0, 1, 2].map((k) => ({ source: frame(`light ${k}`, 0, false), trails: [band] }));
    const { rejections } = stackFrames(all, referenceCanvas(all[0].source));
    const brighter = rejections.planes.find((plane) => plane.channel === "brighter")?.data ?? new Float32Array(0);
    expect(Math.max(...brighter)).toBe(1);
  });

  it("is not looked at where nothing is to be rejected", () => {
    const { rejections } = stack(8, [band], { rejection: "none" });
    expect(rejections.planes.every((plane) => plane.data.every((value) => value === 0))).toBe(true);
  });
});
