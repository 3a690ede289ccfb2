/** The light of one frame without noise: a scene through a rig at a moment, with the truth about it. */
import { square } from "./square.ts";
import { fwhmPerSigma } from "../core/constants.ts";
import { canonicalJson, type Json, settle } from "../core/options.ts";
import { type RandomStream, randomStream } from "../core/random.ts";
import { applyTransform, invertMatrix, type Matrix3, multiplyMatrix } from "../core/transform.ts";
import {
  atan2Portable,
  cosPortable,
  expPortable,
  logPortable,
  powPortable,
  sinPortable,
} from "../kernels/elementary.ts";
import { faultConditions, type FaultName, type FaultSettings, knownFaults } from "./faults.ts";
import { airmass, horizonPosition, parallacticAngle, siderealTimeDegrees } from "../sky/horizon.ts";
import {
  type FrameConditions,
  frameConditionsDefaults,
  type Obstacle,
  site,
  type SkyLight,
  type Streak,
} from "./frame_conditions.ts";
import { illumination } from "./illumination.ts";
import { blackBodyWidth, type Passband, rayleighPhotons, throughputAt, zeroMagnitudePhotons } from "./photometry.ts";
import { type MotionStep, type PointSpread, renderStars, type StarCanvas, type StarImage } from "./render_stars.ts";
import { arcsecPerPixelOf, collectingAreaSquareCm, passbandOf, type Rig } from "./rig.ts";
import type { Scene, SceneGlow } from "./scene.ts";

/** What is true about a frame, whatever a measurement finds. */
export interface FrameTruth {
  /** Filter, or `colour`. */
  readonly filter: string;
  /** Seconds. */
  readonly exposureSeconds: number;
  /** Start, UTC. */
  readonly dateUtc: string;
  /** From a pixel to the sky: arcseconds east and north of the scene's centre, row by row. */
  readonly skyMatrix: Matrix3;
  /** Arcseconds a pixel. */
  readonly arcsecPerPixel: number;
  /** Altitude of the target, degrees. */
  readonly altitudeDegrees: number;
  /** Share of the light above the atmosphere that arrived in the middle of the field. */
  readonly transparency: number;
  /** Width of the Moffat profile in the middle of the field, before motion and defocus, pixels. */
  readonly fwhmPixels: number;
  /**
   * 2.3548 × the geometric mean of the axes' standard deviations, core (FWHM / 2.3548), motion and defocus added in
   * square.
   */
  readonly effectiveFwhmPixels: number;
  /** Eccentricity from the same sums, in the middle of the field. */
  readonly eccentricity: number;
  /** Direction of the long axis, from +x towards +y, 0 … 180. */
  readonly elongationDegrees: number;
  /** Sky in the middle of the field, electrons a pixel: R, G, B on a colour sensor, else one number. */
  readonly backgroundElectrons: readonly number[];
  /** Change of the sky from the middle to +x and to +y edge of the circle round the frame, share. */
  readonly backgroundSlope: readonly [number, number];
  /** Median dark signal, electrons. */
  readonly darkElectrons: number;
  /** Name of the fault; `none`. */
  readonly fault: string;
  /** Settings of the fault. */
  readonly faultSettings: { readonly [key: string]: Json };
  /** Cause a night report should name. */
  readonly cause: string;
  /** Whether the frame is worth keeping. */
  readonly keep: boolean;
}

/** What else can be asked of {@linkcode expectedSignal} and {@linkcode simulateFrame}. */
export interface SimulateFrameOptions extends Partial<FrameConditions> {
  /** A fault by name. */
  readonly fault?: FaultName;
  /** Settings of the fault, over its defaults. */
  readonly faultSettings?: FaultSettings;
}

/** FWHM over sigma to five digits: simulated frames are made with it, and `fwhmPerSigma` would move their last digits. */
const shortFwhmPerSigma = 2.3548;

const degree = Math.PI / 180;

/** Map from pixels to the sky for a frame that points at (east, north) with its top edge towards a position angle. */
export function skyMatrixOf(rig: Rig, pointing: readonly [number, number], upDegrees: number): Matrix3 {
  const s = arcsecPerPixelOf(rig);
  const c = s * cosPortable(upDegrees * degree);
  const d = s * sinPortable(upDegrees * degree);
  const xc = (rig.width - 1) / 2;
  const yc = (rig.height - 1) / 2;
  return [-c, -d, pointing[0] + c * xc + d * yc, d, -c, pointing[1] - d * xc + c * yc, 0, 0, 1];
}

