/** Star lists of an invented sky, seen by frames whose place is known. */
import { type RandomStream, randomStream } from "../../lib/core/random.ts";
import type { MatchableStar } from "../../lib/register/star_list.ts";

/** A place. */
export type Place = readonly [number, number];

/** Columns and rows of the reference frame. */
export const frame: { readonly width: number; readonly height: number } = Object.freeze({ width: 1500, height: 1000 });

/** Stars strewn evenly, fluxes with a slope of about −1 in their logarithm, as star counts have. */
export function sky(random: RandomStream, count: number, width = frame.width, height = frame.height): MatchableStar[] {
  return Array.from({ length: count }, () => ({
    x: width * random.uniform(),
    y: height * random.uniform(),
    flux: 200 / (random.uniform() + 1e-4) ** 0.9,
  }));
}

/** What happens to a sky on its way into a list. */
export interface Exposure {
  /** Where a point of the sky falls. */
  readonly place: (x: number, y: number) => Place;
  /** Size of the frame. */
  readonly size?: { readonly width: number; readonly height: number };
  /** Faintest flux listed. */
  readonly limit?: number;
  /** Chance that a star is missed. */
  readonly missed?: number;
  /** Position error a coordinate, pixels. */
  readonly error?: number;
  /** Scatter of the logarithm of flux. */
  readonly scatter?: number;
  /** Detections that are no stars, at random places. */
  readonly junk?: number;
}

/** A list of detections of the sky. */
export function expose(random: RandomStream, stars: readonly MatchableStar[], exposure: Exposure): MatchableStar[] {
  const { place, size = frame, limit = 300, missed = 0.1, error = 0.15, scatter = 0.1, junk = 5 } = exposure;
  const out: MatchableStar[] = [];
  for (const star of stars) {
    const [x, y] = place(star.x, star.y);
    const flux = star.flux * Math.exp(scatter * random.gaussian());
    const there = x >= 0 && y >= 0 && x < size.width && y < size.height && flux >= limit && random.uniform() >= missed;
    const dx = error * random.gaussian();
    const dy = error * random.gaussian();
    if (there) out.push({ x: x + dx, y: y + dy, flux });
  }
  for (let i = 0; i < junk; i++) {
    out.push({
      x: size.width * random.uniform(),
      y: size.height * random.uniform(),
      flux: Math.max(limit, 1) / (random.uniform() + 1e-4),
    });
  }
  return out;
}

/** A turn about the frame's centre by an angle in degrees, a scale and a shift; turned over if asked. */
export function turned(degrees: number, scale: number, dx: number, dy: number, mirrored = false) {
  const angle = degrees * Math.PI / 180;
  const c = scale * Math.cos(angle);
  const s = scale * Math.sin(angle);
  const cx = frame.width / 2;
  const cy = frame.height / 2;
  return (x: number, y: number): Place => {
    const u = x - cx;
    const v = (mirrored ? -1 : 1) * (y - cy);
    return [c * u - s * v + cx + dx, s * u + c * v + cy + dy];
  };
}

/** A stream of its own for each case of a test. */
export const caseStream = (name: string, index: number): RandomStream => randomStream(`${name} ${index}`);
