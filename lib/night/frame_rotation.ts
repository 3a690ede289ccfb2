/** Rotation of the field during an exposure: its centre, its angle and the trail it leaves. */
import { fwhmPerSigma } from "../core/constants.ts";
import type { Star } from "../core/star.ts";
import type { FieldRotation } from "../measure/field_map.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { median } from "../stats/median.ts";

/** Significance from which on the rotation that the field map fits is believed: five standard errors (own). */
const minimumRotationSignificance = 5;

/** Mean tangential shape from which on stars are seen to run round a centre: an axis ratio of 1.2 (own). */
const minimumTangentialShape = 0.18;

/** Stars that tell the rotation: the brightest ones that are measured well. */
const maximumStars = 150;
const minimumStars = 12;

/** The centre is sought on a grid of so many places across and down. */
const gridSteps = 9;

/** Stars nearer to the centre than this share of the frame's diagonal do not tell the angle. */
const minimumDistanceShare = 0.12;

/** A centre with the mean shape of the stars along the tangent, and the scatter of the other component. */
interface TangentialFit {
  readonly x: number;
  readonly y: number;
  readonly tangential: number;
  readonly scatter: number;
}

/** The place of a grid over the frame round which stars lie along the tangent most. */
function tangentialCentre(stars: readonly Star[], width: number, height: number): TangentialFit | null {
  const n = stars.length;
  let best: TangentialFit | null = null;
  for (let r = 0; r < gridSteps; r++) {
    for (let c = 0; c < gridSteps; c++) {
      const x = (c + 0.5) / gridSteps * width;
      const y = (r + 0.5) / gridSteps * height;
      let along = 0;
      let across = 0;
      for (const { x: sx, y: sy, shape } of stars) {
        const dx = sx - x;
        const dy = sy - y;
        const d2 = Math.max(1e-9, dx * dx + dy * dy);
        const cosine = (dx * dx - dy * dy) / d2;
        const sine = 2 * dx * dy / d2;
        along -= shape[0] * cosine + shape[1] * sine;
        across += (shape[1] * cosine - shape[0] * sine) ** 2;
      }
      if (best === null || along > n * best.tangential) {
        best = { x, y, tangential: along / n, scatter: Math.sqrt(across / n) };
      }
    }
  }
  return best;
}

/** Angle that each star away from the centre tells by the length of its trail, degrees. */
function rotationAngles(stars: readonly Star[], { x, y }: TangentialFit, minimumDistance: number): number[] {
  const angles: number[] = [];
  for (const star of stars) {
    const dx = star.x - x;
    const dy = star.y - y;
    const distance = Math.hypot(dx, dy);
    if (distance < minimumDistance) continue;
    const chi2 = Math.min(0.999, star.shape[0] ** 2 + star.shape[1] ** 2);
    const tangential = -(star.shape[0] * (dx * dx - dy * dy) + star.shape[1] * 2 * dx * dy) / distance ** 2;
    const variance = 2 * tangential * (star.fwhmPixels / fwhmPerSigma) ** 2 / Math.sqrt(1 - chi2);
    // the variance of a line of length L is L²/12
    angles.push(Math.sqrt(12 * Math.max(0, variance)) / distance * 180 / Math.PI);
  }
  return angles;
}

/**
 * Rotation as the stars' directions alone show it, for trails so long that shapes no longer grow with the square of
 * the distance, as the fit of the field map takes them to. Believed where the mean tangential shape is twice the
 * scatter of the stars about it. The angle is the median over the stars away from the centre.
 */
function tangentialRotation({ stars, width, height }: FrameQuality): FieldRotation | null {
  const shaped = stars.filter((star) => !star.saturated && star.snr >= 12).slice(0, maximumStars);
  const n = shaped.length;
  if (n < minimumStars) return null;
  const fit = tangentialCentre(shaped, width, height);
  if (fit === null || !(fit.tangential > minimumTangentialShape && fit.tangential > 2 * fit.scatter)) return null;
  const angles = rotationAngles(shaped, fit, minimumDistanceShare * Math.hypot(width, height));
  if (angles.length < 8) return null;
  return {
    degrees: median(angles),
    centre: { x: fit.x, y: fit.y },
    significance: fit.tangential / fit.scatter * Math.sqrt(n),
  };
}

/** Rotation of the field in a frame; null when it shows none. */
export function frameRotation(quality: FrameQuality): FieldRotation | null {
  const { rotation } = quality.fieldMap;
  return rotation !== null && rotation.significance >= minimumRotationSignificance
    ? rotation
    : tangentialRotation(quality);
}

/**
 * Length of the trail that field rotation leaves in the farthest corner from its centre, pixels; 0 without rotation.
 */
export function cornerTrail({ width: w, height: h }: FrameQuality, rotation: FieldRotation | null): number {
  if (rotation === null) return 0;
  const { x, y } = rotation.centre;
  const far = Math.max(Math.hypot(x, y), Math.hypot(w - x, y), Math.hypot(x, h - y), Math.hypot(w - x, h - y));
  return far * rotation.degrees * Math.PI / 180;
}