/** Electrons a second from a star of magnitude 0 by temperature, tabulated once for a band. */
function starRates(rig: Rig, band: Passband): (temperatureK: number) => number {
  const low = logPortable(1500);
  const high = logPortable(60000);
  const count = 120;
  const table = Array.from({ length: count + 1 }, (_, i) =>
    zeroMagnitudePhotons * collectingAreaSquareCm(rig) *
    blackBodyWidth(band, expPortable(low + (high - low) * i / count)));
  return (temperatureK) => {
    const at = Math.min(count - 1e-9, Math.max(0, count * (logPortable(temperatureK) - low) / (high - low)));
    const i = Math.floor(at);
    return table[i] + (table[i + 1] - table[i]) * (at - i);
  };
}

/** Bands that the sensor's pixels see: one, or R, G, B. */
const bandsOf = (rig: Rig, filter: string): readonly Passband[] =>
  rig.bayer === null ? [passbandOf(rig, filter)] : rig.bands;

const mosaicOf = (rig: Rig): readonly number[] => rig.bayer === null ? [] : [...rig.bayer].map((c) => "RGB".indexOf(c));

/** Extended light of the scene through one band, electrons a second and pixel, on the scene's grid. */
function glowRate(rig: Rig, band: Passband, glow: SceneGlow): Float32Array {
  const pixel = square(arcsecPerPixelOf(rig));
  const perRayleigh = rayleighPhotons * collectingAreaSquareCm(rig) * pixel;
  // [O III] 495.9 nm is a third of 500.7 nm; H-beta follows H-alpha through 2.86 and light reddening
  const ha = perRayleigh * (throughputAt(band, 656.3) + throughputAt(band, 486.1) / 3.4);
  const oiii = perRayleigh * (throughputAt(band, 500.7) + throughputAt(band, 495.9) / 2.98);
  const sii = perRayleigh * throughputAt(band, 672.4);
  const starlight = zeroMagnitudePhotons * collectingAreaSquareCm(rig) * blackBodyWidth(band, 7800) *
    powPortable(10, -8.8) *
    pixel;
  return glow.Ha.map((each, i) => ha * each + oiii * glow.OIII[i] + sii * glow.SII[i] + starlight * glow.continuum[i]);
}

/** Bilinear samples of a scene grid under a frame. */
function warpGlow(glow: SceneGlow, rate: Float32Array, matrix: Matrix3, width: number, height: number): Float32Array {
  const out = new Float32Array(width * height);
  const cx = (glow.width - 1) / 2;
  const cy = (glow.height - 1) / 2;
  const per = 1 / glow.stepArcsec;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const east = matrix[0] * x + matrix[1] * y + matrix[2];
      const north = matrix[3] * x + matrix[4] * y + matrix[5];
      const gx = Math.min(glow.width - 1.001, Math.max(0, cx - east * per));
      const gy = Math.min(glow.height - 1.001, Math.max(0, cy - north * per));
      const i = gx | 0;
      const j = gy | 0;
      const fx = gx - i;
      const fy = gy - j;
      const at = j * glow.width + i;
      const top = rate[at] + (rate[at + 1] - rate[at]) * fx;
      const bottom = rate[at + glow.width] + (rate[at + glow.width + 1] - rate[at + glow.width]) * fx;
      out[y * width + x] = top + (bottom - top) * fy;
    }
  }
  return out;
}

/** Gaussian blur in place, edges repeated. */
function blur(data: Float32Array, width: number, height: number, sigma: number): void {
  const reach = Math.ceil(3.5 * sigma);
  const taps = Array.from({ length: reach + 1 }, (_, i) => expPortable(-0.5 * square(i / sigma)));
  const norm = 1 / (taps[0] + 2 * taps.slice(1).reduce((a, b) => a + b, 0));
  const line = new Float64Array(Math.max(width, height) + 2 * reach);
  const pass = (start: number, stride: number, count: number) => {
    for (let i = -reach; i < count + reach; i++) {
      line[i + reach] = data[start + stride * Math.min(count - 1, Math.max(0, i))];
    }
    for (let i = 0; i < count; i++) {
      let sum = taps[0] * line[i + reach];
      for (let k = 1; k <= reach; k++) sum += taps[k] * (line[i + reach - k] + line[i + reach + k]);
      data[start + stride * i] = sum * norm;
    }
  };
  for (let y = 0; y < height; y++) pass(y * width, 1, width);
  for (let x = 0; x < width; x++) pass(x, width, height);
}

