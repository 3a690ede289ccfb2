/**
 * `detectStars` on crowded fields, against their truth and against SEP on the same pixels
 * (fixtures/measure/crowded.py). Covers search_residual.ts, model_star.ts, star_model.ts and deblended_shapes.ts.
 */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { detectStars } from "../../lib/mod.ts";
import { type CrowdedField, crowdedField, scoreStars, side } from "../support/crowded_fields.ts";

const stored = JSON.parse(readFileSync(new URL("../../fixtures/measure/crowded.json", import.meta.url), "utf8")) as {
  readonly fields: readonly CrowdedField[];
};

describe.each(stored.fields)("detectStars among $stars stars of FWHM $fwhm on a megapixel", (against) => {
  const { data, stars } = crowdedField(against);
  const image = createImage({ width: side, height: side, unit: "adu", planes: [{ channel: "L", data }] });
  const { bins, pure } = scoreStars(stars, detectStars(image, { maximumStars: 40000 }).stars);
  it("is given the pixels that SEP was given", () => {
    expect(Math.abs(data.reduce((sum, v) => sum + v, 0) / against.sum - 1)).toBeLessThan(1e-9);
  });
  it("finds more than SEP at its most complete setting of 98 % purity, in every range of brightness", () => {
    bins.forEach(({ complete }, i) => expect(complete).toBeGreaterThan(against.bins[i].complete));
    // below SNR 20, where blends hide most: at least one in six that SEP misses
    for (const i of [0, 1]) expect(1 - bins[i].complete).toBeLessThan((1 - against.bins[i].complete) * 5 / 6);
  });
  it("is 98 % pure", () => {
    expect(pure).toBeGreaterThan(0.98);
  });
  it("finds nine in ten of true SNR 20 to 50 and better", () => {
    for (const i of [2, 3]) expect(bins[i].complete).toBeGreaterThan(0.9);
  });
  it("measures flux as well as SEP's circle of a FWHM, though of more and closer stars", () => {
    bins.forEach(({ scatter }, i) => expect(scatter).toBeLessThan(Math.max(0.05, 1.1 * against.bins[i].scatter)));
    // what lies within 2 FWHM: 0.96 of all
    for (const { medianRatio } of bins.slice(1)) expect(Math.abs(medianRatio - 0.96)).toBeLessThan(0.03);
  });
});
