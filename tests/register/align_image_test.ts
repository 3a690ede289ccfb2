/** One image brought to another by their stars: a field drawn twice, the second time turned, moved and smaller. */
import { describe, expect, it } from "vitest";
import { alignImage, detectStars, type Image, imageFromFunction, RegistrationError } from "faintlight";
import { applyTransform, invertTransform, type Transform } from "faintlight/geometry";
import { randomStream } from "faintlight/stats";

const width = 200;
const height = 160;
const random = randomStream(11);
const stars = Array.from({ length: 60 }, () => ({
  x: 300 * random.uniform() - 50,
  y: 260 * random.uniform() - 50,
  peak: 300 + 3000 * random.uniform() ** 3,
}));

/** The field as a frame shows it whose pixels lie where `transform` says, with noise of its own. */
function frame(transform: Transform, seed: number): Image {
  const noise = randomStream(seed);
  const placed = stars.map(({ x, y, peak }) => ({ ...applyTransform(transform, x, y), peak }));
  return imageFromFunction(width, height, (x, y) => {
    let value = 100 + 3 * noise.gaussian();
    for (const star of placed) {
      const r2 = (star.x - x) ** 2 + (star.y - y) ** 2;
      if (r2 < 120) value += star.peak * Math.exp(-r2 / 4.5);
    }
    return value;
  });
}

const turned: Transform = {
  kind: "similarity",
  matrix: [0.8 * Math.cos(0.3), -0.8 * Math.sin(0.3), 30, 0.8 * Math.sin(0.3), 0.8 * Math.cos(0.3), -4, 0, 0, 1],
};
const identity: Transform = { kind: "similarity", matrix: [1, 0, 0, 0, 1, 0, 0, 0, 1] };

describe("alignImage", () => {
  const reference = frame(identity, 1);

  it("puts the stars where the reference has them", () => {
    const aligned = alignImage(frame(turned, 2), reference);
    expect([aligned.width, aligned.height]).toEqual([width, height]);
    const found = detectStars(aligned).stars;
    const there = detectStars(reference).stars;
    const distances = there.flatMap((star) => {
      const [nearest] = found.map(({ x, y }) => Math.hypot(x - star.x, y - star.y)).sort((a, b) => a - b);
      return nearest < 2 ? [nearest] : [];
    });
    expect(distances.length).toBeGreaterThan(15);
    expect(distances.sort((a, b) => a - b)[distances.length >> 1]).toBeLessThan(0.15);
    const seen = invertTransform(turned);
    expect(applyTransform(seen, 30, -4).x).toBeCloseTo(0, 9);
  });

  it("refuses a field that it cannot find, and one beyond the expected scale", () => {
    expect(() => alignImage(frame(turned, 2), reference, { expected: "same-sensor" })).toThrow(RegistrationError);
    expect(() => alignImage(reference, imageFromFunction(width, height, () => 1))).toThrow(RegistrationError);
  });
});
