import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { allocatePlane, derive, type Image } from "../../lib/core/image.ts";
import { extractGradient } from "../../lib/background/extract_gradient.ts";
import { reduceNoise } from "../../lib/detail/reduce_noise.ts";
import { reduceStars } from "../../lib/detail/reduce_stars.ts";
import { measureEffect } from "../../lib/effect/measure_effect.ts";
import { validateHalves } from "../../lib/effect/validate_halves.ts";
import { smoothPlane } from "../../lib/measure/smooth_plane.ts";
import { automaticStretch } from "../../lib/tone/automatic_stretch.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { makeScene } from "../support/scenes_processing.ts";

const size = { width: 420, height: 300 };
const scene = makeScene({
  ...size,
  seed: 71,
  nebula: [300],
  nebulaRadius: 0.25,
  stars: 80,
  brightest: 1500,
  faintest: 20,
});
const mono = scene.image;
const colour = makeScene({
  ...size,
  seed: 72,
  channels: ["R", "G", "B"],
  nebula: [400, 150, 200],
  nebulaRadius: 0.25,
  stars: 80,
  brightest: 1500,
  faintest: 20,
}).image;
const change = (image: Image, of: (v: number, i: number, c: number) => number): Image =>
  derive(image, {
    planes: image.planes.map(({ channel, data }, c) => {
      const out = allocatePlane(image.width, image.height);
      for (let i = 0; i < out.length; i++) out[i] = of(data[i], i, c);
      return { channel, data: out };
    }),
  }, { step: "change", options: {} });
const said = (before: Image, after: Image, context = {}) => measureEffect(before, after, context).doubts.join(" | ");

