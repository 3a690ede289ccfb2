/**
 * Measures the steps against truth on scenes whose seeds were used for nothing else, and says which goals are met:
 *
 *     deno run -A tests/bench/figures.ts [--seeds 4] [--first 9001] [--only gradients|stars|normalisation|mapping]
 *
 * Prints the worst and the mean of each figure. Exit code 1 when a goal is missed.
 */
import process from "node:process";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { linearToOklab, srgbToLinear } from "../../lib/doors/colour.ts";
import { allocatePlane, createImage } from "../../lib/doors/extend.ts";
import { closePool } from "../../lib/doors/parallel.ts";
import { median, randomStream } from "../../lib/doors/stats.ts";
import {
  constantImage,
  extractGradient,
  type Image,
  mapChannels,
  normaliseLocal,
  replaceLuminance,
  saturate,
  separateStars,
} from "../../lib/mod.ts";
import { makeScene, type Scene, type SceneOptions } from "../support/scenes_processing.ts";

const { values: options } = parseArgs({
  options: {
    seeds: { type: "string", default: "4" },
    first: { type: "string", default: "9001" },
    only: { type: "string" },
  },
});
const seeds = Array.from({ length: Number(options.seeds) }, (_, k) => Number(options.first) + k);

/** Seeds of a part that is asked for, none of one that is not. */
const room = (part: string) => options.only === undefined || options.only === part ? seeds : [];

interface Figure {
  readonly what: string;
  readonly goal: string;
  readonly values: number[];
  readonly met: (value: number) => boolean;
}
const figures: Figure[] = [];
function note(what: string, goal: string, value: number, met: (value: number) => boolean): void {
  const found = figures.find((f) => f.what === what);
  if (found === undefined) figures.push({ what, goal, values: [value], met });
  else found.values.push(value);
}
const slopeOf = (x: (i: number) => number, y: (i: number) => number, n: number): number => {
  let sx = 0;
  let sy = 0;
  let sxx = 0;
  let sxy = 0;
  for (let i = 0; i < n; i++) {
    const a = x(i);
    const b = y(i);
    sx += a;
    sy += b;
    sxx += a * a;
    sxy += a * b;
  }
  return (sxy - sx * sy / n) / (sxx - sx * sx / n);
};

// Gradients, behind nebulae that leave at least 30 % of the field free (less than a tenth of the noise).
const field: SceneOptions = { width: 720, height: 520, gradient: 200, stars: 600 };
for (const seed of room("gradients")) {
  for (const gradientKind of ["plane", "quadratic", "cubic", "vignetting"] as const) {
    for (const [height, radius] of [[300, 0.2], [300, 0.27], [60, 0.3], [1000, 0.24]] as const) {
      const scene = makeScene({ ...field, seed, gradientKind, nebula: [height], nebulaRadius: radius });
      const n = scene.nebula[0].length;
      const free = scene.nebula[0].reduce((sum, v) => sum + (v < 1 ? 1 : 0), 0) / n;
      if (free < 0.3) continue;
      const { image, surface } = extractGradient(scene.image);
      const model = surface.image.planes[0].data;
      const after = image.planes[0].data;
      let mean = 0;
      let low = Infinity;
      let high = -Infinity;
      let squares = 0;
      for (let i = 0; i < n; i++) mean += (model[i] - scene.gradient[0][i]) / n;
      for (let i = 0; i < n; i++) {
        const e = model[i] - scene.gradient[0][i] - mean;
        low = Math.min(low, e);
        high = Math.max(high, e);
        squares += e * e / n;
      }
      note(`gradient left, ${gradientKind}, share of it`, "≤ 0.1", (high - low) / 200, (v) => v <= 0.1);
      note(
        `gradient left, ${gradientKind}, rms over the noise`,
        "≤ 0.5",
        Math.sqrt(squares) / scene.sigma,
        (v) => v <= 0.5,
      );
      const slope = slopeOf(
        (i) => scene.nebula[0][i],
        (i) => after[i] - scene.starFlux[0][i] - scene.noise[0][i],
        n,
      );
      note(
        `nebula of ${height / scene.sigma} sigma after extraction, |slope − 1|`,
        "≤ 0.02",
        Math.abs(slope - 1),
        (v) => v <= 0.02,
      );
    }
  }
}