/** Ring of defocus: even light between obstruction × radius and radius, edges antialiased, sum 1. */
function defocusRing(radius: number, obstruction: number): { dx: number; dy: number; weight: number }[] {
  const reach = Math.ceil(radius + 0.5);
  const fine = 8;
  const taps: { dx: number; dy: number; weight: number }[] = [];
  let total = 0;
  for (let dy = -reach; dy <= reach; dy++) {
    for (let dx = -reach; dx <= reach; dx++) {
      let weight = 0;
      for (let j = 0; j < fine; j++) {
        for (let i = 0; i < fine; i++) {
          const r2 = square(dx + (i + 0.5) / fine - 0.5) + square(dy + (j + 0.5) / fine - 0.5);
          if (r2 <= radius * radius && r2 >= square(obstruction * radius)) weight += 1;
        }
      }
      if (weight > 0) taps.push({ dx, dy, weight });
      total += weight;
    }
  }
  return taps.map((tap) => ({ ...tap, weight: tap.weight / total }));
}

/** Convolution of a padded canvas, cut to the frame. */
function convolveCut(
  padded: StarCanvas,
  pad: number,
  width: number,
  height: number,
  taps: readonly { dx: number; dy: number; weight: number }[],
): Float32Array {
  const out = new Float32Array(width * height);
  for (const { dx, dy, weight } of taps) {
    for (let y = 0; y < height; y++) {
      let from = (y + pad - dy) * padded.width + pad - dx;
      for (let at = y * width; at < (y + 1) * width; at++, from++) out[at] += weight * padded.data[from];
    }
  }
  return out;
}

/** Optical depth of cloud over the frame: a few long waves round the mean. */
function cloudDepth(
  width: number,
  height: number,
  depth: number,
  variation: number,
  random: RandomStream,
): Float32Array {
  const waves = Array.from({ length: 6 }, (_, i) => ({
    kx: (2 * random.uniform() - 1) * (1.5 + i),
    ky: (2 * random.uniform() - 1) * (1.5 + i),
    phase: 2 * Math.PI * random.uniform(),
    height: 1 / (1.5 + i),
  }));
  const map = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let sum = 0;
      for (const wave of waves) {
        sum += wave.height * sinPortable(wave.phase + Math.PI * (wave.kx * x + wave.ky * y) / width);
      }
      map[y * width + x] = depth * Math.max(0, 1 + variation * sum);
    }
  }
  return map;
}

function drawStreak(light: Float32Array, rig: Rig, streak: Streak, fwhm: number): void {
  const { width, height, beta } = rig;
  const c = cosPortable(streak.degrees * degree);
  const s = sinPortable(streak.degrees * degree);
  const alpha = fwhm * 0.5 / Math.sqrt(powPortable(2, 1 / beta) - 1);
  const reach = 12 * fwhm;
  const offsets = streak.doublePixels > 0 ? [-streak.doublePixels / 2, streak.doublePixels / 2] : [0];
  let norm = 0; // of a Moffat profile integrated along a line: (1 + d²/α²)^(½ − β)
  for (let d = -400; d <= 400; d++) norm += 0.1 * powPortable(1 + square(0.1 * d / alpha), 0.5 - beta);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const dx = x - streak.through[0];
      const dy = y - streak.through[1];
      const along = dx * c + dy * s;
      const across = dy * c - dx * s;
      for (const offset of offsets) {
        const d = across - offset;
        if (Math.abs(d) > reach) continue;
        let level = streak.electronsPerPixel / norm * powPortable(1 + d * d / (alpha * alpha), 0.5 - beta);
        if (streak.blinkPixels > 0) {
          const cycle = along / streak.blinkPixels - Math.floor(along / streak.blinkPixels);
          level *= 0.35 + 6 * expPortable(-0.5 * square((cycle - 0.5) * streak.blinkPixels / 2.5));
        }
        light[y * width + x] += level;
      }
    }
  }
}