describe("measureEffect", () => {
  it("raises no doubt where nothing changed, nor about a gain", () => {
    expect(said(mono, mono)).toBe("");
    expect(said(colour, colour)).toBe("");
    expect(said(mono, change(mono, (v) => 3 * v))).toBe("");
    expect(measureEffect(mono, change(mono, (v) => 3 * v)).stars.light).toBeCloseTo(3, 4);
  });

  it("raises none about steps done well", () => {
    expect(said(mono, extractGradient(mono).image)).toBe("");
    expect(said(mono, stretchAsinh(mono, automaticStretch(mono).settings))).toBe("");
    expect(said(mono, reduceNoise(mono))).toBe("");
    expect(said(mono, reduceStars(mono, { strength: 0.5 }), { changesStars: true })).toBe("");
  });

  it("measures noise by scale: smoothing takes the fine scales", () => {
    const soft = change(mono, (_, i) => smooth[i]);
    const { noise } = measureEffect(mono, soft);
    const ratio = noise.map(({ before, after }) => (after as number) / (before as number));
    expect(ratio[0]).toBeLessThan(0.2);
    expect(ratio[4]).toBeGreaterThan(0.8);
  });
  const smooth = smoothPlane(mono.planes[0].data, size.width, size.height, 1.5);

  it("clipped to black, to white", () => {
    expect(said(mono, stretchAsinh(mono, { black: 1000, white: 3000, bend: 5 }))).toMatch(
      /% of the pixels were clipped to black/,
    );
    expect(said(mono, stretchAsinh(mono, { black: 900, white: 1200, bend: 5 }))).toMatch(
      /% of the pixels were clipped to white/,
    );
    expect(said(mono, stretchAsinh(mono, { black: 900, white: 20000, bend: 50 }))).not.toMatch(/clipped/);
  });

  it("the light of the nebula fell", () => {
    const eaten = change(mono, (v, i) => v - 0.1 * scene.nebula[0][i]);
    expect(said(mono, eaten)).toMatch(/the light of the nebula fell by (9|10|8)/);
    const less = change(mono, (v, i) => v - 0.005 * scene.nebula[0][i]);
    expect(said(mono, less)).not.toMatch(/light of the nebula/);
  });

  it("stars gained dark rings", () => {
    // An unsharp mask of strength 3 cuts rings.
    const sharp = change(mono, (v, i) => v + 3 * (v - smooth[i]));
    expect(said(mono, sharp)).toMatch(/stars gained dark rings, [\d.]+ standard deviations deep/);
    const mild = change(mono, (v, i) => v + 0.02 * (v - smooth[i]));
    expect(said(mono, mild)).not.toMatch(/dark rings/);
  });

  it("stars grew; stars are gone", () => {
    const soft = change(mono, (_, i) => smooth[i]);
    expect(said(mono, soft)).toMatch(/stars grew by \d+ %/);
    expect(said(mono, soft, { changesStars: true })).not.toMatch(/stars grew/);
    expect(said(mono, reduceStars(mono, { strength: 1 }))).toMatch(/of \d+ stars only \d+ are left/);
    expect(said(mono, mono)).not.toMatch(/stars/);
  });

  it("the sky became less even", () => {
    expect(said(mono, change(mono, (v, i) => v + (i % size.width) * 0.1))).toMatch(/the sky became less even/);
    expect(said(mono, change(mono, (v, i) => v + (i % size.width) * 0.001))).not.toMatch(/less even/);
  });

  it("the finest grain is gone; noise rose", () => {
    const wax = change(mono, (_, i) => waxed[i]);
    expect(said(mono, wax)).toMatch(/of the finest grain is left: surfaces may look like wax/);
    let state = 1;
    const louder = change(mono, (v) => {
      state = state * 16807 % 2147483647; // Park & Miller 1988
      return v + 40 * (state / 2147483647 - 0.5);
    });
    expect(said(mono, louder)).toMatch(/noise rose by \d+ % against the light of the stars/);
    expect(said(mono, reduceNoise(mono))).not.toMatch(/noise rose|grain/);
  });
  const waxed = smoothPlane(mono.planes[0].data, size.width, size.height, 4);

  it("the colour of the nebula shifted; its hue turned", () => {
    const redder = change(colour, (v, _, c) => c === 0 ? 1000 + 1.2 * (v - 1000) : v);
    expect(said(colour, redder)).toMatch(/colour of the nebula shifted: a channel's share changed by/);
    expect(said(colour, redder, { changesColour: true })).not.toMatch(/colour of the nebula/);
    const picture = stretchAsinh(colour, automaticStretch(colour).settings);
    const turned = derive(picture, {
      planes: [2, 0, 1].map((k, c) => ({ channel: "RGB"[c], data: picture.planes[k].data })),
    }, { step: "turn", options: {} });
    expect(said(picture, turned)).toMatch(/the hue of the nebula turned by \d+°/);
    expect(said(picture, picture)).not.toMatch(/hue/);
  });

  it("samples lost their data", () => {
    expect(said(mono, change(mono, (v, i) => i < 1000 ? NaN : v))).toMatch(/samples lost their data/);
  });

  it("refuses images that cannot be set side by side", () => {
    expect(() => measureEffect(mono, colour)).toThrow("images must have as many planes, but got 1 and 3");
    expect(() => measureEffect(mono, mono, { changesStar: true } as object)).toThrow('unknown option "changesStar"');
  });
});

describe("each doubt is raised by what spoils, and not by half as little", () => {
  const random = randomStream(99),
    grain = Float32Array.from({ length: size.width * size.height }, () => random.gaussian());
  const blurred = (sigma: number) => smoothPlane(mono.planes[0].data, size.width, size.height, sigma);
  const soft = blurred(1.1), hardly = blurred(0.45), wax = blurred(4);
  const picture = stretchAsinh(mono, automaticStretch(mono).settings);
  const shown = stretchAsinh(colour, automaticStretch(colour).settings);
  const starless = reduceStars(mono, { strength: 1 });
  /** A picture turned in hue by mixing each channel with the next. */
  const turned = (share: number): Image =>
    derive(shown, {
      planes: [0, 1, 2].map((c) => ({
        channel: "RGB"[c],
        data: shown.planes[c].data.map((v, i) => (1 - share) * v + share * shown.planes[(c + 1) % 3].data[i]),
      })),
    }, { step: "turn", options: {} });
  const cases: readonly (readonly [string, RegExp, () => string, () => string])[] = [
    [
      "clipped to black",
      /clipped to black/,
      () => said(picture, change(picture, (v) => Math.max(0, v - 0.12))),
      () => said(picture, change(picture, (v) => Math.max(0, v - 0.004))),
    ],
    [
      "clipped to white",
      /clipped to white/,
      () => said(picture, change(picture, (v) => Math.min(1, 2.2 * v))),
      () => said(picture, change(picture, (v) => Math.min(1, 1.02 * v))),
    ],
    [
      "nebula rose",
      /light of the nebula rose/,
      () => said(mono, change(mono, (v, i) => v + 0.06 * scene.nebula[0][i])),
      () => said(mono, change(mono, (v, i) => v + 0.008 * scene.nebula[0][i])),
    ],
    [
      "nebula fell",
      /light of the nebula fell/,
      () => said(mono, change(mono, (v, i) => v - 0.06 * scene.nebula[0][i])),
      () => said(mono, change(mono, (v, i) => v - 0.008 * scene.nebula[0][i])),
    ],
    [
      "stars grew",
      /stars grew/,
      () => said(mono, change(mono, (_, i) => soft[i])),
      () => said(mono, change(mono, (_, i) => hardly[i])),
    ],
    ["stars are gone", /stars only \d+ are left/, () => said(mono, starless), () =>
      // Only the stars of a sixth of the field.
      said(mono, change(mono, (v, i) => i % size.width < size.width / 6 ? starless.planes[0].data[i] : v))],
    [
      "sky less even",
      /less even/,
      () => said(mono, change(mono, (v, i) => v + 0.05 * (i % size.width))),
      () => said(mono, change(mono, (v, i) => v + 0.002 * (i % size.width))),
    ],
    [
      "wax",
      /wax/,
      () => said(mono, change(mono, (_, i) => wax[i])),
      () => said(mono, change(mono, (v, i) => (v + wax[i]) / 2)),
    ],
    [
      "noise rose",
      /noise rose/,
      () => said(mono, change(mono, (v, i) => v + 9 * grain[i])),
      () => said(mono, change(mono, (v, i) => v + 4 * grain[i])),
    ],
    ["hue turned", /hue of the nebula turned/, () => said(shown, turned(0.6)), () => said(shown, turned(0.01))],
    [
      "colour shifted",
      /colour of the nebula shifted/,
      () => said(colour, change(colour, (v, _, c) => c === 1 ? 1000 + 1.12 * (v - 1000) : v)),
      () => said(colour, change(colour, (v, _, c) => c === 1 ? 1000 + 1.015 * (v - 1000) : v)),
    ],
    ["lost data", /lost their data/, () => said(mono, change(mono, (v, i) => i < 300 ? NaN : v)), () =>
      // Data that were missing before are no loss.
      said(change(mono, (v, i) => i < 300 ? NaN : v), change(mono, (v, i) => i < 300 ? NaN : 2 * v))],
  ];
  it.each(cases)("%s", (_name, doubt, spoiled, mild) => {
    expect(spoiled()).toMatch(doubt);
    expect(mild()).not.toMatch(doubt);
  });
});

describe("validateHalves", () => {
  const half = (seed: number) => {
    const other = makeScene({ ...size, seed, noise: 10 });
    // The same sky and stars, noise of its own.
    return change(mono, (v, i) => v - scene.noise[0][i] + other.noise[0][i]);
  };

  it("finds next to nothing unconfirmed where both halves show the same sky", () => {
    const { unconfirmedShare, details } = validateHalves(half(81), half(82), (image) => image);
    expect(details).toBeGreaterThan(200);
    expect(unconfirmedShare).toBeLessThan(0.02);
  });

  it("marks what only one half shows, where it is", () => {
    const spot = (i: number) =>
      600 * Math.exp(-((i % size.width - 50) ** 2 + (Math.floor(i / size.width) - 40) ** 2) / 8);
    const { map, unconfirmedShare } = validateHalves(
      change(half(81), (v, i) => v + spot(i)),
      half(82),
      (image) => image,
    );
    expect(map.planes[0].data[40 * size.width + 50]).toBeGreaterThan(0.5);
    expect(map.planes[0].data[250 * size.width + 30]).toBe(0);
    expect(unconfirmedShare).toBeGreaterThan(0.005);
  });

  it("runs both through the workflow and records them", () => {
    let runs = 0;
    const { map, notes } = validateHalves(half(81), half(82), (image) => {
      runs++;
      return stretchAsinh(image, { black: 900, white: 20000, bend: 50 });
    });
    expect(runs).toBe(2);
    expect(map.history.nodes.filter((node) => node.step === "stretchAsinh").length).toBeGreaterThan(0);
    expect(notes[0]).toMatch(/shown by one half only|neither half/);
  });
});
