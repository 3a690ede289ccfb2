import { describe, expect, it } from "vitest";
import { collinearDirection } from "../../lib/night/collinear_detections.ts";
import { randomStream } from "../../lib/core/random.ts";

const random = randomStream("detections");
const anywhere = (n: number) =>
  Array.from({ length: n }, () => ({ x: 600 * random.uniform(), y: 400 * random.uniform() }));
/** Flashes along y = 50 + x tan 30°. */
const flashes = (n: number) =>
  Array.from({ length: n }, (_, i) => ({ x: 40 + 45 * i, y: 50 + (40 + 45 * i) * Math.tan(Math.PI / 6) }));

describe("collinearDirection", () => {
  it("gives the direction of a row of flashes among other detections", () => {
    const degrees = collinearDirection([...flashes(10), ...anywhere(10)], 600, 400);
    expect(degrees).not.toBeNull();
    expect(Math.abs((degrees ?? 0) - 30)).toBeLessThan(0.5);
  });
  it("finds no row among detections that lie anywhere, in a hundred frames", () => {
    const rows = Array.from({ length: 100 }, () => collinearDirection(anywhere(40), 600, 400));
    expect(rows.filter((each) => each !== null).length).toBe(0);
  });
  it("believes none of four", () => {
    expect(collinearDirection(flashes(4), 600, 400)).toBeNull();
  });

  it("takes no heap of pieces, as a bright star overflows into, for a row with what lies far off", () => {
    const heap = Array.from({ length: 6 }, (_, k) => ({ x: 200 + 0.1 * k, y: 150 + 3 * k }));
    expect(collinearDirection([...heap, ...anywhere(40)], 600, 400)).toBeNull();
  });
});
