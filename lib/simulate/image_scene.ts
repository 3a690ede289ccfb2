/** The image of a scene on the sensor: stars and extended emission, as the optics and the motion draw them. */
import type { Raster } from "../core/raster.ts";
import { applyTransform, invertMatrix } from "../core/transform.ts";
import { expPortable, logPortable, powPortable } from "../kernels/elementary.ts";
import { convolveCut, defocusRing } from "./defocus.ts";
import { extendedEmission } from "./extended_emission.ts";
import type { ImagedField } from "./imaged_field.ts";
import { blackBodyWidth, type Passband, zeroMagnitudePhotons } from "./photometry.ts";
import { type PsfShape, renderStars, type StarImage } from "./render_stars.ts";
import { collectingAreaSquareCm, passbandOf, type Rig } from "./rig.ts";

/** A star of the scene on the padded frame. */
interface FieldStar {
  readonly x: number;
  readonly y: number;
  /** Electrons through each band. */
  readonly fluxes: readonly number[];
}

/** Pixels beyond the padded frame in which a star is still drawn: its wings reach in. */
const starMargin = 60;

/** Bands that the sensor's pixels see: one, or R, G, B. */
export const bandsOf = (rig: Rig, filter: string): readonly Passband[] =>
  rig.bayer === null ? [passbandOf(rig, filter)] : rig.bands;

/** Number of the band of each pixel of the 2 × 2 mosaic block in reading order; empty for mono. */
export const mosaicOf = (rig: Rig): readonly number[] =>
  rig.bayer === null ? [] : [...rig.bayer].map((c) => "RGB".indexOf(c));

/** Pixels to draw beyond each border for a defocus. */
export const paddingFor = (defocusPixels: number): number => defocusPixels > 0 ? Math.ceil(defocusPixels) + 2 : 0;

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

function fieldStars(field: ImagedField, bands: readonly Passband[]): FieldStar[] {
  const { rig, scene, padding, clearSeconds } = field;
  const toPixel = invertMatrix(field.skyMatrix);
  const rates = bands.map((band) => starRates(rig, band));
  const margin = starMargin + padding;
  const stars: FieldStar[] = [];
  for (const star of scene.stars) {
    const { x, y } = applyTransform({ kind: "similarity", matrix: toPixel }, star.east, star.north);
    if (x < -margin || y < -margin || x > rig.width + margin || y > rig.height + margin) continue;
    const above = powPortable(10, -0.4 * star.magnitude) * clearSeconds;
    const fluxes = rates.map((rate) => above * rate(star.temperatureK));
    stars.push({ x: x + padding, y: y + padding, fluxes });
  }
  return stars;
}

/** Shape of a star's image in a frame. */
export const psfOf = ({ rig, now, motion, fwhmPixels }: ImagedField): PsfShape => ({
  fwhmPixels,
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
});

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

/** Through defocus every band is drawn by itself, spread, and only then sampled by the mosaic. */
function imageDefocused(field: ImagedField, bands: readonly Passband[], centre: readonly number[]): Float32Array {
  const { rig, scene, now, padding } = field;
  const stars = fieldStars(field, bands);
  const psf = psfOf(field);
  const taps = defocusRing(now.defocusPixels, rig.obstruction);
  const width = rig.width + 2 * padding;
  const height = rig.height + 2 * padding;
  const planes = bands.map((band, channel) => {
    const canvas: Raster = scene.glow === null
      ? { width, height, data: new Float32Array(width * height) }
      : extendedEmission(field, band, scene.glow);
    renderStars(canvas, stars.map(({ x, y, fluxes }) => ({ x, y, flux: fluxes[channel] })), psf, { centre });
    return convolveCut(canvas, padding, taps);
  });
  return mosaicked(planes, mosaicOf(rig), rig.width, rig.height);
}

function imageInFocus(field: ImagedField, bands: readonly Passband[], centre: readonly number[]): Float32Array {
  const { rig, scene } = field;
  const { width, height } = rig;
  const { glow } = scene;
  const mosaic = mosaicOf(rig);
  const data = glow === null
    ? new Float32Array(width * height)
    : mosaicked(bands.map((band) => extendedEmission(field, band, glow).data), mosaic, width, height);
  const images: StarImage[] = fieldStars(field, bands).map(({ x, y, fluxes }) => ({
    x,
    y,
    flux: mosaic.length === 0 ? fluxes[0] : fluxes as unknown as [number, number, number],
  }));
  renderStars({ width, height, data }, images, psfOf(field), { mosaic, centre });
  return data;
}

/** Electrons of stars and extended emission, before clouds, sky and vignetting. */
export function imageScene(field: ImagedField): Float32Array {
  const { rig, now, padding } = field;
  const bands = bandsOf(rig, now.filter);
  const centre = [(rig.width - 1) / 2 + padding, (rig.height - 1) / 2 + padding];
  return padding > 0 ? imageDefocused(field, bands, centre) : imageInFocus(field, bands, centre);
}
