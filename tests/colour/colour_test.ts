import { describe, expect, it } from "vitest";
import { linearToOklab, srgbToLinear } from "../../lib/core/colour_space.ts";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { balanceStars, measureStarBalance } from "../../lib/colour/balance_stars.ts";
import { planckPhotons } from "../../lib/sky/black_body.ts";
import { blendLines } from "../../lib/colour/blend_lines.ts";
import { replaceLuminance } from "../../lib/colour/replace_luminance.ts";
import { equaliseChannels } from "../../lib/colour/equalise_channels.ts";
import { joinChannels } from "../../lib/colour/join_channels.ts";
import { limitGreen } from "../../lib/colour/limit_green.ts";
import { type ChannelRule, channelRules, mapChannels } from "../../lib/colour/map_channels.ts";
import { mapLineRatio } from "../../lib/colour/map_line_ratio.ts";
import { neutraliseSky } from "../../lib/colour/neutralise_sky.ts";
import { fromOklab, toOklab } from "../../lib/colour/oklab_image.ts";
import { saturate } from "../../lib/colour/saturate.ts";
import { subtractContinuum } from "../../lib/colour/subtract_continuum.ts";
import { measureSky } from "../../lib/measure/sky_level.ts";
import { automaticStretch } from "../../lib/tone/automatic_stretch.ts";
import { makeScene, moffat } from "../support/scenes_processing.ts";

const pixel = (image: Image, i: number) => image.planes.map((plane) => plane.data[i]);
const noisy = (seed: number, channels: readonly string[], unit: "adu" | "display" = "adu", size = 40): Image => {
  const random = randomStream(seed);
  const planes = channels.map((channel) => ({
    channel,
    data: Float32Array.from({ length: size * size }, () => unit === "adu" ? 100 * random.uniform() : random.uniform()),
  }));
  return createImage({ width: size, height: size, unit, planes });
};
/** Hue in degrees of a picture's pixel. */
const hueOf = (image: Image, i: number): number => {
  const [r, g, b] = pixel(image, i).map(srgbToLinear);
  const [, x, y] = linearToOklab(r, g, b);
  return Math.atan2(y, x) * 180 / Math.PI;
};

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
    expect(() => joinChannels([image, image])).toThrow('"Ha" twice');
    expect(() => joinChannels([image, noisy(1, ["B"], "display")])).toThrow("must have one unit");
  });
});

