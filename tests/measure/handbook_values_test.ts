/** Numbers that theory gives for measurements of stars and noise. */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { detectStars, measureNoise } from "../../lib/mod.ts";
import { measureMoments, momentAt, momentFields } from "../../lib/kernels/moments.ts";
import {
  fitMoffatProfile,
  moffatFlux,
  moffatFwhm,
  moffatHalfFluxRadius,
  moffatNoiseArea,
} from "../../lib/stars/moffat.ts";
import { eccentricityOf } from "../../lib/stars/ellipse.ts";
import { starlet, starletGains, starletSmooth } from "../../lib/filters/starlet.ts";
import { matchTruth, noiseArea, renderScene, testProfile } from "../support/scenes.ts";

describe("the starlet transform", () => {
  it("gives white noise of 1 the scatter of its kernels' norms (Starck & Murtagh: .890 .201 .086 .041)", () => {
    const width = 129;
    const data = new Float32Array(width * width);
    data[64 * width + 64] = 1;
    const { scales } = starlet(data, width, width, 4);
    scales.forEach((plane, j) => {
      expect(Math.abs(Math.sqrt(plane.reduce((sum, v) => sum + v * v, 0)) - starletGains[j])).toBeLessThan(2e-6);
    });
    for (const [j, published] of [0.89, 0.201, 0.086, 0.041].entries()) {
      expect(Math.abs(starletGains[j] - published)).toBeLessThan(0.001);
    }
  });
});

describe("round Gaussian stars of SNR 60 in white noise", () => {
  const profile = { ...testProfile, fwhm: 4.7, beta: Infinity };
  const noise = 10;
  const snr = 60;
  const flux = snr * noise * Math.sqrt(noiseArea(profile));
  const stars = [];
  // many places on the pixels: steps that share no factor with them
  for (let y = 20; y < 620; y += 42.37) for (let x = 20; x < 620; x += 42.37) stars.push({ x, y, flux });
  const list = detectStars(renderScene({ width: 640, height: 640, stars, profile, noise }));
  const found = list.stars;
  const { pairs, missed } = matchTruth(stars, found, 2);
  const n = pairs.length;
  const scatter = (values: readonly number[]) => Math.sqrt(values.reduce((sum, v) => sum + v * v, 0) / values.length);
  it("are all found, with the signal-to-noise ratio of a matched filter: F / (√(4π) s σ)", () => {
    expect(missed.length).toBe(0);
    const mean = pairs.reduce((sum, { found: { snr: each } }) => sum + each, 0) / n;
    // in units of the noise that was found, which stars in a twentieth of the samples lift
    expect(Math.abs(list.noise / noise - 1)).toBeLessThan(0.05);
    expect(Math.abs(mean * list.noise / (noise * snr) - 1)).toBeLessThan(0.02);
  });
  it("have shapes that scatter by 2 / SNR (Bernstein & Jarvis 2002), a tenth more for what the sky is not known", () => {
    for (const k of [0, 1]) {
      const ratio = scatter(pairs.map((pair) => pair.found.shape[k])) * snr / 2;
      expect(ratio).toBeGreaterThan(0.85);
      expect(ratio).toBeLessThan(1.2);
    }
  });
  it("have places near the limit that the sky sets: √(8π) s² σ / F an axis (King 1983)", () => {
    // s with the pixel's own 1/12
    const s2 = (4.7 / 2.3548200450309493) ** 2 + 1 / 12;
    const limit = Math.sqrt(8 * Math.PI) * s2 * noise / flux;
    for (const axis of ["x", "y"] as const) {
      const ratio = scatter(pairs.map(({ truth, found: star }) => star[axis] - truth[axis])) / limit;
      expect(ratio).toBeGreaterThan(0.85);
      expect(ratio).toBeLessThan(1.25);
    }
  });
});

/** Norm of a filter: its answer to a single sample of 1. */
const norm = (plane: Float32Array): number => Math.sqrt(plane.reduce((sum, v) => sum + v * v, 0));
const spike = (width: number, height: number): Float32Array => {
  const data = new Float32Array(width * height);
  data[(height >> 1) * width + (width >> 1)] = 1;
  return data;
};