// Stars: sampling and elongation of both rigs and of worse nights, faint and strong nebulae, sparse and dense fields.
const classes = [["bright", 200, 2500, 0.99], ["medium", 30, 200, 0.98], ["faint", 8, 30, 0.95]] as const;
const starFields: readonly (readonly [string, SceneOptions])[] = [
  ["FWHM 1.8, nebula of 15 sigma", { fwhm: 1.8, nebula: [150], nebulaRadius: 0.35 }],
  ["FWHM 2.4, nebula of 15 sigma", { fwhm: 2.4, nebula: [150], nebulaRadius: 0.35 }],
  ["FWHM 3, nebula of 30 sigma", { fwhm: 3, nebula: [300], nebulaRadius: 0.35 }],
  ["FWHM 4.5, nebula of 60 sigma", { fwhm: 4.5, nebula: [600], nebulaRadius: 0.45 }],
  ["FWHM 5, nebula of 150 sigma", { fwhm: 5, nebula: [1500], nebulaRadius: 0.45 }],
  ["FWHM 3, axes 0.7, nebula of 30 sigma", {
    fwhm: 3,
    roundness: 0.7,
    elongationDegrees: 35,
    nebula: [300],
    nebulaRadius: 0.35,
  }],
  ["FWHM 3.5, axes 0.5, nebula of 30 sigma", {
    fwhm: 3.5,
    roundness: 0.5,
    elongationDegrees: 110,
    nebula: [300],
    nebulaRadius: 0.35,
  }],
  ["FWHM 2.6, 1500 stars, nebula of 30 sigma", { fwhm: 2.6, stars: 1500, nebula: [300], nebulaRadius: 0.35 }],
];
for (const seed of room("stars")) {
  for (const [name, setting] of starFields) {
    const scene: Scene = makeScene({
      seed: seed + 100,
      width: 600,
      height: 440,
      stars: 350,
      brightest: 2500,
      ...setting,
    });
    const after = separateStars(scene.image).starless.planes[0].data;
    const width = 600;
    const r = Math.ceil(2 * (setting.fwhm as number) / Math.sqrt(setting.roundness ?? 1));
    for (const [kind, low, high, goal] of classes) {
      let all = 0;
      let left = 0;
      for (const star of scene.stars) {
        if (!(star.contrast > low && star.contrast <= high)) continue;
        if (star.x < 12 || star.y < 12 || star.x > width - 13 || star.y > 440 - 13) continue;
        for (let y = Math.round(star.y) - r; y <= star.y + r; y++) {
          for (let x = Math.round(star.x) - r; x <= star.x + r; x++) {
            const i = y * width + x;
            if (x < 0 || y < 0 || x >= width || y >= 440 || (x - star.x) ** 2 + (y - star.y) ** 2 > r * r) continue;
            all += scene.starFlux[0][i];
            left += after[i] - scene.nebula[0][i] - scene.sky - scene.noise[0][i];
          }
        }
      }
      note(`star light removed, ${kind}, ${name}`, `≥ ${goal}`, 1 - left / all, (v) => v >= goal);
    }
    let sky = 0;
    let free = 0;
    let under = 0;
    let truth = 0;
    for (let i = 0; i < after.length; i++) {
      const e = after[i] - scene.sky - scene.noise[0][i];
      if (scene.starFlux[0][i] < 0.02 * scene.sigma) {
        sky += e - scene.nebula[0][i];
        free++;
      } else if (scene.nebula[0][i] > 5 * scene.sigma) {
        under += e;
        truth += scene.nebula[0][i];
      }
    }
    note(`free sky moved, sigma, ${name}`, "< 0.1", Math.abs(sky / free / scene.sigma), (v) => v < 0.1);
    note(
      `nebula under and around the stars, |ratio − 1|, ${name}`,
      "≤ 0.01",
      Math.abs(under / truth - 1),
      (v) => v <= 0.01,
    );
  }
}

// Local normalisation: frames whose gradients turn against a reference without one.
for (const seed of room("normalisation")) {
  const base: SceneOptions = { width: 600, height: 440, nebula: [400], nebulaRadius: 0.3, stars: 250 };
  const reference = makeScene({ ...base, seed: seed + 200, noise: 4 });
  const n = 600 * 440;
  const structure = (data: Float32Array) => {
    // rms over boxes of 40 pixels of the median difference to the reference.
    const levels: number[] = [];
    for (let y = 0; y < 440; y += 40) {
      for (let x = 0; x < 600; x += 40) {
        const box: number[] = [];
        for (let j = y; j < y + 40; j += 2) {
          for (let i = x; i < x + 40; i += 2) box.push(data[j * 600 + i] - reference.image.planes[0].data[j * 600 + i]);
        }
        levels.push(median(box));
      }
    }
    const mean = levels.reduce((a, b) => a + b) / levels.length;
    return Math.sqrt(levels.reduce((sum, v) => sum + (v - mean) ** 2, 0) / levels.length);
  };
  for (const angle of [0, 2, 4]) {
    const random = randomStream(seed * 10 + angle);
    const out = allocatePlane(600, 440);
    for (let i = 0; i < n; i++) {
      const u = 2 * (i % 600) / 600 - 1;
      const v = 2 * Math.floor(i / 600) / 440 - 1;
      const along = u * Math.cos(angle) + v * Math.sin(angle);
      const lit = reference.image.planes[0].data[i] - reference.noise[0][i];
      out[i] = 0.85 * lit + 120 + 60 * along + 25 * along * along + 6 * random.gaussian();
    }
    const frame = createImage({ width: 600, height: 440, unit: "adu", planes: [{ channel: "L", data: out }] });
    const { image } = normaliseLocal(frame, reference.image, { fluxRatio: 0.85 });
    const raw = out.map((v) => v / 0.85);
    const made = image.planes[0].data;
    note("structure between frames, after over before", "≤ 0.1", structure(made) / structure(raw), (v) => v <= 0.1);
    const slope = slopeOf((i) => reference.nebula[0][i], (i) => made[i] - reference.starFlux[0][i], n);
    note("nebula after local normalisation, |slope − 1|", "≤ 0.005", Math.abs(slope - 1), (v) => v <= 0.005);
  }
}

