/** More or less colour, without more colour noise. */
import { oklabOfLinear, screenOfOklab, srgbToLinear } from "../core/colour_space.ts";
import { allocatePlane, derive, type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { measureSky } from "../measure/sky_level.ts";
import { colourPlanes } from "./oklab_image.ts";

/** Options of {@linkcode saturate}. */
export interface SaturateOptions {
  /** Factor on the chroma of what is clear of the sky; 1 changes nothing, 0 gives greys. */
  readonly factor: number;
  /** The factor begins to act this many standard deviations of the sky's lightness above it, and acts in full at twice that. */
  readonly aboveSky: number;
}

/**
 * What {@linkcode saturate} uses for an option left out: a fifth more, by our own judgement; clear of the sky is three
 * standard deviations, where one sky sample in a thousand is taken for an object.
 */
export const saturateDefaults: Readonly<SaturateOptions> = Object.freeze({ factor: 1.2, aboveSky: 3 });

/**
 * Multiply the chroma of a picture (Oklab), lightness and hue kept. The sky keeps its chroma when the factor is above 1,
 * so that its noise does not turn coloured, and near white the factor fades out, so that cores keep their shape. A colour
 * that the screen cannot show is taken back at equal hue.
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
  const lightness = allocatePlane(width, height), a = new Float32Array(red.length), b = new Float32Array(red.length);
  for (let i = 0; i < red.length; i++) {
    const lab = oklabOfLinear(srgbToLinear(red[i]), srgbToLinear(green[i]), srgbToLinear(blue[i]));
    lightness[i] = lab[0];
    a[i] = lab[1];
    b[i] = lab[2];
  }
  const [sky] = measureSky({ ...image, planes: [{ channel: "lightness", data: lightness }] });
  const from = sky.level + aboveSky * sky.noise, span = Math.max(aboveSky * sky.noise, 1e-6);
  const out = image.planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  for (let i = 0; i < red.length; i++) {
    const l = lightness[i];
    const u = Math.max(0, Math.min(1, (l - from) / span)), gate = factor > 1 ? u * u * (3 - 2 * u) : 1;
    const v = Math.max(0, Math.min(1, (l - 0.85) / 0.15)), shoulder = factor > 1 ? 1 - v * v * (3 - 2 * v) : 1;
    const gain = 1 + (factor - 1) * gate * shoulder;
    const shown = screenOfOklab(l, a[i] * gain, b[i] * gain);
    for (let c = 0; c < 3; c++) out[c].data[i] = l === l ? shown[c] : NaN;
  }
  return derive(image, { planes: out }, { step: "saturate", options: used });
}
