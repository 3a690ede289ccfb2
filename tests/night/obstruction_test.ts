import { describe, expect, it } from "vitest";
import { findObstruction } from "../../lib/night/obstruction.ts";

/** Stars on a grid of 10 by 8, with the given flux ratio at each place. */
const stars = (fluxRatio: (x: number, y: number) => number) =>
  Array.from({ length: 80 }, (_, i) => {
    const x = (i % 10) * 60 + 30;
    const y = Math.floor(i / 10) * 50 + 25;
    return { x, y, fluxRatio: fluxRatio(x, y) };
  });

describe("findObstruction", () => {
  it("tells the dark side, its flux and the area it takes", () => {
    const found = findObstruction(stars((x) => x > 400 ? 0.1 : 1), 600, 400);
    // three of ten columns of stars are dark, the border lies half-way between two: 600 − 420 of 600 pixels
    expect(found).toMatchObject({ dark: 0.1, bright: 1, degrees: 0 });
    expect(Math.abs((found?.transmission ?? 0) - (1 - 0.3 * 0.9))).toBeLessThan(0.03);
  });
  it("does not depend on where the dark side is", () => {
    expect(findObstruction(stars((_x, y) => y < 150 ? 0 : 1), 600, 400)?.degrees).toBe(270);
  });
  it("finds none where all is clear, evenly dim, or dim here and there", () => {
    expect(findObstruction(stars(() => 1), 600, 400)).toBeNull();
    expect(findObstruction(stars(() => 0.4), 600, 400)).toBeNull();
    expect(findObstruction(stars((x, y) => (x + y) % 110 < 55 ? 0.2 : 1), 600, 400)).toBeNull();
  });
  it("leaves a strip along the border out", () => {
    const strip = Array.from({ length: 8 }, (_, i) => ({ x: 595, y: 50 * i + 25, fluxRatio: 0 }));
    expect(findObstruction([...stars(() => 1), ...strip], 600, 400)).toBeNull();
  });
});