// Channel mapping: the matrix from the pixels, and the hue of a line through changes of lightness.
for (const seed of room("mapping")) {
  const random = randomStream(seed);
  const n = 6400;
  const planes = ["Ha", "OIII", "SII"].map((channel) => ({
    channel,
    data: Float32Array.from({ length: n }, () => 100 * random.uniform()),
  }));
  const lines = createImage({ width: 80, height: 80, unit: "adu", planes });
  const weights = [[0.8, 0.05, 0.15], [0.3, 0.55, 0.15], [0.02, 0.98, 0]];
  const made = mapChannels(lines, {
    rules: weights.map(([Ha, OIII, SII], c) => ({ output: "RGB"[c], from: { Ha, OIII, SII } })),
  });
  const x = planes.map(({ data }) => data);
  const gram = x.map((a) => x.map((b) => a.reduce((sum, v, i) => sum + v * b[i], 0) / n));
  const det = (m: number[][]) =>
    m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
    m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
  weights.forEach((row, k) => {
    const right = x.map((a) => a.reduce((sum, v, i) => sum + v * made.planes[k].data[i], 0) / n);
    row.forEach((wanted, c) => {
      const replaced = gram.map((line, r) => line.map((v, j) => j === c ? right[r] : v));
      note("matrix from the pixels, error", "≤ 1e-6", Math.abs(det(replaced) / det(gram) - wanted), (v) => v <= 1e-6);
    });
  });
  // Colours of the middle of the screen's range, drawn lighter and darker.
  const colours = ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from({ length: 400 }, () => 0.25 + 0.35 * random.uniform()),
  }));
  const picture = createImage({ width: 20, height: 20, unit: "display", planes: colours });
  const hue = (image: Image, i: number) => {
    const [r, g, b] = image.planes.map(({ data }) => srgbToLinear(data[i]));
    const [, a, c] = linearToOklab(r, g, b);
    return { hue: Math.atan2(c, a) * 180 / Math.PI, chroma: Math.hypot(a, c) };
  };
  for (const level of [0.25, 0.5, 0.75]) {
    const grey = constantImage(20, 20, level, { unit: "display" });
    const lit = replaceLuminance(picture, grey);
    const vivid = saturate(picture, { factor: 1.5, aboveSky: 0 });
    for (const image of [lit, vivid]) {
      for (let i = 0; i < 400; i++) {
        const before = hue(picture, i);
        const after = hue(image, i);
        if (before.chroma < 0.02) continue;
        const turn = Math.abs(((after.hue - before.hue + 540) % 360) - 180);
        note("hue through changes of lightness and chroma, degrees", "≤ 2", turn, (v) => v <= 2);
      }
    }
  }
}

console.log(`seeds ${seeds.join(", ")}\n`);
console.log("| figure | goal | worst | mean | cases | met |\n|---|---|---|---|---|---|");
let missed = 0;
for (const { what, goal, values, met } of figures) {
  const rising = goal.startsWith("≥") ? -1 : 1;
  const worst = values.reduce((a, b) => rising * b > rising * a ? b : a);
  const mean = values.reduce((a, b) => a + b) / values.length;
  const bad = values.filter((v) => !met(v)).length;
  if (bad > 0) missed++;
  const text = (v: number) => Math.abs(v) < 1e-3 ? v.toExponential(1) : v.toFixed(4);
  console.log(
    `| ${what} | ${goal} | ${text(worst)} | ${text(mean)} | ${values.length} | ${
      bad === 0 ? "yes" : `${bad} missed`
    } |`,
  );
}
closePool();
process.exitCode = missed === 0 ? 0 : 1;
