/** Extended emission of a scene in a frame: nebula, starlight scattered by dust, galaxies. */
import type { Raster } from "../core/raster.ts";
import { type Matrix3, multiplyMatrix } from "../core/transform.ts";
import { cosPortable, expPortable, powPortable, sinPortable } from "../kernels/elementary.ts";
import { stillMotion } from "./exposure_motion.ts";
import type { ImagedField } from "./imaged_field.ts";
import { blackBodyWidth, type Passband, rayleighPhotons, throughputAt, zeroMagnitudePhotons } from "./photometry.ts";
import type { MotionStep } from "./render_stars.ts";
import { arcsecPerPixelOf, collectingAreaSquareCm, type Rig } from "./rig.ts";
import type { SceneGlow } from "./scene.ts";
import { square } from "./square.ts";

const degree = Math.PI / 180;

/** Longest list of steps of a motion that the extended emission follows: it is smooth. */
const maximumSteps = 12;

/**
 * FWHM over sigma to five digits: simulated frames are made with it, and `fwhmPerSigma` would move their last digits.
 */
const shortFwhmPerSigma = 2.3548;

/** Extended emission of the scene through one band, electrons a second and pixel, on the scene's grid. */
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
function blur({ data, width, height }: Raster, sigma: number): void {
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

/** Map from the pixels of a moved image to those of the still one: R⁻¹(p − centre − d) + centre. */
function backThrough(step: MotionStep, { rig, padding }: ImagedField): Matrix3 {
  const xc = (rig.width - 1) / 2;
  const yc = (rig.height - 1) / 2;
  const c = cosPortable(step.rotationDegrees * degree);
  const s = sinPortable(step.rotationDegrees * degree);
  const x = xc + step.dx + padding;
  const y = yc + step.dy + padding;
  return [c, s, xc - c * x - s * y, -s, c, yc + s * x - c * y, 0, 0, 1];
}

/**
 * Electrons of the extended emission through one band, on the frame with its padding; blurred as stars are, along the
 * motion, without what clouds and optics take away.
 */
export function extendedEmission(field: ImagedField, band: Passband, glow: SceneGlow): Raster {
  const { rig, motion, skyMatrix, padding, clearSeconds, fwhmPixels } = field;
  const rate = glowRate(rig, band, glow);
  const width = rig.width + 2 * padding;
  const height = rig.height + 2 * padding;
  const data = new Float32Array(width * height);
  const every = Math.ceil(motion.length / maximumSteps);
  const coarse = motion.length > maximumSteps ? motion.filter((_, i) => i % every === 0) : motion;
  const steps = coarse.length === 0 ? stillMotion : coarse;
  const shares = steps.reduce((sum, step) => sum + step.share, 0);

  for (const step of steps) {
    const moved = warpGlow(glow, rate, multiplyMatrix(skyMatrix, backThrough(step, field)), width, height);
    const share = step.share / shares * clearSeconds;
    for (let i = 0; i < data.length; i++) data[i] += share * moved[i];
  }
  const raster = { data, width, height };
  blur(raster, fwhmPixels / shortFwhmPerSigma);
  return raster;
}