/** Field rotation of the mount itself during the exposure, in steps of less than half a pixel at the corner. */
function mountRotation(rig: Rig, turnDegrees: number): readonly MotionStep[] {
  const corner = Math.sqrt(square(rig.width) + square(rig.height)) / 2;
  const count = Math.min(64, 1 + Math.floor(Math.abs(turnDegrees) * degree * corner / 0.5));
  if (count === 1) return [];
  return Array.from({ length: count }, (_, i) => ({
    dx: 0,
    dy: 0,
    rotationDegrees: turnDegrees * ((i + 0.5) / count - 0.5),
    share: 1 / count,
  }));
}

/**
 * What air does to a star of even spectrum: a line towards the zenith, as long as the difference of refraction over
 * the band, (n₁ − n₂) tan z, with the refractivity of dry air at sea level (Edlén 1966, Metrologia 2, 71). A colour
 * sensor is given the line of its middle band for all three.
 */
function dispersed(
  bands: readonly Passband[],
  dispersion: number,
  altitudeDegrees: number,
  arcsecPerPixel: number,
  degrees: number,
): readonly MotionStep[] {
  if (dispersion === 0) return [];
  const { firstNm, stepNm, throughput } = bands[bands.length >> 1];
  const most = Math.max(...throughput);
  const seen = throughput.flatMap((each, i) => each > 0.5 * most ? [firstNm + i * stepNm] : []);
  const zenith = (90 - Math.max(3, altitudeDegrees)) * degree;
  const tangent = sinPortable(zenith) / cosPortable(zenith);
  const spread = refractivity(seen[0]) - refractivity(seen[seen.length - 1]);
  const length = dispersion * spread * tangent / degree * 3600 / arcsecPerPixel;
  const count = Math.ceil(length / 0.4);
  if (count < 2) return [];
  const c = cosPortable(degrees * degree);
  const s = sinPortable(degrees * degree);
  return Array.from({ length: count }, (_, i) => {
    const at = length * ((i + 0.5) / count - 0.5);
    return { dx: at * c, dy: at * s, rotationDegrees: 0, share: 1 / count };
  });
}

/** n − 1 of dry air at 15 °C and 1013 hPa. */
function refractivity(nanometres: number): number {
  const k = square(1000 / nanometres);
  return 1e-8 * (8342.13 + 2406030 / (130 - k) + 15997 / (38.9 - k));
}

/** Share of the light that passes what stands before the field. */
function openShare(rig: Rig, obstacle: Obstacle): (x: number, y: number) => number {
  const c = cosPortable(obstacle.degrees * degree);
  const s = sinPortable(obstacle.degrees * degree);
  const size = Math.abs(c) * rig.width + Math.abs(s) * rig.height;
  const xc = (rig.width - 1) / 2;
  const yc = (rig.height - 1) / 2;
  return (x, y) => {
    const t = ((x - xc) * c + (y - yc) * s) / size + 0.5;
    return Math.min(1, Math.max(0, 0.5 - (t - (1 - obstacle.share)) / Math.max(1e-6, obstacle.softness)));
  };
}

const combineMotion = (first: readonly MotionStep[], second: readonly MotionStep[]): readonly MotionStep[] =>
  first.length === 0 ? second : second.length === 0 ? first : first.flatMap((a) =>
    second.map((b) => ({
      dx: a.dx + b.dx,
      dy: a.dy + b.dy,
      rotationDegrees: a.rotationDegrees + b.rotationDegrees,
      share: a.share * b.share,
    }))
  );

