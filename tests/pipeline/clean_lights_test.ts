/** Cosmic rays in stacks of few lights: none is left, and the stars keep their light. */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { cpSync, mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { derive } from "../../lib/doors/extend.ts";
import { median } from "../../lib/doors/stats.ts";
import { longNight, planSimulation, simulateNight } from "../../lib/doors/simulate.ts";
import { detectStars, openNight, readFits, readLight, stackNight, writeFits } from "../../lib/mod.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-rays-"));
const width = 300;
const height = 220;

/** What a ray leaves in a pixel. */
const rayAdu = 2500;

/** Rays as sensors show them: points, pairs, short worms. */
const rays = [
  [[60, 60]],
  [[150, 40], [151, 40]],
  [[220, 150], [221, 151], [222, 151], [223, 152]],
  [[40, 180], [40, 181], [41, 182]],
  [[260, 90]],
] as const;

function simulate(name: string, lights: number): string {
  const folder = join(base, name);
  const plan = { width, height, lights: { Ha: lights }, faults: [], calibrationFaults: [] };
  simulateNight(folder, planSimulation(longNight, { ...plan, darks: 3, biases: 2, flats: 2, flatDarks: 2 }));
  return folder;
}

/** A copy of the night whose first light is hit. */
function hit(folder: string): string {
  const copy = `${folder}-hit`;
  cpSync(folder, copy, { recursive: true });
  const path = join(copy, "lights", readdirSync(join(copy, "lights"))[0]);
  const image = readFits(path);
  const data = image.planes[0].data.slice();
  for (const [x, y] of rays.flat()) data[y * width + x] += rayAdu;
  writeFits(path, derive(image, { planes: [{ channel: "L", data }] }, { step: "hit", options: {} }));
  return copy;
}

const stackOf = (folder: string) => stackNight(openNight(folder, { out: `${folder}-out` }), { crop: "none" }).Ha;

/** Largest part of a ray that is left about its place, against a stack of the same night without it. */
function shareLeft(hitNight: string, clearNight: string): number {
  const [{ data }] = stackOf(hitNight).image.planes;
  const [{ data: clear }] = stackOf(clearNight).image.planes;
  const left = rays.flat().flatMap(([x, y]) =>
    [-1, 0, 1].flatMap((j) => [-1, 0, 1].map((i) => (y + j) * width + x + i)).map((p) => Math.abs(data[p] - clear[p]))
  );
  return Math.max(...left) / rayAdu;
}

afterAll(() => rmSync(base, { recursive: true }));

describe.each([1, 2, 3])("a stack of %d lights", (count) => {
  let clear: string;
  beforeAll(() => {
    clear = simulate(`night-${count}`, count);
  });

  it("has no cosmic ray left, which its notes say", () => {
    const night = hit(clear);
    // the median of the neighbours stands in its place: what differs is the noise of one light, some 10 ADU
    expect(shareLeft(night, clear)).toBeLessThan(0.02);
    expect(stackOf(night).notes.join("\n")).toMatch(/too few to tell cosmic rays by comparison/);
  });

  it("keeps the flux of its stars", () => {
    const night = openNight(clear, { out: `${clear}-out` });
    const before = detectStars(readLight(night, night.lights[0])).stars.slice(0, 40);
    const after = detectStars(stackOf(clear).image).stars;
    const ratios = before.flatMap(({ x, y, flux }) => {
      const same = after.find((each) => Math.hypot(each.x - x, each.y - y) < 1);
      return same === undefined ? [] : [same.flux / flux];
    });
    expect(ratios.length).toBeGreaterThan(30);
    expect(Math.abs(median(ratios) - 1)).toBeLessThan(0.01);
    // one light: the very same stars, but for one or two that a ray of the simulator's hit
    if (count === 1) expect(ratios.filter((each) => each < 0.995).length).toBeLessThanOrEqual(2);
  });
});

describe("a stack of four lights", () => {
  it("tells rays by comparison", () => {
    const { notes } = stackOf(simulate("night-4", 4));
    expect(notes.join("\n")).not.toMatch(/cosmic rays/);
  });
});
