/** Everything that makes one light frame what it is. */
import type { MotionStep } from "./render_stars.ts";

/** Kestrel Point, an invented place. */
export const site: { readonly latitudeDegrees: number; readonly longitudeDegrees: number } = Object.freeze({
  latitudeDegrees: 51.2,
  longitudeDegrees: -4.3,
});

/** Light of the sky besides its own: moon, dawn, a lamp. */
export interface SkyLight {
  /** Brightness in the middle of the field over that of the sky in the zenith at 550 nm. */
  readonly ratio: number;
  /** Temperature of a black body of its colour, kelvin. */
  readonly temperatureK: number;
  /** Change from the middle to the edge of the circle round the frame, share. */
  readonly slope: number;
  /** Second-order change along the same direction, share. */
  readonly bend: number;
  /** Direction on the sky in which it grows, from north through east, degrees. */
  readonly positionAngleDegrees: number;
}

/** A satellite or aircraft that crosses. */
export interface Streak {
  /** Where the path passes, pixels. */
  readonly through: readonly [number, number];
  /** Direction of the path, from +x towards +y, degrees. */
  readonly degrees: number;
  /** Electrons a pixel of its length. */
  readonly electronsPerPixel: number;
  /** Distance of a second, parallel trail, pixels; 0 for none (a satellite). */
  readonly doublePixels: number;
  /** Pixels between flashes; 0 for a steady trail. */
  readonly blinkPixels: number;
}

/** Something solid in the way: it stands before a part of the field, as the slit of a dome or a tree does. */
export interface Obstacle {
  /** Share of the frame's width or height, along its direction, that is shaded at least by half. */
  readonly share: number;
  /** Side that is shaded, from +x towards +y, degrees. */
  readonly degrees: number;
  /** Width of the edge, share of the frame's size along its direction: near things are far out of focus. */
  readonly softness: number;
}

/** Everything that makes one light frame what it is. */
export interface FrameConditions {
  /** Seed of this frame's noise. */
  readonly seed: number | string;
  /** Filter of a mono rig; ignored by a colour sensor. */
  readonly filter: string;
  /** Exposure, seconds. */
  readonly exposureSeconds: number;
  /** Start of the exposure, ISO UTC without zone. */
  readonly dateUtc: string;
  /** Where the middle of the frame points, arcseconds east and north of the scene's centre. */
  readonly pointing: readonly [number, number];
  /**
   * Position angle of the frame's top edge, from north through east, degrees; null: the zenith on an alt-azimuth
   * mount, north on an equatorial one.
   */
  readonly upDegrees: number | null;
  /** Sensor temperature, °C; null: the set temperature, or 15 °C without a cooler. */
  readonly temperatureC: number | null;
  /** Width of a star, arcseconds, before defocus and motion; null: the rig's. */
  readonly fwhmArcsec: number | null;
  /** Eccentricity before motion. */
  readonly eccentricity: number;
  /** Direction of the long axis before motion, from +x towards +y, degrees. */
  readonly elongationDegrees: number;
  /** Tilt of the sensor: change of FWHM² to a corner, share. */
  readonly tilt: number;
  /** Share of the light in a wide halo. */
  readonly haloShare: number;
  /** Brightness of the sky in the zenith, V magnitudes a square arcsecond. */
  readonly skyMagnitude: number;
  /** Azimuth of the town whose light spoils the sky, degrees. */
  readonly townAzimuthDegrees: number;
  /** Change of the sky across the frame by the town's light, share of the sky. */
  readonly townSlope: number;
  /** Moon, dawn, lamps. */
  readonly extraSky: readonly SkyLight[];
  /** Extinction of clear air, magnitudes a unit of airmass. */
  readonly extinction: number;
  /** Optical depth of cloud or dew. */
  readonly opacity: number;
  /** Variation of the optical depth over the frame, share. */
  readonly opacityVariation: number;
  /** Growth of the sky by a unit of optical depth: above 0 for cloud lit from below, below 0 for a dark place. */
  readonly cloudLight: number;
  /** Where the image stood during the exposure, beyond what the mount does by itself. */
  readonly motion: readonly MotionStep[];
  /** Outer radius of the ring that defocus makes of a star, pixels; 0 in focus. */
  readonly defocusPixels: number;
  /** Altitude of the target, degrees; null: where it stands at that time. */
  readonly altitudeDegrees: number | null;
  /**
   * Atmospheric dispersion over that of real air: 1 for real air, 0 for none. It draws stars out towards the zenith.
   */
  readonly dispersion: number;
  /** What stands before a part of the field; null for nothing. */
  readonly obstacle: Obstacle | null;
  /** Satellites and aircraft. */
  readonly streaks: readonly Streak[];
  /** Whether light gets in. */
  readonly shutterOpen: boolean;
  /** Cosmic rays a square centimetre and minute. */
  readonly cosmicRays: number;
}

/** A good frame of a dark, clear night in October. */
export const frameConditionsDefaults: FrameConditions = Object.freeze({
  seed: 1,
  filter: "Ha",
  exposureSeconds: 300,
  dateUtc: "2026-10-03T22:00:00",
  pointing: [0, 0] as const,
  upDegrees: null,
  temperatureC: null,
  fwhmArcsec: null,
  eccentricity: 0.2,
  elongationDegrees: 20,
  tilt: 0,
  haloShare: 0,
  skyMagnitude: 20.8,
  townAzimuthDegrees: 118,
  townSlope: 0.16,
  extraSky: [],
  extinction: 0.16,
  opacity: 0,
  opacityVariation: 0.3,
  cloudLight: 1.5,
  motion: [],
  defocusPixels: 0,
  altitudeDegrees: null,
  dispersion: 0,
  obstacle: null,
  streaks: [],
  shutterOpen: true,
  cosmicRays: 1,
});