/** Shape that star width, motion and defocus make together, from their second moments in the middle of the field. */
function effectiveShape(
  fwhm: number,
  eccentricity: number,
  elongationDegrees: number,
  motion: readonly MotionStep[],
  ring: number,
  obstruction: number,
): { fwhm: number; eccentricity: number; degrees: number } {
  const q = Math.sqrt(1 - square(eccentricity));
  const variance = square(fwhm / fwhmPerSigma);
  const mean = variance * (1 / q + q) / 2;
  const half = variance * (1 / q - q) / 2;
  const turn = 2 * elongationDegrees * degree;
  let xx = mean + half * cosPortable(turn);
  let yy = mean - half * cosPortable(turn);
  let xy = half * sinPortable(turn);
  let mx = 0;
  let my = 0;
  for (const step of motion) {
    mx += step.share * step.dx;
    my += step.share * step.dy;
  }
  for (const step of motion) {
    xx += step.share * square(step.dx - mx);
    yy += step.share * square(step.dy - my);
    xy += step.share * (step.dx - mx) * (step.dy - my);
  }
  const disc = ring * ring * (1 + square(obstruction)) / 4;
  xx += disc;
  yy += disc;
  const spread = Math.sqrt(square((xx - yy) / 2) + xy * xy);
  const middle = (xx + yy) / 2;
  const a2 = middle + spread;
  const b2 = Math.max(1e-12, middle - spread);
  const angle = atan2Portable(2 * xy, xx - yy) / (2 * degree);
  return {
    fwhm: fwhmPerSigma * Math.sqrt(Math.sqrt(a2 * b2)),
    eccentricity: Math.sqrt(1 - b2 / a2),
    degrees: spread < 1e-12 ? 0 : angle < 0 ? angle + 180 : angle,
  };
}

/** Electrons expected without noise, and what the truth says of them. */
export interface ExpectedSignal {
  /** Expected photo-electrons a pixel, vignetting and dust included, before the pixels' own response. */
  readonly light: Float32Array;
  /** The truth. */
  readonly truth: FrameTruth;
}

/**
 * The light of a frame without any noise or sensor: what {@linkcode simulateFrame} exposes the sensor to.
 *
 * @param rig telescope and camera
 * @param scene piece of sky
 * @param options conditions and fault
 */