describe("equaliseChannels and neutraliseSky", () => {
  const scene = makeScene({
    seed: 61,
    width: 240,
    height: 180,
    channels: ["Ha", "OIII"],
    nebula: [800, 200],
    nebulaRadius: 0.2,
    sky: 300,
  });

  it("takes the sky from where a person says it is, in a field that is full of nebula", () => {
    // nebula over nine tenths of the field, free sky at the left only: Ha 100 under a nebula of 60, OIII 40 alone
    const random = randomStream("little sky");
    const width = 200;
    const height = 120;
    const plane = (channel: string, level: number, glow: number) => ({
      channel,
      data: Float32Array.from(
        { length: width * height },
        (_, i) => level + random.gaussian() + (i % width < 20 ? 0 : glow),
      ),
    });
    const image = createImage({ width, height, unit: "adu", planes: [plane("Ha", 100, 60), plane("OIII", 40, 0)] });
    const skyRegion = { x: 0, y: 0, width: 20, height };
    expect(measureSky(image)[0].level).toBeCloseTo(160, 0);
    expect(measureSky(image, skyRegion)[0].level).toBeCloseTo(100, 0);
    const left = (options: object) =>
      measureSky(equaliseChannels(image, { method: "level", ...options }), skyRegion).map((sky) => sky.level);
    const [blind, seen] = [left({}), left({ skyRegion })];
    expect(Math.abs(blind[0] - blind[1])).toBeGreaterThan(50);
    expect(Math.abs(seen[0] - seen[1])).toBeLessThan(0.5);
    // 60 above the sky over 60: without the hint hydrogen counts as sky, and where there is no line there is no ratio
    const twin = createImage({ width, height, unit: "adu", planes: [plane("Ha", 100, 60), plane("OIII", 40, 60)] });
    const ratioAt = (options: object) => mapLineRatio(twin, options).planes[0].data[60 * width + 120];
    expect(ratioAt({ skyRegion })).toBeCloseTo(1, 1);
    expect(ratioAt({})).toBeNaN();
    expect(automaticStretch(image, { skyRegion: skyRegion }).sky[1].level).toBeCloseTo(40, 0);
    expect(() => equaliseChannels(image, { skyRegion: { x: 190, y: 0, width: 20, height: 9 } })).toThrow(
      "measureSky: part must lie within 200 × 120 pixels, but got x 190, y 0, 20 × 9",
    );
  });

  it("brings heights to one and skies to one level; by noise, the noise", () => {
    const out = equaliseChannels(scene.image);
    const top = out.planes.map(({ data }) => data.toSorted()[Math.floor(0.995 * data.length)]);
    const low = out.planes.map(({ data }) => data.toSorted()[Math.floor(0.1 * data.length)]);
    expect(Math.abs((top[0] - low[0]) / (top[1] - low[1]) - 1)).toBeLessThan(0.05);
    const corner = out.planes.map(({ data }) => data.subarray(0, 2400).reduce((a, b) => a + b) / 2400);
    // The sky's level is known to a seventh of its noise (the nebula's wings), and oxygen's noise is 42 after a gain
    // of 4.
    expect(Math.abs(corner[0] - corner[1])).toBeLessThan(42 / 7);
    expect(equaliseChannels(scene.image, { maximumGain: 1 }).history.nodes.at(-1)?.notes[0]).toContain("OIII 1.000");
  });

  it("a neutral sky is made by subtraction alone", () => {
    const random = randomStream(3);
    const planes = [10, 40, 25].map((level, c) => ({
      channel: "RGB"[c],
      data: Float32Array.from({ length: 6400 }, () => level + random.gaussian()),
    }));
    const image = createImage({ width: 80, height: 80, unit: "adu", planes });
    const out = neutraliseSky(image);
    for (let c = 0; c < 3; c++) {
      const mean = out.planes[c].data.reduce((a, b) => a + b) / 6400;
      expect(Math.abs(mean - 25)).toBeLessThan(0.15);
      expect(out.planes[c].data[1] - out.planes[c].data[0]).toBeCloseTo(planes[c].data[1] - planes[c].data[0], 4);
    }
  });
});

describe("star colours", () => {
  const field = (gains: readonly number[], hot: number): Image => {
    const random = randomStream(7);
    const size = 360;
    const data = gains.map(() => new Float32Array(size * size));
    for (const plane of data) for (let i = 0; i < plane.length; i++) plane[i] = 100 + 2 * random.gaussian();
    for (let k = 0; k < 60; k++) {
      const x0 = 15 + 330 * random.uniform();
      const y0 = 15 + 330 * random.uniform();
      const peak = 400 + 3000 * random.uniform();
      const kelvin = hot * Math.exp(0.25 * random.gaussian());
      [620, 530, 460].forEach((w, c) => {
        const light = peak * planckPhotons(w, kelvin) / planckPhotons(530, kelvin) / gains[c];
        for (let y = Math.floor(y0) - 10; y <= y0 + 10; y++) {
          for (let x = Math.floor(x0) - 10; x <= x0 + 10; x++) {
            if (x >= 0 && y >= 0 && x < size && y < size) {
              data[c][y * size + x] += light * moffat((x - x0) ** 2 + (y - y0) ** 2, 3);
            }
          }
        }
      });
    }
    const planes = data.map((plane, c) => ({ channel: "RGB"[c], data: plane }));
    return createImage({ width: size, height: size, unit: "adu", planes });
  };

  it("recovers the gains of a camera from stars of known typical temperature", () => {
    const gains = [1.7, 1, 2.2];
    const image = field(gains, 5772);
    const white = [620, 530, 460].map((w) => planckPhotons(w, 5772) / planckPhotons(530, 5772));
    for (const method of ["mean", "locus"] as const) {
      const found = measureStarBalance(image, { method });
      expect(found.stars).toBeGreaterThan(30);
      // Gains that make a body of 5772 K white: those of the camera over its colour; 60 stars of 25 % scatter in
      // temperature.
      found.gains.forEach((gain, c) => expect(Math.abs(gain / (gains[c] / white[c]) - 1)).toBeLessThan(0.05));
    }
  });

  it("balances about the sky, so that the sky stays neutral", () => {
    const out = balanceStars(field([1.7, 1, 2.2], 5772));
    const corner = out.planes.map(({ data }) => data.toSorted()[data.length >> 1]);
    expect(Math.max(...corner) - Math.min(...corner)).toBeLessThan(0.3);
    expect(out.history.nodes.at(-1)?.notes[0]).toMatch(/^gains: R 1\.\d+, G 1\.000, B/);
  });

  it("leaves the balance alone without stars and says so; refuses misuse", () => {
    const bare = makeScene({ seed: 3, width: 100, height: 100, channels: ["R", "G", "B"] }).image;
    expect(measureStarBalance(bare).notes[0]).toContain("left as it is");
    expect(() => balanceStars(constantImage(9, 9, 1))).toThrow("at least two planes");
    expect(() => balanceStars(noisy(1, ["Ha", "OIII"]), { method: "locus" })).toThrow(
      'method "locus" must have R, G, B',
    );
  });
});

