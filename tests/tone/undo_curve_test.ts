import { describe, expect, it } from "vitest";
import { createImage, derive } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { applyCurve } from "../../lib/tone/apply_curve.ts";
import type { CurveParameters } from "../../lib/tone/curve.ts";
import { undoCurve } from "../../lib/tone/undo_curve.ts";

describe("undoCurve", () => {
  const random = randomStream(12);
  const planes = ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from({ length: 600 }, () => 0.1 + 0.6 * random.uniform()),
  }));
  const picture = createImage({ width: 30, height: 20, unit: "display", planes });
  const curves: readonly CurveParameters[] = [
    { family: "spline", points: [[0, 0], [0.12, 0.1], [0.5, 0.54], [1, 1]] },
    { family: "power", exponent: 0.8 },
    { family: "rational", bias: 0.6 },
    { family: "rationalContrast", gain: 0.4 },
    { family: "sigmoid", contrast: 4, centre: 0.4 },
    { family: "asinh", bend: 3 },
    { family: "log", bend: 3 },
  ];
  for (const curve of curves) {
    it.each(["luminance", "channels", "chroma"] as const)(`takes ${curve.family} off again, on %s`, (on) => {
      // Half of the colours would leave the screen with more chroma; they are made paler first.
      const start = on === "channels" ? picture : derive(picture, {
        planes: picture.planes.map(({ channel, data }) => ({ channel, data: data.map((v) => 0.4 + 0.1 * (v - 0.4)) })),
      }, { step: "paler", options: {} });
      const there = applyCurve(start, curve, { on });
      const back = undoCurve(there, curve, { on });
      let worst = 0;
      let moved = 0;
      for (let c = 0; c < 3; c++) {
        for (let i = 0; i < 600; i++) {
          worst = Math.max(worst, Math.abs(back.planes[c].data[i] - start.planes[c].data[i]));
          moved = Math.max(moved, Math.abs(there.planes[c].data[i] - start.planes[c].data[i]));
        }
      }
      expect(moved).toBeGreaterThan(0.001);
      expect(worst).toBeLessThan(2e-6);
    });
  }
});
