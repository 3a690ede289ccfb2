/**
 * How far measurements lie from the truth, seed by seed: simulated frames of both rigs, and drawn fields of isolated
 * stars.
 */
import { detectStars } from "../../lib/stars/detect_stars.ts";
import { measureFrame } from "../../lib/measure/measure_frame.ts";
import { randomStream } from "../../lib/core/random.ts";
import { matchStars } from "../../lib/register/match_stars.ts";
import { expectedSignal, type SimulateFrameOptions } from "../../lib/simulate/expected_signal.ts";
import { longRig, pocketRig, resizeRig, type Rig } from "../../lib/simulate/rig.ts";
import { starScene } from "../../lib/simulate/scene.ts";
import { simulateFrame } from "../../lib/simulate/simulate_frame.ts";
import { madSigma } from "../../lib/stats/mad_sigma.ts";
import { median } from "../../lib/stats/median.ts";
import {
  drawStars,
  matchTruth,
  noiseArea,
  renderScene,
  type TestProfile,
  testProfile,
  type TestStar,
} from "./scenes.ts";

/**
 * Full width at half maximum of a profile with the pixel in it: from a noise-free star drawn on a grid eleven times as
 * fine.
 */
export function effectiveFwhm(profile: TestProfile): number {
  const fine = 11;
  const n = 401;
  const data = new Float64Array(n * n);
  const middle = 200;
  drawStars(data, n, n, [{ x: middle, y: middle, flux: 1 }], { ...profile, fwhm: profile.fwhm * fine }, 3);
  // one pixel of the frame is eleven by eleven of the fine grid
  const pixel = (cx: number): number => {
    let sum = 0;
    for (let y = middle - 5; y <= middle + 5; y++) for (let x = cx - 5; x <= cx + 5; x++) sum += data[y * n + x];
    return sum;
  };
  const half = pixel(middle) / 2;
  let x = middle;
  while (pixel(x) > half) x++;
  const above = pixel(x - 1);
  const below = pixel(x);
  return 2 * (x - 1 + (above - half) / (above - below) - middle) / fine;
}

/** Rigs without curvature and off-axis aberration, so that the truth is one number; mono and colour. */
const flatRigs: readonly Rig[] = [longRig, pocketRig].map((rig) => ({
  ...resizeRig(rig, { width: 640, height: 480 }),
  fieldCurvature: 0,
  radialEllipticity: 0,
}));

/** What one simulated frame says against its truth. */
export interface FrameErrors {
  /** Name of the rig. */
  readonly rig: string;
  /** Measured width over the true one, pixel included. */
  readonly fwhm: number;
  /** True eccentricity with the pixel's own variance, and the measured one. */
  readonly eccentricity: readonly [number, number];
  /** Difference of directions, degrees, 0 … 90. */
  readonly direction: number;
  /** True level of the sky, ADU, and the measured one. */
  readonly background: readonly [number, number];
  /** True light over that of a clear frame, and the measured one. */
  readonly transparency: readonly [number, number];
  /** Number of stars. */
  readonly stars: number;
}

