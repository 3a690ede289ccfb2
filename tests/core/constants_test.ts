import { expect, it } from "vitest";
import { fwhmPerSigma } from "../../lib/core/constants.ts";

it("a Gaussian has half its height at half its full width", () => {
  expect(Math.exp(-((fwhmPerSigma / 2) ** 2) / 2)).toBeCloseTo(0.5, 15);
});
