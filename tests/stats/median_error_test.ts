import { expect, it } from "vitest";
import { medianErrorFactor } from "../../lib/stats/median_error.ts";

it("the median of many normal samples scatters √(π/2) times as much as their mean", () => {
  expect(medianErrorFactor).toBeCloseTo(Math.sqrt(Math.PI / 2), 4);
});
