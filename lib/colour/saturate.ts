/** More or less colour, without more colour noise. */
import { allocatePlane, derive, type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { screenColours } from "../kernels/screen_colour.ts";
import { measureSky } from "../measure/sky_level.ts";
import { colourPlanes, labOfPlanes } from "./oklab_image.ts";

/** Options of {@linkcode saturate}. */
export interface SaturateOptions {
  /** Factor on the chroma of what is clear of the sky; 1 changes nothing, 0 gives greys. */
  readonly factor: number;
  /**
   * The factor begins to act this many standard deviations of the sky's lightness above it, and acts in full at twice
   * that.
   */
  readonly aboveSky: number;
}

/**
 * What {@linkcode saturate} uses for an option left out: a fifth more, by our own judgement; clear of the sky is three
 * standard deviations, where one sky sample in a thousand is taken for an object.
 */
export const saturateDefaults: Readonly<SaturateOptions> = Object.freeze({ factor: 1.2, aboveSky: 3 });

/** How chroma is multiplied: factor on what lies above `from`, in full from `from + span`. */
interface SaturateSettings {
  readonly width: number;
  readonly factor: number;
  readonly from: number;
  readonly span: number;
}

/** Multiplies the chroma of rows of Oklab and draws them. */
export function saturateRows(band: Band<SaturateSettings>): void {
  const { width, factor, from, span } = band.parameters;
  const { read, write } = openBand(band);
  const [lightness, a, b] = read as Float32Array[];
  const { out, screen } = screenColours();
  for (let i = band.from * width; i < band.to * width; i++) {
    const l = lightness[i];
    const u = Math.max(0, Math.min(1, (l - from) / span));
    const gate = factor > 1 ? u * u * (3 - 2 * u) : 1;
    const v = Math.max(0, Math.min(1, (l - 0.85) / 0.15));
    const shoulder = factor > 1 ? 1 - v * v * (3 - 2 * v) : 1;
    const gain = 1 + (factor - 1) * gate * shoulder;
    screen(l, a[i] * gain, b[i] * gain);
    for (let c = 0; c < 3; c++) write[c][i] = l === l ? out[c] : NaN;
  }
}

const saturateTask: PoolTask<Band<SaturateSettings>, void> = {
  module: import.meta.url,
  name: "saturateRows",
  run: saturateRows,
};

/**
 * Multiply the chroma of a picture (Oklab), lightness and hue kept. The sky keeps its chroma when the factor is above
 * 1, so that its noise does not turn coloured, and near white the factor fades out, so that cores keep their shape. A
 * colour that the screen cannot show is taken back at equal hue.
 *
 * In:  unit "display", three planes. Out: the same. NaN in a channel gives NaN. Cost: about 0.5 µs a pixel.
 *
 * @throws {TypeError} if the image is linear or has not three planes
 * @throws {RangeError} if the factor is negative
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, saturate } from "faintlight";
 *
 * const grey = constantImage(2, 2, 0.5, { unit: "display", channels: ["R", "G", "B"] });
 * assert.ok(Math.abs(saturate(grey, { factor: 2 }).planes[0].data[0] - 0.5) < 1e-5);
 * ```
 */
export function saturate(image: Image, options: Partial<SaturateOptions> = {}): Image {
  const used = settle("saturate", saturateDefaults, options);
  requireDisplay("saturate", image);
  const { factor, aboveSky } = used;
  if (!(factor >= 0)) throw new RangeError(`saturate: factor must be ≥ 0, but got ${factor}`);
  if (!(aboveSky >= 0)) throw new RangeError(`saturate: aboveSky must be ≥ 0, but got ${aboveSky}`);
  const [red, green, blue] = colourPlanes("saturate", image);
  const { width, height } = image;
  const [lightness, a, b] = [0, 1, 2].map(() => allocatePlane(width, height));
  labOfPlanes([red, green, blue], [lightness, a, b], width, height);
  const [sky] = measureSky({ ...image, planes: [{ channel: "lightness", data: lightness }] });
  const from = sky.level + aboveSky * sky.noise;
  const span = Math.max(aboveSky * sky.noise, 1e-6);
  const out = image.planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  overBands(saturateTask, height, 3 * width, [lightness, a, b], out.map(({ data }) => data), {
    width,
    factor,
    from,
    span,
  });
  return derive(image, { planes: out }, { step: "saturate", options: used });
}
