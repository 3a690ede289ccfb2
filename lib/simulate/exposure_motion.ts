/** Where the image of a star stands during an exposure, and the shape that comes of it. */
import { fwhmPerSigma } from "../core/constants.ts";
import { atan2Portable, cosPortable, sinPortable } from "../kernels/elementary.ts";
import type { Passband } from "./photometry.ts";
import type { MotionStep, PsfShape } from "./render_stars.ts";
import type { Rig } from "./rig.ts";
import { square } from "./square.ts";

const degree = Math.PI / 180;

/** An image that does not move. */
export const stillMotion: readonly MotionStep[] = [{ dx: 0, dy: 0, rotationDegrees: 0, share: 1 }];

/** Field rotation of the mount itself during the exposure, in steps of less than half a pixel at the corner. */
export function mountRotation(rig: Rig, turnDegrees: number): readonly MotionStep[] {
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

/** n − 1 of dry air at 15 °C and 1013 hPa. */
function refractivity(nanometres: number): number {
  const k = square(1000 / nanometres);
  return 1e-8 * (8342.13 + 2406030 / (130 - k) + 15997 / (38.9 - k));
}

/**
 * What air does to a star of even spectrum: a line towards the zenith, as long as the difference of refraction over
 * the band, (n₁ − n₂) tan z, with the refractivity of dry air at sea level (Edlén 1966, Metrologia 2, 71). A colour
 * sensor is given the line of its middle band for all three.
 */
export function dispersed(
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

/** Two motions at once: every step of the one at every step of the other. */
export const combineMotion = (first: readonly MotionStep[], second: readonly MotionStep[]): readonly MotionStep[] =>
  first.length === 0 ? second : second.length === 0 ? first : first.flatMap((a) =>
    second.map((b) => ({
      dx: a.dx + b.dx,
      dy: a.dy + b.dy,
      rotationDegrees: a.rotationDegrees + b.rotationDegrees,
      share: a.share * b.share,
    }))
  );

/** Shape that star width, motion and defocus make together, from their second moments in the middle of the field. */
export function effectiveShape(
  psf: PsfShape,
  defocusPixels: number,
  obstruction: number,
): { fwhm: number; eccentricity: number; degrees: number } {
  const { fwhmPixels, eccentricity, elongationDegrees, motion } = psf;
  const q = Math.sqrt(1 - square(eccentricity));
  const variance = square(fwhmPixels / fwhmPerSigma);
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
  const disc = defocusPixels * defocusPixels * (1 + square(obstruction)) / 4;
  xx += disc;
  yy += disc;
  const spread = Math.sqrt(square((xx - yy) / 2) + xy * xy);
  const mean2 = (xx + yy) / 2;
  const a2 = mean2 + spread;
  const b2 = Math.max(1e-12, mean2 - spread);
  const angle = atan2Portable(2 * xy, xx - yy) / (2 * degree);
  return {
    fwhm: fwhmPerSigma * Math.sqrt(Math.sqrt(a2 * b2)),
    eccentricity: Math.sqrt(1 - b2 / a2),
    degrees: spread < 1e-12 ? 0 : angle < 0 ? angle + 180 : angle,
  };
}