describe("limitGreen", () => {
  it("takes green noise down, keeps a real green object, keeps brightness", () => {
    const random = randomStream(5);
    const size = 100;
    const planes = ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from(
        { length: size * size },
        (_, i) => 100 + 5 * random.gaussian() + (i < 500 && c === 1 ? 200 : 0),
      ),
    }));
    const image = createImage({ width: size, height: size, unit: "adu", planes });
    const out = limitGreen(image);
    const greens = (it: Image) => {
      let n = 0;
      for (let i = 500; i < size * size; i++) {
        const [r, g, b] = pixel(it, i);
        if (g > r && g > b) n++;
      }
      return n;
    };
    expect(greens(out)).toBeLessThan(0.1 * greens(image));
    const green = out.planes[1].data.subarray(0, 500).reduce((a, b) => a + b) / 500;
    expect(green).toBeGreaterThan(295);
    for (let i = 0; i < 50; i++) {
      expect(pixel(out, i * 190).reduce((a, b) => a + b)).toBeCloseTo(pixel(image, i * 190).reduce((a, b) => a + b), 2);
    }
  });
});

describe("lines", () => {
  it("mapLineRatio finds the ratio where both lines show and says how sure it is", () => {
    const scene = makeScene({
      seed: 62,
      width: 240,
      height: 180,
      channels: ["Ha", "OIII"],
      nebula: [2000, 500],
      sky: 300,
    });
    const map = mapLineRatio(scene.image);
    const [ratio, snr] = map.planes.map((plane) => plane.data);
    let error = 0;
    let n = 0;
    let claimed = 0;
    for (let i = 0; i < ratio.length; i++) {
      if (!(scene.nebula[1][i] > 200)) continue;
      const truth = scene.nebula[1][i] / scene.nebula[0][i];
      error += (ratio[i] / truth - 1) ** 2;
      claimed += 1 / snr[i] ** 2;
      n++;
    }
    expect(n).toBeGreaterThan(500);
    // Smoothing bends a textured nebula a little as well, so the error may exceed the noise, but not by much.
    expect(Math.sqrt(error / n)).toBeLessThan(0.05);
    expect(Math.sqrt(error / claimed)).toBeLessThan(4);
    expect(ratio[0]).toBeNaN();
  });

  it("subtractContinuum undoes a known mixture, by a given scale and by the stars' own", () => {
    // A filter of 5 nm holds 50 of line and 50 of continuum; one of 100 nm holds 1000 and 50: the exact form returns
    // 50.
    const wide = createImage({
      width: 20,
      height: 20,
      unit: "adu",
      planes: [{ channel: "L", data: Float32Array.from({ length: 400 }, (_, i) => i < 300 ? 0 : 1050) }],
    });
    const narrow = createImage({
      width: 20,
      height: 20,
      unit: "adu",
      planes: [{ channel: "Ha", data: Float32Array.from({ length: 400 }, (_, i) => i < 300 ? 0 : 100) }],
    });
    const out = subtractContinuum(narrow, wide, { scale: 0.05, lineShare: 0.05, matchWidths: false });
    expect(out.planes[0].data[350]).toBeCloseTo(50, 4);
    const stars = makeScene({ seed: 63, width: 300, height: 220, stars: 80, brightest: 2000, faintest: 60 });
    const c = stars.image;
    const random = randomStream(1);
    const line = createImage({
      width: 300,
      height: 220,
      unit: "adu",
      planes: [{ channel: "Ha", data: c.planes[0].data.map((v) => 50 + 0.2 * (v - 1000) + random.gaussian()) }],
    });
    const free = subtractContinuum(line, c).planes[0].data;
    expect(Math.abs(free.reduce((a, b) => a + b) / free.length - 50)).toBeLessThan(0.2);
    expect(() => subtractContinuum(narrow, wide)).toThrow("at least 5 stars must show");
  });

  it.each([81, 82, 83])(
    "subtractContinuum finds the scale of stars that stand in a bright, knotty line, seed %i",
    (seed) => {
      const size = { width: 400, height: 300 };
      const stars = makeScene({ ...size, seed, stars: 120, brightest: 2000, faintest: 30 });
      const c = stars.image.planes[0].data;
      const gas = makeScene({ ...size, seed: seed + 500, nebula: [2000], nebulaRadius: 0.45 }).nebula[0];
      const random = randomStream(seed);
      const data = Float32Array.from(c, (_, i) => 50 + 0.3 * stars.starFlux[0][i] + gas[i] + 3 * random.gaussian());
      const line = createImage({ ...size, unit: "adu", planes: [{ channel: "Ha", data }] });
      const scale = subtractContinuum(line, stars.image).history.nodes.at(-1)?.options.scale as number;
      expect(Math.abs(scale / 0.3 - 1)).toBeLessThan(0.03);
    },
  );

  const painted = (height: number) => {
    const width = 120;
    const rows = 80;
    const random = randomStream(9);
    const share = (x: number) => x / (width - 1);
    const make = (of: (x: number, y: number) => number) =>
      Float32Array.from({ length: width * rows }, (_, i) => of(i % width, Math.floor(i / width)));
    const on = (y: number) => y > 20 ? 1 : 0;
    const lines = createImage({
      width,
      height: rows,
      unit: "adu",
      planes: [
        { channel: "Ha", data: make((x, y) => random.gaussian() + height * on(y) * (1 - 0.97 * share(x))) },
        { channel: "OIII", data: make((x, y) => random.gaussian() + height * on(y) * (0.03 + 0.97 * share(x))) },
      ],
    });
    const light = createImage({
      width,
      height: rows,
      unit: "display",
      planes: [{ channel: "L", data: make((_, y) => 0.1 + 0.6 * on(y) * (y - 20) / 60) }],
    });
    return { picture: blendLines(lines, light, { smoothingPixels: 1 }), width };
  };

  it("blendLines draws hydrogen red, oxygen teal, gold between, the sky grey; brightness is that of the luminance", () => {
    const { picture, width } = painted(200);
    const at = (x: number, y: number) => y * width + x;
    expect(Math.abs(hueOf(picture, at(3, 60)) - 25)).toBeLessThan(12);
    const teal = hueOf(picture, at(116, 60));
    expect(Math.abs(teal - (212 - 360))).toBeLessThan(12);
    const between = hueOf(picture, at(60, 60));
    expect(between).toBeGreaterThan(40);
    expect(between).toBeLessThan(130);
    const sky = pixel(picture, at(60, 5));
    expect(Math.max(...sky) - Math.min(...sky)).toBeLessThan(0.03);
    const [r, g, b] = pixel(picture, at(60, 60)).map(srgbToLinear);
    const grey = srgbToLinear(Math.fround(0.1 + 0.6 * 40 / 60));
    expect(linearToOklab(r, g, b)[0]).toBeCloseTo(linearToOklab(grey, grey, grey)[0], 4);
  });

  it("keeps the hue of a line through changes of luminance within 2°", () => {
    const { picture, width } = painted(3000);
    for (const x of [3, 116]) {
      const hues = [30, 40, 50, 60, 70, 78].map((y) => hueOf(picture, y * width + x));
      expect(Math.max(...hues) - Math.min(...hues)).toBeLessThan(2);
    }
  });

  it("mixes three lines by their shares and refuses one", () => {
    const lines = noisy(4, ["SII", "Ha", "OIII"]);
    const light = noisy(5, ["L"], "display");
    const hues = [{ channel: "SII", hueDegrees: 25 }, { channel: "Ha", hueDegrees: 85 }, {
      channel: "OIII",
      hueDegrees: 235,
    }];
    expect(blendLines(lines, light, { lines: hues }).planes.map((plane) => plane.channel)).toEqual(["R", "G", "B"]);
    expect(() => blendLines(lines, light, { lines: hues.slice(0, 1) })).toThrow("at least two, but got 1");
    expect(() => blendLines(light, light)).toThrow("must be linear");
    expect(() => blendLines(lines, lines)).toThrow("must be a stretched picture");
  });
});

