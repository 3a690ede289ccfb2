/** Covers choose_reference.ts, match_frames.ts, find_pattern.ts and frame_to_register.ts. */
import { describe, expect, it } from "vitest";
import { createImage, type Image } from "../../lib/core/image.ts";
import { applyTransform, type Transform } from "../../lib/core/transform.ts";
import type { FrameToRegister } from "../../lib/register/frame_to_register.ts";
import { registerFrames } from "../../lib/register/register_frames.ts";
import { detectStars } from "../../lib/stars/detect_stars.ts";
import { caseStream, expose, frame, type Place, sky } from "../support/star_fields.ts";

type Map = (x: number, y: number) => Place;
/** Sky → frame by a turn about the frame's centre and a shift. */
const pointing = (degrees: number, dx: number, dy: number): Map => {
  const c = Math.cos(degrees * Math.PI / 180);
  const s = Math.sin(degrees * Math.PI / 180);
  return (x, y) => {
    const u = x - frame.width / 2 - dx;
    const v = y - frame.height / 2 - dy;
    return [c * u - s * v + frame.width / 2, s * u + c * v + frame.height / 2];
  };
};

/** Largest error over all frames: a point of the sky, seen by the frame, must fall where the reference sees it. */
function worst(
  frames: readonly { readonly transform: Transform | null }[],
  places: readonly Map[],
  reference: number,
): number {
  let most = 0;
  frames.forEach(({ transform }, i) => {
    if (transform === null) return;
    for (const [x, y] of [[750, 500], [500, 300], [1000, 700]]) {
      const [sx, sy] = places[i](x, y);
      const [rx, ry] = places[reference](x, y);
      const p = applyTransform(transform, sx, sy);
      most = Math.max(most, Math.hypot(p.x - rx, p.y - ry));
    }
  });
  return most;
}

describe("registerFrames", () => {
  it("follows a rotating night over the meridian flip", () => {
    const random = caseStream("night", 0);
    const stars = sky(random, 400, 2200, 1700).map((s) => ({ ...s, x: s.x - 350, y: s.y - 350 }));
    const places = Array.from(
      { length: 60 },
      (_, i) => pointing(i * 1.5 + (i >= 30 ? 180 : 0), 3 * i - 90, 20 * Math.sin(i / 6)),
    );
    const frames = places.map((place): FrameToRegister => ({
      ...frame,
      stars: expose(random, stars, { place, error: 0.2 }),
    }));
    const night = registerFrames(frames);
    expect(night.frames.every((each) => each.transform !== null)).toBe(true);
    expect(worst(night.frames, places, night.reference)).toBeLessThan(0.5);
    expect(night.frames[night.reference].method).toBe("reference");
    // the middle of the drift, not its ends
    expect(Math.abs(night.reference - 30)).toBeLessThan(16);
    expect(night.pattern).toEqual([]);
  });

  it("finds the fixed pattern over the night and follows the sky", () => {
    const random = caseStream("pattern", 1);
    const stars = sky(random, 30);
    const hot = Array.from(
      { length: 80 },
      () => ({ x: 1500 * random.uniform(), y: 1000 * random.uniform(), flux: 3000 * random.uniform() }),
    );
    const places = Array.from({ length: 8 }, (_, i) => pointing(0, 9 * i, 2 * i));
    const frames = places.map((place) => ({
      ...frame,
      stars: [
        ...expose(random, stars, { place, limit: 0 }),
        ...hot.map((h) => ({ ...h, x: h.x + 0.03 * random.gaussian(), y: h.y + 0.03 * random.gaussian() })),
      ],
    }));
    const night = registerFrames(frames);
    expect(worst(night.frames, places, night.reference)).toBeLessThan(0.6);
    expect(night.frames.every((each) => each.transform !== null)).toBe(true);
    expect(night.pattern.length).toBeGreaterThan(75);
    expect(night.pattern.length).toBeLessThan(90);
  });

  it("refuses frames of another field and of cloud with a reason, and goes on", () => {
    const random = caseStream("cloud", 2);
    const stars = sky(random, 80);
    const other = sky(random, 80);
    const places = [0, 4, 8, 12].map((dx) => pointing(0, dx, 0));
    const frames: FrameToRegister[] = places.map((place) => ({ ...frame, stars: expose(random, stars, { place }) }));
    frames[1] = { ...frame, stars: expose(random, other, { place: places[1] }) };
    frames[2] = { ...frame, stars: [] };
    const night = registerFrames(frames);
    expect(night.frames.map((each) => each.failure)).toEqual([null, "no-match", "too-few-stars", null]);
    expect(night.frames[1].notes[0]).toMatch(/nothing agrees better than chance/);
    expect(worst(night.frames, places, night.reference)).toBeLessThan(0.5);
  });

  it("joins panels of a mosaic through their neighbours", () => {
    const random = caseStream("mosaic", 3);
    const stars = sky(random, 800, 6000, 1200).map((s) => ({ ...s, x: s.x - 100, y: s.y - 100 }));
    const places = [0, 1100, 2200].map((dx) => pointing(0, dx, 0));
    const frames = places.map((place) => ({ ...frame, stars: expose(random, stars, { place }) }));
    const night = registerFrames(frames, { reference: 0 });
    expect(night.frames.map((each) => each.method)).toEqual(["reference", "stars", "all-stars"]);
    expect(worst(night.frames, places, 0)).toBeLessThan(1);
  });

  it("takes images and detects their stars itself", () => {
    const random = caseStream("images", 4);
    const stars = sky(random, 40, 200, 160);
    const exposed = (drift: number): Image => {
      const data = Float32Array.from({ length: 200 * 160 }, () => 100 + 2 * random.gaussian());
      for (const { x, y } of stars) {
        for (let p = 0; p < data.length; p++) {
          const dx = p % 200 - x + drift;
          const dy = Math.floor(p / 200) - y;
          if (dx * dx + dy * dy < 100) data[p] += 800 * Math.exp(-(dx * dx + dy * dy) / 4);
        }
      }
      return createImage({ width: 200, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
    };
    const images = [exposed(0), exposed(6), exposed(12)];
    const night = registerFrames(images, { reference: 0 });
    expect(night.transforms.map((each) => applyTransform(each as Transform, 94, 80).x)).toEqual([
      94,
      expect.closeTo(100, 1),
      expect.closeTo(106, 1),
    ]);
    expect(night.frames.map(({ method }) => method)).toEqual(["reference", "stars", "stars"]);
    const listed = registerFrames(images.map((each) => detectStars(each)), { reference: 0 });
    expect(listed.transforms).toEqual(night.transforms);
  });

  it("names what is wrong", () => {
    expect(() => registerFrames([])).toThrow("registerFrames: frames must be at least one, but got none");
    expect(() => registerFrames([{ ...frame, stars: [] }], { reference: 3 })).toThrow(
      /reference must be 0 … 0, but got 3/,
    );
    expect(registerFrames([{ ...frame, stars: [] }]).frames[0].method).toBe("reference");
  });
});