describe("noise of the starlet's scales (exact kernel norms; Starck & Murtagh 1998)", () => {
  it("eight scales in two dimensions", () => {
    const expected = [0.8907963, 0.2006639, 0.0855075, 0.0412174, 0.0204249, 0.0101898, 0.005092, 0.0025457];
    expect(starletGains).toEqual(expected);
    const { scales } = starlet(spike(1201, 1201), 1201, 1201, 8);
    scales.forEach((plane, j) => expect(Math.abs(norm(plane) - expected[j])).toBeLessThan(2e-6));
  });
  it("six scales in one dimension: a plane of one row", () => {
    const { scales } = starlet(spike(601, 1), 601, 1, 6);
    [0.72349, 0.28545, 0.177948, 0.122223, 0.085811, 0.06057].forEach((value, j) =>
      expect(Math.abs(norm(scales[j]) - value)).toBeLessThan(1e-6)
    );
  });
  it("smooth planes of one to four scales", () => {
    [0.2734375, 0.1234741, 0.0603595, 0.0300147].forEach((value, j) =>
      expect(Math.abs(norm(starlet(spike(129, 129), 129, 129, j + 1).rest) - value)).toBeLessThan(1e-7)
    );
  });
  it("the second generation, w = c − h ∗ (h ∗ c)", () => {
    let smooth = spike(301, 301);
    [0.942883, 0.229989, 0.100292, 0.04861, 0.024121].forEach((value, j) => {
      const next = starletSmooth(smooth, 301, 301, 2 ** j);
      const again = starletSmooth(next, 301, 301, 2 ** j);
      expect(Math.abs(norm(smooth.map((v, i) => v - again[i])) - value)).toBeLessThan(1e-6);
      smooth = next;
    });
  });
});

describe("the 3 × 3 operator of Immerkær (1996)", () => {
  it("is blind to planes", () => {
    const data = Float32Array.from({ length: 64 * 64 }, (_, i) => 100 + 0.5 * (i % 64) - 0.25 * Math.floor(i / 64));
    const image = createImage({ width: 64, height: 64, unit: "adu", planes: [{ channel: "L", data }] });
    expect(measureNoise(image).meanModulus).toBe(0);
  });
  it("has the norm 6: a single sample of 1 answers 16 in sum of moduli over 6 (W − 2)(H − 2)", () => {
    const image = createImage({ width: 9, height: 9, unit: "adu", planes: [{ channel: "L", data: spike(9, 9) }] });
    expect(Math.hypot(1, -2, 1, -2, 4, -2, 1, -2, 1)).toBe(6);
    expect(measureNoise(image).meanModulus).toBeCloseTo(Math.sqrt(Math.PI / 2) * 16 / (6 * 49), 12);
  });
});

describe("profiles (Moffat 1969; a Gaussian is the limit of a large beta)", () => {
  const large = 1e7;
  const alpha = Math.sqrt(2 * large);
  it("FWHM of a Gaussian is 2.3548 sigma", () => {
    expect(Math.abs(alpha * moffatFwhm(large) - 2.3548200450309493)).toBeLessThan(1e-6);
  });
  it("noise-equivalent area of a Gaussian is 2.266180 FWHM² (King 1983)", () => {
    expect(Math.abs(moffatNoiseArea(large) - 2.26618)).toBeLessThan(1e-6);
    // flux 1000, sigma 2 pixels, noise 10 a pixel: F / (√(4π) s σ)
    const fwhm = 2 * 2.3548200450309493;
    expect(Math.abs(1000 / (10 * Math.sqrt(moffatNoiseArea(large) * fwhm * fwhm)) - 14.10474)).toBeLessThan(1e-5);
  });
  it.each([[2.5, 1.304766], [3, 1.220331], [4, 1.155395], [4.765, 1.133291], [large, 1.064467]])(
    "mean radius over half-flux radius for beta %d",
    (beta, value) => {
      // ∫ (1 − L(r)/L) dr, with r = s/(1 − s)² of the half-flux radius
      const half = moffatHalfFluxRadius(beta);
      const all = moffatFlux(beta);
      const n = 20000;
      let mean = 0;
      for (let k = 0; k < n; k++) {
        const s = (k + 0.5) / n;
        const r = half * s / (1 - s) ** 2;
        mean += (1 - moffatFlux(beta, r) / all) * half * (1 + s) / (1 - s) ** 3 / n;
      }
      expect(Math.abs(mean / half - value)).toBeLessThan(beta < 3 ? 2e-4 : 2e-6);
    },
  );
  it("three samples of astropy's Moffat2D (amplitude 100, gamma 3, alpha 2.5, at 25.3, 24.6, on 10) lead back to it", () => {
    // [row, column] 25,25; 24,25; 25,30
    const samples = [[25, 25, 103.379585], [24, 25, 98.517013], [25, 30, 14.451242]];
    const radius = samples.map(([y, x]) => Math.hypot(x - 25.3, y - 24.6));
    const fit = fitMoffatProfile(radius, samples.map(([, , v]) => v - 10), [1, 1, 1]);
    expect(fit?.height).toBeCloseTo(100, 3);
    expect(fit?.alpha).toBeCloseTo(3, 3);
    expect(fit?.beta).toBeCloseTo(2.5, 3);
  });
  it("the best circle in the limit of the sky has r = 1.585201 s and holds 0.715332 of the light", () => {
    const share = (r: number) => moffatFlux(large, r / alpha) / moffatFlux(large);
    let low = 1;
    let high = 2.5;
    for (let k = 0; k < 80; k++) {
      const a = low + (high - low) / 3;
      const b = high - (high - low) / 3;
      if (share(a) / a < share(b) / b) low = a;
      else high = b;
    }
    expect(Math.abs(low - 1.585201)).toBeLessThan(1e-5);
    expect(Math.abs(share(low) - 0.715332)).toBeLessThan(1e-5);
    // a circle of 4 pixels about a star of 10 000 with s = 2
    expect(Math.abs(1e4 * share(2) - 8646.647)).toBeLessThan(0.05);
  });
});

