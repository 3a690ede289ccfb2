/** Small scenes with their truth, for the tests of the processing rooms. */
import { createImage, type Image, type Unit } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";

/** Pixels of one channel at a time. */
export type Field = Float64Array;

/** A star of a scene. */
export interface SceneStar {
  readonly x: number;
  readonly y: number;
  /** Height of the profile's centre, for each channel. */
  readonly peaks: readonly number[];
  /** Peak over the noise in the brightest channel. */
  readonly contrast: number;
}

/** What a scene consists of. */
export interface SceneOptions {
  readonly width?: number;
  readonly height?: number;
  readonly seed?: number;
  readonly channels?: readonly string[];
  readonly unit?: Unit;
  /** Level of the sky. */
  readonly sky?: number;
  readonly noise?: number;
  /** Gradient over the sky: amplitude and kind. */
  readonly gradient?: number;
  readonly gradientKind?: "plane" | "quadratic" | "cubic" | "vignetting";
  /** Height of the nebula, for each channel; missing channels take the last. */
  readonly nebula?: readonly number[];
  /** Radius of the nebula as a share of the shorter side. */
  readonly nebulaRadius?: number;
  readonly stars?: number;
  readonly fwhm?: number;
  /** Ratio of the stars' axes, at most 1; the width above is the geometric mean of both. */
  readonly roundness?: number;
  /** Direction of the long axis, degrees from the row towards the column. */
  readonly elongationDegrees?: number;
  /** Highest peak over the noise; peaks are spread as a power law down to `faintest`. */
  readonly brightest?: number;
  readonly faintest?: number;
  /** Level at which the sensor is full; Infinity for none. */
  readonly saturation?: number;
}

/** A scene and its parts. */
export interface Scene {
  readonly image: Image;
  readonly stars: readonly SceneStar[];
  readonly gradient: readonly Field[];
  readonly nebula: readonly Field[];
  readonly starFlux: readonly Field[];
  readonly noise: readonly Field[];
  readonly sky: number;
  readonly sigma: number;
}

/** Smooth random field with structure at several scales: sums of smoothed noise, 0 … about 1. */
export function texture(width: number, height: number, seed: number): Field {
  const random = randomStream(`texture/${seed}`);
  const out = new Float64Array(width * height);
  let weight = 0;
  for (const cell of [128, 64, 32, 16, 8]) {
    const gain = cell ** 1.1;
    weight += gain * gain;
    const w = Math.ceil(width / cell) + 4;
    const h = Math.ceil(height / cell) + 4;
    const grid = Float64Array.from({ length: w * h }, () => random.gaussian());
    const spline = (t: number) => [
      (1 - t) ** 3 / 6,
      (3 * t ** 3 - 6 * t * t + 4) / 6,
      (-3 * t ** 3 + 3 * t * t + 3 * t + 1) / 6,
      t ** 3 / 6,
    ];
    for (let y = 0; y < height; y++) {
      const gy = y / cell;
      const iy = Math.floor(gy);
      const by = spline(gy - iy);
      for (let x = 0; x < width; x++) {
        const gx = x / cell;
        const ix = Math.floor(gx);
        const bx = spline(gx - ix);
        let sum = 0;
        for (let j = 0; j < 4; j++) for (let i = 0; i < 4; i++) sum += by[j] * bx[i] * grid[(iy + j) * w + ix + i];
        out[y * width + x] += gain * sum;
      }
    }
  }
  const scale = 1 / Math.sqrt(weight);
  for (let i = 0; i < out.length; i++) out[i] *= scale;
  return out;
}

/** Moffat profile of exponent 3, height 1, at distance r. */
export const moffat = (r2: number, fwhm: number): number => {
  const alpha = fwhm / (2 * Math.sqrt(2 ** (1 / 3) - 1));
  return (1 + r2 / (alpha * alpha)) ** -3;
};