describe("three lines that shine together", () => {
  it("spreads small differences of their shares over the palette", () => {
    // In each third of the field one line is a quarter stronger than the others.
    const width = 90;
    const height = 60;
    const random = randomStream("thirds");
    const lines = createImage({
      width,
      height,
      unit: "adu",
      planes: ["SII", "Ha", "OIII"].map((channel, c) => ({
        channel,
        data: Float32Array.from({ length: width * height }, (_, i) => {
          const y = Math.floor(i / width);
          const third = Math.floor(i % width / 30);
          return random.gaussian() + (y < 12 ? 0 : third === c ? 500 : 400);
        }),
      })),
    });
    const light = constantImage(width, height, 0.6, { unit: "display" });
    const hues = [{ channel: "SII", hueDegrees: 25 }, { channel: "Ha", hueDegrees: 85 }, {
      channel: "OIII",
      hueDegrees: 235,
    }];
    const picture = blendLines(lines, light, { lines: hues, skyRegion: { x: 0, y: 0, width, height: 10 } });
    const colours = hues.map((_, c) => {
      const [r, g, b] = pixel(picture, 40 * width + 15 + 30 * c).map(srgbToLinear);
      return linearToOklab(r, g, b);
    });
    const axes = hues.map((
      { hueDegrees },
    ) => [Math.cos(hueDegrees * Math.PI / 180), Math.sin(hueDegrees * Math.PI / 180)]);
    for (const [k, j] of [[0, 1], [0, 2], [1, 2]]) {
      const along = [axes[k][0] - axes[j][0], axes[k][1] - axes[j][1]];
      const length = Math.hypot(...along);
      const apart = [colours[k][1] - colours[j][1], colours[k][2] - colours[j][2]];
      // By the plain shares 5 : 4 : 4 two thirds would lie a thirteenth of their lines' colours apart.
      const plain = length / 13 * 0.15 * colours[k][0] / 0.65;
      expect((apart[0] * along[0] + apart[1] * along[1]) / length / plain).toBeGreaterThan(3);
    }
  });
});

