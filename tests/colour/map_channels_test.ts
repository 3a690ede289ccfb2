import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { type ChannelRule, channelRules, mapChannels } from "../../lib/colour/map_channels.ts";
import { noisy } from "../support/pictures.ts";

describe("mapChannels", () => {
  const rules: ChannelRule[] = [
    { output: "R", from: { Ha: 0.8, SII: 0.2 } },
    { output: "G", from: { Ha: 0.3, OIII: 0.55, SII: 0.15 } },
    { output: "B", from: { OIII: 1 } },
  ];

  it("is the matrix it was given: recovered from the pixels by least squares to 1e-6", () => {
    const lines = noisy(1, ["Ha", "OIII", "SII"]);
    const out = mapChannels(lines, { rules });
    // Normal equations of out = M · in, solved by Cramer's rule in float64.
    const x = lines.planes.map((plane) => plane.data);
    const n = x[0].length;
    const gram = [0, 1, 2].map((a) => [0, 1, 2].map((b) => x[a].reduce((sum, v, i) => sum + v * x[b][i], 0) / n));
    const det = (m: number[][]) =>
      m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
      m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
    rules.forEach((rule, k) => {
      const y = out.planes[k].data;
      const right = x.map((column) => column.reduce((sum, v, i) => sum + v * y[i], 0) / n);
      ["Ha", "OIII", "SII"].forEach((channel, c) => {
        const replaced = gram.map((row, r) => row.map((v, j) => j === c ? right[r] : v));
        const wanted = rule.from[channel] ?? 0;
        expect(Math.abs(det(replaced) / det(gram) - wanted)).toBeLessThan(1e-6);
      });
    });
  });

  it("knows the trade's names, carries variance, keeps NaN", () => {
    expect(channelRules("SHO").map((rule) => Object.keys(rule.from)[0])).toEqual(["SII", "Ha", "OIII"]);
    const planes = [{ channel: "Ha", data: Float32Array.of(2, NaN) }, { channel: "OIII", data: Float32Array.of(4, 1) }];
    const image = createImage({
      width: 2,
      height: 1,
      unit: "adu",
      planes,
      variance: [Float32Array.of(1, 1), Float32Array.of(9, 9)],
    });
    const out = mapChannels(image, { rules: [{ output: "L", from: { Ha: 0.5, OIII: 0.5 } }] });
    expect(out.planes[0].data[0]).toBe(3);
    expect(out.planes[0].data[1]).toBeNaN();
    expect(out.variance?.[0][0]).toBe(2.5);
  });

  it("refuses misuse by name", () => {
    const image = noisy(2, ["Ha"]);
    expect(() => mapChannels(image)).toThrow('must have channel "OIII"');
    expect(() => mapChannels(image, { rules: [] })).toThrow("at least one output");
    expect(() => mapChannels(image, { rules: [{ output: "R", from: {} }] })).toThrow('"R" has none');
    expect(() => mapChannels(image, { rules: "XYZ" as "HOO" })).toThrow('but got "XYZ"');
  });
});