/** Simulate a frame of a rig with random width, elongation, sky and cloud, and measure it. */
export function frameErrors(seed: number, colour: boolean): FrameErrors {
  const rig = flatRigs[colour ? 1 : 0];
  const random = randomStream(`accuracy ${seed}`);
  const scene = starScene({ seed, starsToMagnitude15: 2500, maximumMagnitude: 17 });
  const scale = 206.264806 * rig.pixelMicrometres / rig.focalLengthMm;
  // Stars of 2.2 to 5 pixels, where a rig's own width ends.
  const fwhm = 2.2 + 2.8 * random.uniform();
  const eccentricity = 0.75 * random.uniform();
  const base: SimulateFrameOptions = {
    seed,
    filter: "L",
    exposureSeconds: colour ? 10 : 60,
    fwhmArcsec: fwhm * scale,
    eccentricity,
    elongationDegrees: 180 * random.uniform(),
    skyMagnitude: 19.5 + 1.5 * random.uniform(),
    dispersion: 0,
  };
  const opacity = 0.7 * random.uniform();
  const clear = simulateFrame(rig, scene, { ...base, seed: `${seed} clear` });
  // A few pixels off, as dithering does: what stands still is taken for a fixed pattern.
  const pointing = [5.3 * scale, -7.6 * scale] as const;
  const cloudy = simulateFrame(rig, scene, { ...base, pointing, opacity, opacityVariation: 0 });
  const { detector } = rig;
  const facts = { electronsPerAdu: detector.electronsPerAdu, fullScaleAdu: 2 ** detector.bits - 1 };
  const first = measureFrame(clear.image, facts);
  const seen = measureFrame(cloudy.image, facts);
  // The sky alone: the light of the same frame without stars; dark, offset and rounding from the mean of that frame
  // read out.
  const starless = { ...scene, stars: [] };
  const options = { ...base, opacity, opacityVariation: 0 };
  const parity = rig.bayer === null ? -1 : rig.bayer[0] === "G" ? 0 : 1;
  const counts = (_: number, i: number) =>
    parity === -1 || ((i % rig.width + Math.floor(i / rig.width)) & 1) === parity;
  const light = expectedSignal(rig, starless, options).electrons.map((v) => v / detector.electronsPerAdu).filter(
    counts,
  );
  const rest = simulateFrame(rig, starless, options).image.planes[0].data.filter(counts).map((v, i) => v - light[i]);
  const middle = median(rest);
  const far = 4 * madSigma(rest);
  const plain = rest.filter((v) => Math.abs(v - middle) <= far);
  const sky = median(light) + plain.reduce((sum, v) => sum + v, 0) / plain.length;
  const { truth } = cloudy;
  const { beta } = rig;
  const axis = (1 - truth.eccentricity ** 2) ** 0.25;
  const short = effectiveFwhm({ ...testProfile, fwhm: truth.effectiveFwhmPixels * axis, beta });
  const long = effectiveFwhm({ ...testProfile, fwhm: truth.effectiveFwhmPixels / axis, beta });
  const { fluxRatio } = matchStars(seen.stars.filter((s) => !s.saturated), first.stars.filter((s) => !s.saturated), {
    maximumStars: 120,
  });
  const turn = Math.abs(seen.elongationDegrees - truth.elongationDegrees) % 180;
  return {
    rig: rig.name,
    fwhm: seen.fwhmPixels / Math.sqrt(short * long),
    eccentricity: [Math.sqrt(1 - (short / long) ** 2), seen.eccentricity],
    direction: Math.min(turn, 180 - turn),
    background: [sky, seen.background],
    transparency: [truth.transparency / clear.truth.transparency, fluxRatio],
    stars: seen.starCount,
  };
}

/** How a drawn field came out. */
export interface FieldErrors {
  readonly name: string;
  /** Stars of true signal-to-noise ratio 7 and better, and how many of them were found. */
  readonly due: number;
  readonly found: number;
  /** Stars listed, and how many of them are none. */
  readonly listed: number;
  readonly false: number;
}

/** Kinds of drawn fields. */
export const fieldKinds = ["plain", "narrow", "wide", "mosaic", "nebula", "hot pixels", "small nebula"] as const;

/**
 * Draw stars of true signal-to-noise ratio 5 to 300 at random places, borders included, none near another; detect and
 * match.
 */
export function fieldErrors(seed: number, kind: typeof fieldKinds[number]): FieldErrors {
  const random = randomStream(`field ${seed} ${kind}`);
  const [width, height] = kind === "small nebula" ? [300, 224] : [640, 480];
  const noise = 10;
  const profile = { ...testProfile, fwhm: kind === "narrow" ? 1.9 : kind === "wide" ? 5.5 : 3, beta: 3.2 };
  const mosaic = kind === "mosaic";
  const unit = noise * Math.sqrt(noiseArea(profile)) * (mosaic ? Math.SQRT2 : 1);
  const stars: TestStar[] = [];
  const apart = 9 * profile.fwhm;
  for (let k = 0; k < 4000 && stars.length < width * height / 1500; k++) {
    const x = random.uniform() * (width - 1);
    const y = random.uniform() * (height - 1);
    const flux = unit * 5 * 60 ** random.uniform();
    if (stars.every((star) => Math.hypot(star.x - x, star.y - y) > apart)) stars.push({ x, y, flux });
  }
  const hot = kind === "hot pixels" || mosaic
    ? Array.from({ length: 300 }, () => ({
      x: Math.floor(random.uniform() * width),
      y: Math.floor(random.uniform() * height),
      add: 50 * 40 ** random.uniform(),
    }))
    : [];
  const knots = kind === "nebula" || kind === "small nebula"
    ? Array.from({ length: 12 }, () => ({
      x: random.uniform() * width,
      y: random.uniform() * height,
      s: 15 + 50 * random.uniform(),
      h: 20 + 130 * random.uniform(),
    }))
    : [];
  const sky = (x: number, y: number) =>
    knots.reduce((sum, k) => sum + k.h * Math.exp(-((x - k.x) ** 2 + (y - k.y) ** 2) / (2 * k.s * k.s)), 500 + 0.1 * x);
  const image = renderScene({ width, height, stars, profile, sky, noise, hot, seed, bayer: mosaic ? "RGGB" : null });
  const list = detectStars(image).stars;
  const { pairs, extra } = matchTruth(stars, list, 2.5);
  return {
    name: kind,
    due: stars.filter((star) => star.flux >= 7 * unit).length,
    found: pairs.filter(({ truth }) => truth.flux >= 7 * unit).length,
    listed: list.length,
    false: extra.length,
  };
}
