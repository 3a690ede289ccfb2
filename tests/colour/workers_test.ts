/** Covers kernels/screen_colour.ts and kernels/bands.ts. */
import { describe, expect, it } from "vitest";
import { linearToOklab, oklabToSrgb, srgbToLinear } from "../../lib/core/colour_space.ts";
import { allocatePlane, createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { setWorkerCount, workerCount } from "../../lib/parallel/pool.ts";
import { screenColours } from "../../lib/kernels/screen_colour.ts";
import { blendLines } from "../../lib/colour/blend_lines.ts";
import { limitGreen } from "../../lib/colour/limit_green.ts";
import { replaceLuminance } from "../../lib/colour/replace_luminance.ts";
import { fromOklab, toOklab } from "../../lib/colour/oklab_image.ts";
import { saturate } from "../../lib/colour/saturate.ts";

describe("screenColours", () => {
  it("agrees with the plain functions: to 2e-8 where the screen shows a colour, to a thousandth of its chroma beyond", () => {
    const random = randomStream(21);
    const { out, lab, lightness, screen } = screenColours();
    let there = 0;
    let back = 0;
    let beyond = 0;
    let grey = 0;
    for (let k = 0; k < 20_000; k++) {
      const [r, g, b] = [0, 1, 2].map(() => k < 100 ? 1e-4 * random.uniform() : random.uniform());
      lab(r, g, b);
      const made = [...out];
      const wanted = linearToOklab(srgbToLinear(r), srgbToLinear(g), srgbToLinear(b));
      for (let c = 0; c < 3; c++) there = Math.max(there, Math.abs(made[c] - wanted[c]));
      screen(made[0], made[1], made[2]);
      [r, g, b].forEach((v, c) => back = Math.max(back, Math.abs(out[c] - v)));
      screen(made[0], 1.5 * made[1], 1.5 * made[2]);
      const far = oklabToSrgb(wanted[0], 1.5 * wanted[1], 1.5 * wanted[2]);
      for (let c = 0; c < 3; c++) beyond = Math.max(beyond, Math.abs(out[c] - far[c]));
      const y = srgbToLinear(r);
      grey = Math.max(grey, Math.abs(lightness(r) - linearToOklab(y, y, y)[0]));
    }
    expect(there).toBeLessThan(2e-6); // the cube root is steep near black: 1e-9 of light there is 1e-6 of lightness
    expect(back).toBeLessThan(5e-6);
    expect(beyond).toBeLessThan(2e-3);
    expect(grey).toBeLessThan(2e-6);
  });
});

describe("steps of colour give the same bytes for any number of workers", () => {
  const random = randomStream(22);
  const width = 420;
  const height = 300;
  const planes = (names: readonly string[]) =>
    names.map((channel) => {
      const data = allocatePlane(width, height);
      for (let i = 0; i < data.length; i++) data[i] = random.uniform();
      return { channel, data };
    });
  const picture = createImage({ width, height, unit: "display", planes: planes(["R", "G", "B"]) });
  const grey = createImage({ width, height, unit: "display", planes: planes(["L"]) });
  const lines = createImage({ width, height, unit: "adu", planes: planes(["Ha", "OIII"]) });
  const linear = createImage({ width, height, unit: "adu", planes: planes(["R", "G", "B"]) });
  const steps: readonly (readonly [string, () => Image])[] = [
    ["toOklab", () => toOklab(picture)],
    ["fromOklab", () => fromOklab(toOklab(picture))],
    ["saturate", () => saturate(picture, { factor: 1.4 })],
    ["replaceLuminance", () => replaceLuminance(picture, grey)],
    ["blendLines", () => blendLines(lines, grey)],
    ["limitGreen", () => limitGreen(linear)],
  ];
  it.each(steps)("%s", (_name, run) => {
    const before = workerCount();
    try {
      setWorkerCount(0);
      const alone = run();
      setWorkerCount(2);
      run().planes.forEach(({ data }, c) => expect(data).toEqual(alone.planes[c].data));
    } finally {
      setWorkerCount(before);
    }
  });
});