describe("pictures in Oklab", () => {
  const picture = noisy(6, ["R", "G", "B"], "display");

  it("toOklab and fromOklab return where they came from", () => {
    const back = fromOklab(toOklab(picture));
    for (let c = 0; c < 3; c++) {
      for (let i = 0; i < 1600; i++) {
        expect(Math.abs(back.planes[c].data[i] - picture.planes[c].data[i])).toBeLessThan(1e-4);
      }
    }
  });

  it("saturate keeps lightness and hue, gives greys at 0, and leaves the noise of the sky its colour", () => {
    const random = randomStream(8);
    const size = 100;
    const planes = ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from(
        { length: size * size },
        (_, i) => 0.12 + 0.01 * random.gaussian() + (i < 500 ? [0.4, 0.25, 0.2][c] : 0),
      ),
    }));
    const image = createImage({ width: size, height: size, unit: "display", planes });
    const more = saturate(image, { factor: 1.5 });
    const chroma = (it: Image, i: number) => {
      const [r, g, b] = pixel(it, i).map(srgbToLinear);
      const [, x, y] = linearToOklab(r, g, b);
      return Math.hypot(x, y);
    };
    expect(chroma(more, 100) / chroma(image, 100)).toBeCloseTo(1.5, 2);
    expect(Math.abs(hueOf(more, 100) - hueOf(image, 100))).toBeLessThan(0.1);
    let sky = 0;
    for (let i = 5000; i < 6000; i++) sky += chroma(more, i) / chroma(image, i) / 1000;
    expect(sky).toBeLessThan(1.02);
    const grey = pixel(saturate(image, { factor: 0 }), 100);
    expect(Math.max(...grey) - Math.min(...grey)).toBeLessThan(1e-5);
    expect(() => saturate(image, { factor: -1 })).toThrow("factor must be ≥ 0, but got -1");
  });

  it("replaceLuminance takes lightness from one and hue from the other", () => {
    const light = noisy(7, ["L"], "display");
    const out = replaceLuminance(picture, light);
    for (let i = 0; i < 200; i++) {
      const grey = srgbToLinear(light.planes[0].data[i]);
      const [r, g, b] = pixel(out, i).map(srgbToLinear);
      expect(linearToOklab(r, g, b)[0]).toBeCloseTo(linearToOklab(grey, grey, grey)[0], 3);
    }
    expect(() => replaceLuminance(picture, picture)).toThrow("luminance must have one plane");
  });
});