/** A scene. */
export function makeScene(options: SceneOptions = {}): Scene {
  const {
    width = 360,
    height = 260,
    seed = 1,
    channels = ["L"],
    unit = "adu",
    sky = 1000,
    noise: sigma = 10,
    gradient: amplitude = 0,
    gradientKind = "quadratic",
    nebula: heights = [0],
    nebulaRadius = 0.3,
    stars: count = 0,
    fwhm = 3,
    roundness = 1,
    elongationDegrees = 0,
    brightest = 3000,
    faintest = 5,
    saturation = Infinity,
  } = options;
  const random = randomStream(`scene/${seed}`);
  const size = width * height;
  const stars: SceneStar[] = Array.from({ length: count }, () => {
    const x = random.uniform() * (width - 1);
    const y = random.uniform() * (height - 1);
    // dN/dpeak ~ peak^−1.8, as counts of stars rise by 10^0.32 a magnitude (Bahcall & Soneira 1980, from memory).
    const u = random.uniform();
    const a = faintest ** -0.8;
    const b = brightest ** -0.8;
    const contrast = (a + u * (b - a)) ** (-1 / 0.8);
    const tint = random.gaussian() * 0.25;
    return { x, y, contrast, peaks: channels.map((_, c) => sigma * contrast * Math.exp(tint * (1 - c))) };
  });
  const tex = texture(width, height, seed);
  const tex2 = texture(width, height, seed + 1000);
  const centreX = width * (0.4 + 0.2 * random.uniform());
  const centreY = height * (0.4 + 0.2 * random.uniform());
  const angle = 2 * Math.PI * random.uniform();
  const bend = random.uniform() - 0.5;
  const bend2 = random.uniform() - 0.5;
  const radius = nebulaRadius * Math.min(width, height);
  const cos = Math.cos(elongationDegrees * Math.PI / 180);
  const sin = Math.sin(elongationDegrees * Math.PI / 180);
  const gradients: Field[] = [];
  const nebulae: Field[] = [];
  const lights: Field[] = [];
  const noises: Field[] = [];
  const planes = channels.map((channel, c) => {
    const gradient = new Float64Array(size);
    const nebula = new Float64Array(size);
    const light = new Float64Array(size);
    const peak = heights[Math.min(c, heights.length - 1)];
    let low = Infinity;
    let high = -Infinity;
    for (let y = 0, i = 0; y < height; y++) {
      for (let x = 0; x < width; x++, i++) {
        const u = 2 * x / width - 1;
        const v = 2 * y / height - 1;
        let g = u * Math.cos(angle) + v * Math.sin(angle);
        // cos⁴ of the field angle about a centre beside the middle: a fifth of the light is lost at the far corner.
        if (gradientKind === "vignetting") {
          const du = u - 0.4 * bend;
          const dv = (v - 0.4 * bend2) * height / width;
          g = (1 + 0.08 * (du * du + dv * dv)) ** -2;
        }
        if (gradientKind === "quadratic" || gradientKind === "cubic") g += bend * u * u + bend2 * u * v;
        if (gradientKind === "cubic") g += 0.6 * (u * u * u - v * v * u);
        gradient[i] = g;
        low = Math.min(low, g);
        high = Math.max(high, g);
        const r = Math.hypot(x - centreX, y - centreY) / radius;
        const t = c === 0 ? tex[i] : 0.6 * tex[i] + 0.8 * tex2[i];
        nebula[i] = r < 3 ? peak * Math.exp(-(r ** 2.5)) * Math.max(0, 0.8 + 0.4 * t) : 0;
      }
    }
    for (let i = 0; i < size; i++) gradient[i] = amplitude * (gradient[i] - low) / (high - low || 1);
    for (const star of stars) {
      const reach = Math.ceil(fwhm * Math.min(60, 2 + (star.contrast * 100) ** (1 / 6) * 1.2));
      const x0 = Math.max(0, Math.floor(star.x - reach));
      const x1 = Math.min(width - 1, Math.ceil(star.x + reach));
      const y0 = Math.max(0, Math.floor(star.y - reach));
      const y1 = Math.min(height - 1, Math.ceil(star.y + reach));
      for (let y = y0; y <= y1; y++) {
        for (let x = x0; x <= x1; x++) {
          const dx = x - star.x;
          const dy = y - star.y;
          const along = dx * cos + dy * sin;
          const across = dy * cos - dx * sin;
          light[y * width + x] += star.peaks[c] * moffat(along * along * roundness + across * across / roundness, fwhm);
        }
      }
    }
    const draw = random.fork(`noise/${c}`);
    const noise = Float64Array.from({ length: size }, () => sigma * draw.gaussian());
    const data = new Float32Array(new SharedArrayBuffer(size * 4));
    for (let i = 0; i < size; i++) data[i] = Math.min(saturation, sky + gradient[i] + nebula[i] + light[i] + noise[i]);
    gradients.push(gradient);
    nebulae.push(nebula);
    lights.push(light);
    noises.push(noise);
    return { channel, data };
  });
  return {
    image: createImage({ width, height, unit, planes }, { step: "scene", options: { seed } }),
    stars,
    gradient: gradients,
    nebula: nebulae,
    starFlux: lights,
    noise: noises,
    sky,
    sigma,
  };
}
