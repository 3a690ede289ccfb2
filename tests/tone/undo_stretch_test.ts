/** Covers stretch.ts, stretch_log.ts, stretch_power.ts, stretch_rational.ts and stretch_sigmoid.ts. */
import { describe, expect, it } from "vitest";
import type { Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import type { CurveParameters } from "../../lib/tone/curve.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { stretchLog } from "../../lib/tone/stretch_log.ts";
import { stretchPower } from "../../lib/tone/stretch_power.ts";
import { stretchRational } from "../../lib/tone/stretch_rational.ts";
import { stretchSigmoid } from "../../lib/tone/stretch_sigmoid.ts";
import { undoStretch } from "../../lib/tone/undo_stretch.ts";
import { pixel, rgb } from "../support/pictures.ts";

describe("undoStretch", () => {
  const random = randomStream(11);
  const image = rgb(...Array.from({ length: 200 }, () => {
    const base = 50 + 800 * random.uniform();
    return [base, base * (0.8 + 0.2 * random.uniform()), base * (0.9 + 0.1 * random.uniform())] as const;
  }));
  const levels = { black: 10, white: 1200 };
  const cases: readonly (readonly [string, Image, CurveParameters, object])[] = [
    ["asinh", stretchAsinh(image, { ...levels, bend: 50 }), { family: "asinh", bend: 50 }, {}],
    [
      "asinh with grey sky",
      stretchAsinh(image, { ...levels, bend: 50, greyBelow: 100, colourAbove: 300 }),
      { family: "asinh", bend: 50 },
      { greyBelow: 100, colourAbove: 300 },
    ],
    ["log", stretchLog(image, { ...levels, bend: 50 }), { family: "log", bend: 50 }, {}],
    ["power", stretchPower(image, { ...levels, exponent: 0.6 }), { family: "power", exponent: 0.6 }, {}],
    ["rational", stretchRational(image, { ...levels, bias: 0.7 }), { family: "rational", bias: 0.7 }, {}],
    [
      "sigmoid",
      stretchSigmoid(image, { ...levels, contrast: 3, centre: 0.4 }),
      { family: "sigmoid", contrast: 3, centre: 0.4 },
      {},
    ],
  ];
  it.each(cases)("%s comes back to float32", (_name, drawn, curve, more) => {
    const back = undoStretch(drawn, { ...levels, ...more, curve });
    let worst = 0;
    let count = 0;
    for (let i = 0; i < 200; i++) {
      if (Math.max(...pixel(drawn, i)) >= 1) continue; // what was clamped is lost
      count++;
      for (let c = 0; c < 3; c++) worst = Math.max(worst, Math.abs(pixel(back, i)[c] - pixel(image, i)[c]));
    }
    expect(count).toBeGreaterThan(100);
    // One part in 2^24 of the range, times the slope of the inverse (at most 20 here).
    expect(worst).toBeLessThan(1200 * 2 ** -24 * 40);
  });
});