describe("eccentricity", () => {
  const ofRatio = (ratio: number) => eccentricityOf((1 - ratio ** 2) / (1 + ratio ** 2));
  it.each([[0.95, 0.31225], [0.9, 0.43589], [0.8, 0.6], [0.7, 0.714143], [0.6, 0.8], [0.5, 0.866025]])(
    "of an axis ratio of %d, by definition",
    (ratio, value) => {
      expect(Math.abs(ofRatio(ratio) - value)).toBeLessThan(1e-6);
    },
  );
  it.each([[1, 0.188982], [2, 0.359211], [3, 0.5], [4, 0.609994]])(
    "of a star of s = 1.5 drawn out over %d pixels: a² = s² + L²/12",
    (length, value) => {
      const add = length ** 2 / 12;
      expect(Math.abs(eccentricityOf(add / (2 * 1.5 ** 2 + add)) - value)).toBeLessThan(1e-6);
    },
  );
  it("by rotation of 15° an hour for 10 s, 1800 pixels from the centre, on s = 1.5", () => {
    const length = 1800 * 15 / 3600 * 10 * Math.PI / 180;
    const add = length ** 2 / 12;
    const s2 = 1.5 ** 2;
    expect(Math.abs(length - 1.309)).toBeLessThan(1e-5);
    expect(Math.abs(Math.sqrt(s2 / (s2 + add)) - 0.969704)).toBeLessThan(1e-5);
    expect(Math.abs(eccentricityOf(add / (2 * s2 + add)) - 0.244284)).toBeLessThan(1e-5);
  });
});

describe("adaptive moments of 1500 round Gaussian stars of s = 2 in white noise, the sky known", () => {
  it.each([50, 200])("SNR %d: shapes scatter by 2 / SNR (Bernstein & Jarvis 2002), within 4 %", (snr) => {
    const count = 1500;
    const side = 25;
    const width = side * count;
    const random = randomStream(`shapes ${snr}`);
    const s2 = 4;
    // F = SNR √(4π) s σ with σ = 1
    const peak = snr * Math.sqrt(4 * Math.PI) * 2 / (2 * Math.PI * s2);
    const data = new Float32Array(width * side);
    const list = new Float64Array(count * momentFields);
    for (let k = 0; k < count; k++) {
      const x0 = k * side + 12 + random.uniform() - 0.5;
      const y0 = 12 + random.uniform() - 0.5;
      for (let y = 0; y < side; y++) {
        for (let x = k * side; x < (k + 1) * side; x++) {
          const r2 = (x - x0) ** 2 + (y - y0) ** 2;
          data[y * width + x] = peak * Math.exp(-r2 / (2 * s2)) + random.gaussian();
        }
      }
      list.set([2, x0, y0, s2, 0, s2, 0, 3, 0, 0, 0.1, 60, 40], k * momentFields);
    }
    measureMoments({ data, width, height: side, parity: -1 }, 0.4, list);
    let squares = 0;
    let n = 0;
    for (let e = 0; e < list.length; e += momentFields) {
      if (list[e + momentAt.converged] === 0) continue;
      const xx = list[e + momentAt.xx];
      const yy = list[e + momentAt.yy];
      const xy = list[e + momentAt.xy];
      squares += ((xx - yy) / (xx + yy)) ** 2 + (2 * xy / (xx + yy)) ** 2;
      n += 2;
    }
    expect(n).toBeGreaterThan(2 * 0.99 * count);
    // the scatter itself is known to 1 / √(2 n) = 1.3 %; 3 % besides
    expect(Math.abs(Math.sqrt(squares / n) * snr / 2 - 1)).toBeLessThan(0.04);
  });
});

describe("limit of a place (Cramér-Rao: King 1983; Mendez et al. 2013), s = 2", () => {
  /** Inverse of the Fisher sum over pixels of a Gaussian of flux F on a level of b electrons. */
  const limit = (flux: number, level: number): number => {
    let sum = 0;
    for (let y = -20; y <= 20; y++) {
      for (let x = -20; x <= 20; x++) {
        const p = Math.exp(-(x * x + y * y) / 8) / (8 * Math.PI);
        const slope = flux * p * x / 4;
        sum += slope * slope / (flux * p + level);
      }
    }
    return 1 / Math.sqrt(sum);
  };
  it("10 000 e⁻ without sky: s / √F = 0.0200; 100 e⁻ on 1000 e⁻ a pixel: 6.3469, near √(8π) s² √b / F", () => {
    expect(Math.abs(limit(1e4, 0) - 0.02)).toBeLessThan(1e-3);
    expect(Math.abs(limit(100, 1000) - 6.3469)).toBeLessThan(1e-3);
    expect(Math.abs(Math.sqrt(8 * Math.PI) * 4 * Math.sqrt(1000) / 100 - 6.3413)).toBeLessThan(1e-3);
  });
});
