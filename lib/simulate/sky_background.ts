/** The sky's own brightness in a frame: airglow and town, moon, dawn, lamps. */
import type { Raster } from "../core/raster.ts";
import { atan2Portable, cosPortable, powPortable, sinPortable } from "../kernels/elementary.ts";
import type { FrameConditions, SkyLight } from "./frame_conditions.ts";
import type { FramePointing } from "./frame_pointing.ts";
import { blackBodyWidth, type Passband, zeroMagnitudePhotons } from "./photometry.ts";
import { arcsecPerPixelOf, collectingAreaSquareCm, type Rig } from "./rig.ts";

const degree = Math.PI / 180;

/** One source of sky brightness through one band: rate · (1 + slope t + bend t²) with t = x Δx + y Δy. */
export interface SkyComponent {
  /** Electrons a pixel in the middle of the field. */
  readonly rate: number;
  /** Direction in which it grows, along x, a pixel; 1 / the distance of a corner in all. */
  readonly x: number;
  /** The same along y. */
  readonly y: number;
  /** Change from the middle to a corner's distance, share. */
  readonly slope: number;
  /** Second-order change along the same direction, share. */
  readonly bend: number;
}

/** Distance of a corner from the middle of the frame, pixels. */
export function cornerDistance({ width, height }: { readonly width: number; readonly height: number }): number {
  const xc = (width - 1) / 2;
  const yc = (height - 1) / 2;
  return Math.sqrt(xc * xc + yc * yc) || 1;
}

/**
 * The sky itself, brighter towards the town: the town lies on the horizon, so its bearing is counted from the direction
 * of the zenith, then turned into a direction on the sky.
 */
function darkSky(now: FrameConditions, pointing: FramePointing): SkyLight {
  const { air, altitudeDegrees, azimuthDegrees, zenithDegrees } = pointing;
  const away = (now.townAzimuthDegrees - azimuthDegrees) * degree;
  const bearing = atan2Portable(sinPortable(away), -sinPortable(altitudeDegrees * degree) * cosPortable(away)) / degree;
  return {
    ratio: 0.6 + 0.4 * air,
    temperatureK: 4200,
    slope: now.townSlope * air,
    bend: 0.35 * now.townSlope * air,
    positionAngleDegrees: zenithDegrees - bearing,
  };
}

/** The sources of sky brightness, for each band. */
export function skyComponents(
  rig: Rig,
  bands: readonly Passband[],
  now: FrameConditions,
  pointing: FramePointing,
): readonly (readonly SkyComponent[])[] {
  const scale = arcsecPerPixelOf(rig);
  const pixel = scale * scale;
  const skyFactor = Math.max(0.05, 1 + now.cloudLight * now.opacity);
  const corner = cornerDistance(rig);
  const sources = [darkSky(now, pointing), ...now.extraSky];
  return bands.map((band) =>
    sources.map((each) => {
      // of the direction, against the frame's top
      const angle = (each.positionAngleDegrees - pointing.upDegrees) * degree;
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
}

/** Add the sky of each pixel's own band. */
export function addSky(frame: Raster, skies: readonly (readonly SkyComponent[])[], mosaic: readonly number[]): void {
  const { data, width, height } = frame;
  const xc = (width - 1) / 2;
  const yc = (height - 1) / 2;
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      const sky = skies[mosaic.length === 0 ? 0 : mosaic[(y & 1) * 2 + (x & 1)]];
      for (const each of sky) {
        const t = (x - xc) * each.x + (y - yc) * each.y;
        data[i] += each.rate * Math.max(0, 1 + each.slope * t + each.bend * t * t);
      }
    }
  }
}

/** Electrons of a sky in the middle of the field. */
export const skyLevel = (sky: readonly SkyComponent[]): number => sky.reduce((sum, each) => sum + each.rate, 0);