export function expectedSignal(rig: Rig, scene: Scene, options: SimulateFrameOptions = {}): ExpectedSignal {
  const { fault = "none", faultSettings = {}, ...given } = options;
  const clear = settle("simulateFrame", frameConditionsDefaults, given);
  const settings = { ...knownFaults[fault].settings, ...faultSettings };
  const random = randomStream(`frame ${clear.seed}`);
  const now: FrameConditions = faultConditions(rig, clear, fault, settings, random.fork("fault"));
  const { width, height } = rig;
  const scale = arcsecPerPixelOf(rig);
  const pixel = scale * scale;
  const bands = bandsOf(rig, now.filter);
  const mosaic = mosaicOf(rig);

  const hourAngle = (after: number) =>
    siderealTimeDegrees(now.dateUtc, site.longitudeDegrees) + after * 15.041069 / 3600 - scene.rightAscensionDegrees;
  const middle = hourAngle(now.exposureSeconds / 2);
  const place = horizonPosition(site.latitudeDegrees, middle, scene.declinationDegrees);
  const { azimuthDegrees } = place;
  const altitudeDegrees = now.altitudeDegrees ?? place.altitudeDegrees;
  const parallactic = (after: number) =>
    parallacticAngle(site.latitudeDegrees, hourAngle(after), scene.declinationDegrees);
  const zenith = parallactic(now.exposureSeconds / 2);
  const altAz = rig.mount === "alt-azimuth";
  const up = now.upDegrees ?? (altAz ? zenith : 0);
  // a position angle grows against the sense from +x to +y, so the sky turns by +Δq in the frame
  const turn = altAz ? parallactic(now.exposureSeconds) - parallactic(0) : 0;
  // the zenith stands at position angle q, and the frame's top edge at `up`
  const spectrum = dispersed(bands, now.dispersion, altitudeDegrees, scale, 270 + up - zenith);
  const motion = combineMotion(combineMotion(mountRotation(rig, turn), now.motion), spectrum);
  const skyMatrix = skyMatrixOf(rig, now.pointing, up);
  const toPixel = invertMatrix(skyMatrix);

  const air = airmass(altitudeDegrees);
  const clearAir = powPortable(10, -0.4 * now.extinction * air);
  const transparency = now.shutterOpen ? clearAir * expPortable(-now.opacity) : 0;
  const fwhm = (now.fwhmArcsec ?? rig.fwhmArcsec * powPortable(Math.max(1, air), 0.6)) / scale;

  // the town lies on the horizon: bearing from the zenith's direction, then to a direction on the sky
  const away = (now.townAzimuthDegrees - azimuthDegrees) * degree;
  const bearing = atan2Portable(sinPortable(away), -sinPortable(altitudeDegrees * degree) * cosPortable(away)) / degree;
  const lights: readonly SkyLight[] = [
    {
      ratio: 0.6 + 0.4 * air,
      temperatureK: 4200,
      slope: now.townSlope * air,
      bend: 0.35 * now.townSlope * air,
      positionAngleDegrees: zenith - bearing,
    },
    ...now.extraSky,
  ];
  const skyFactor = Math.max(0.05, 1 + now.cloudLight * now.opacity);
  const xc = (width - 1) / 2;
  const yc = (height - 1) / 2;
  const corner = Math.sqrt(xc * xc + yc * yc) || 1;
  const skies = bands.map((band) =>
    lights.map((each) => {
      const angle = (each.positionAngleDegrees - up) * degree; // of the direction, against the frame's top
      return {
        rate: each.ratio * zeroMagnitudePhotons * collectingAreaSquareCm(rig) *
          blackBodyWidth(band, each.temperatureK) *
          powPortable(10, -0.4 * now.skyMagnitude) * pixel * skyFactor * now.exposureSeconds,
        x: -sinPortable(angle) / corner,
        y: -cosPortable(angle) / corner,
        slope: each.slope,
        bend: each.bend,
      };
    })
  );

  let light: Float32Array = new Float32Array(width * height);
  if (now.shutterOpen) {
    const spread: PointSpread = {
      fwhmPixels: fwhm,
      beta: rig.beta,
      eccentricity: now.eccentricity,
      elongationDegrees: now.elongationDegrees,
      fieldCurvature: rig.fieldCurvature,
      tilt: now.tilt,
      tiltDegrees: 35,
      radialEllipticity: rig.radialEllipticity,
      haloShare: now.haloShare,
      haloScale: 5,
      motion,
    };
    const rates = bands.map((band) => starRates(rig, band));
    const clearShare = clearAir * now.exposureSeconds;
    const pad = now.defocusPixels > 0 ? Math.ceil(now.defocusPixels) + 2 : 0;
    const stars: { x: number; y: number; fluxes: number[] }[] = [];
    const margin = 60 + pad;
    for (const star of scene.stars) {
      const { x, y } = applyTransform({ kind: "similarity", matrix: toPixel }, star.east, star.north);
      if (x < -margin || y < -margin || x > width + margin || y > height + margin) continue;
      const above = powPortable(10, -0.4 * star.magnitude) * clearShare;
      stars.push({ x: x + pad, y: y + pad, fluxes: rates.map((rate) => above * rate(star.temperatureK)) });
    }
    const glowOf = (band: Passband): Float32Array | null => {
      if (scene.glow === null) return null;
      const rate = glowRate(rig, band, scene.glow);
      const wide = width + 2 * pad;
      const high = height + 2 * pad;
      const total = new Float32Array(wide * high);
      const still: readonly MotionStep[] = [{ dx: 0, dy: 0, rotationDegrees: 0, share: 1 }];
      const coarse = motion.length > 12 ? motion.filter((_, i) => i % Math.ceil(motion.length / 12) === 0) : motion;
      const steps = coarse.length === 0 ? still : coarse;
      const shares = steps.reduce((sum, step) => sum + step.share, 0);
      for (const step of steps) {
        const c = cosPortable(step.rotationDegrees * degree);
        const s = sinPortable(step.rotationDegrees * degree);
        // a pixel of the moved image shows what stood at R⁻¹(p − centre − d) + centre
        const back: Matrix3 = [
          c,
          s,
          xc - c * (xc + step.dx + pad) - s * (yc + step.dy + pad),
          -s,
          c,
          yc + s * (xc + step.dx + pad) - c * (yc + step.dy + pad),
          0,
          0,
          1,
        ];
        const moved = warpGlow(scene.glow, rate, multiplyMatrix(skyMatrix, back), wide, high);
        const share = step.share / shares * clearShare;
        for (let i = 0; i < total.length; i++) total[i] += share * moved[i];
      }
      blur(total, wide, high, fwhm / shortFwhmPerSigma);
      return total;
    };
    const centre = [xc + pad, yc + pad];
    if (pad > 0) {
      const taps = defocusRing(now.defocusPixels, rig.obstruction);
      const planes = bands.map((band, channel) => {
        const wide = width + 2 * pad;
        const high = height + 2 * pad;
        const canvas = { width: wide, height: high, data: glowOf(band) ?? new Float32Array(wide * high) };
        renderStars(canvas, stars.map((star) => ({ x: star.x, y: star.y, flux: star.fluxes[channel] })), spread, {
          centre,
        });
        return convolveCut(canvas, pad, width, height, taps);
      });
      light = mosaicked(planes, mosaic, width, height);
    } else {
      const glows = bands.map(glowOf).filter((each) => each !== null);
      if (glows.length > 0) light = mosaicked(glows, mosaic, width, height);
      const images: StarImage[] = stars.map((star) => ({
        x: star.x,
        y: star.y,
        flux: mosaic.length === 0 ? star.fluxes[0] : star.fluxes as unknown as [number, number, number],
      }));
      renderStars({ width, height, data: light }, images, spread, { mosaic, centre });
    }
    if (now.opacity > 0) {
      const depth = cloudDepth(width, height, now.opacity, now.opacityVariation, random.fork("cloud"));
      for (let i = 0; i < light.length; i++) light[i] *= expPortable(-depth[i]);
    }
    for (let y = 0, i = 0; y < height; y++) {
      for (let x = 0; x < width; x++, i++) {
        const sky = skies[mosaic.length === 0 ? 0 : mosaic[(y & 1) * 2 + (x & 1)]];
        for (const each of sky) {
          const t = (x - xc) * each.x + (y - yc) * each.y;
          light[i] += each.rate * Math.max(0, 1 + each.slope * t + each.bend * t * t);
        }
      }
    }
    for (const streak of now.streaks) drawStreak(light, rig, streak, fwhm);
    if (now.obstacle !== null) {
      const open = openShare(rig, now.obstacle);
      for (let y = 0, i = 0; y < height; y++) for (let x = 0; x < width; x++, i++) light[i] *= open(x, y);
    }
    const map = illumination(rig, { filter: mosaic.length === 0 ? now.filter : "colour", dustMoved: false });
    for (let i = 0; i < light.length; i++) light[i] *= map[i];
  }

  const shape = effectiveShape(
    fwhm,
    now.eccentricity,
    now.elongationDegrees,
    motion,
    now.defocusPixels,
    rig.obstruction,
  );
  const open = now.shutterOpen ? 1 : 0;
  const total = skies[0].reduce((sum, each) => sum + each.rate, 0);
  const slope = (axis: "x" | "y") =>
    open * skies[0].reduce((sum, each) => sum + each.rate * each.slope * each[axis] * corner, 0) / total;
  const truth: FrameTruth = {
    filter: rig.bayer === null ? now.filter : "colour",
    exposureSeconds: now.exposureSeconds,
    dateUtc: now.dateUtc,
    skyMatrix,
    arcsecPerPixel: scale,
    altitudeDegrees,
    transparency,
    fwhmPixels: fwhm,
    effectiveFwhmPixels: shape.fwhm,
    eccentricity: shape.eccentricity,
    elongationDegrees: shape.degrees,
    backgroundElectrons: skies.map((sky) => open * sky.reduce((sum, each) => sum + each.rate, 0)),
    backgroundSlope: [slope("x"), slope("y")],
    darkElectrons: 0,
    fault,
    faultSettings: JSON.parse(canonicalJson(settings)),
    cause: knownFaults[fault].cause,
    keep: knownFaults[fault].keep,
  };
  return { light, truth };
}

/** One plane from one plane a band: the pixel's own band on a mosaic. */
function mosaicked(
  planes: readonly Float32Array[],
  mosaic: readonly number[],
  width: number,
  height: number,
): Float32Array {
  if (mosaic.length === 0) return planes[0];
  const out = new Float32Array(width * height);
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) out[i] = planes[mosaic[(y & 1) * 2 + (x & 1)]][i];
  }
  return out;
}
