import { describe, expect, it } from "vitest";
import { planckPhotons } from "lib/sky/black_body.ts";

describe("planckPhotons", () => {
  // ratios of Planck's law, computed apart from the CODATA constants
  it.each([
    [3000, 1.986753, 0.444638],
    [5772, 1.066465, 0.857474],
    [10000, 0.820002, 1.13858],
  ])("has the right colour at %s K", (temperature, red, blue) => {
    expect(Math.abs(planckPhotons(620, temperature) / planckPhotons(530, temperature) - red)).toBeLessThan(1e-5);
    expect(Math.abs(planckPhotons(460, temperature) / planckPhotons(530, temperature) - blue)).toBeLessThan(1e-5);
  });
});
