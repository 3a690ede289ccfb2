/** Colour spaces, made of exact operations (+ − × ÷ √) so that their bytes are the same on every machine. */

const bits = new DataView(new ArrayBuffer(8));

/**
 * Cube root, signed, to the last bit or two: Newton's rule from a guess at a third of the exponent.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { cubeRoot } from "lib/core/colour_space.ts";
 *
 * assert.ok(Math.abs(cubeRoot(-27) + 3) < 1e-15);
 * ```
 */
export function cubeRoot(x: number): number {
  if (x < 0) return -cubeRoot(-x);
  if (!(x > 0) || x === Infinity) return x;
  if (x < 1e-300) return cubeRoot(x * 1e300) * 1e-100;
  bits.setFloat64(0, x);
  bits.setInt32(0, Math.floor(bits.getInt32(0) / 3) + 0x2a9f7893);
  bits.setInt32(4, 0);
  let y = bits.getFloat64(0);
  // From 4 % each round squares the error: 2e-3, 2e-6, 4e-12, 1e-23.
  for (let k = 0; k < 4; k++) y -= (y - x / (y * y)) / 3;
  return y;
}

/** Fifth root of a number ≥ 0, to the last bit or two. */
function fifthRoot(x: number): number {
  if (!(x > 0) || x === Infinity) return x;
  if (x < 1e-300) return fifthRoot(x * 1e300) * 1e-60;
  bits.setFloat64(0, x);
  bits.setInt32(0, Math.floor(bits.getInt32(0) / 5) + 0x3325d0cd);
  bits.setInt32(4, 0);
  let y = bits.getFloat64(0);
  for (let k = 0; k < 5; k++) {
    const square = y * y;
    y -= (y - x / (square * square)) / 5;
  }
  return y;
}

/**
 * Encode a linear value for the screen (sRGB, IEC 61966-2-1:1999). Negative values follow the straight part.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { linearToSrgb } from "faintlight/colour";
 *
 * assert.ok(Math.abs(linearToSrgb(0.18) - 0.4613561295) < 1e-9);
 * ```
 */
export function linearToSrgb(x: number): number {
  if (x <= 0.0031308) return 12.92 * x;
  // x^(1/2.4) = x^(5/12), the fifth power of the twelfth root.
  const root = cubeRoot(Math.sqrt(Math.sqrt(x)));
  const square = root * root;
  return 1.055 * square * square * root - 0.055;
}

/**
 * Decode a screen value to a linear one (sRGB, IEC 61966-2-1:1999).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { srgbToLinear } from "faintlight/colour";
 *
 * assert.ok(Math.abs(srgbToLinear(0.5) - 0.2140411405) < 1e-9);
 * ```
 */
export function srgbToLinear(v: number): number {
  if (v <= 0.04045) return v / 12.92;
  const u = (v + 0.055) / 1.055;
  const square = u * u;
  return square * fifthRoot(square);
}

/**
 * Relative luminance (white = 1) of a CIE lightness L* of 0 … 100 (CIE 15:2004).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { lightnessToLuminance } from "faintlight/colour";
 *
 * assert.ok(Math.abs(lightnessToLuminance(15) - 0.019086) < 1e-6);
 * ```
 */
export function lightnessToLuminance(lightness: number): number {
  const f = (lightness + 16) / 116;
  return lightness > 8 ? f * f * f : lightness * 27 / 24389;
}

/** Three numbers that make a colour. */
export type Triple = readonly [number, number, number];

/**
 * Oklab (L, a, b) of a linear sRGB colour; matrices of Ottosson 2020. Negative light takes the signed cube root.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { linearToOklab } from "faintlight/colour";
 *
 * const [lightness, a, b] = linearToOklab(1, 0, 0);
 * assert.ok(Math.abs(lightness - 0.627955) < 1e-5 && Math.abs(a - 0.224863) < 1e-5 && Math.abs(b - 0.125846) < 1e-5);
 * ```
 */
export function linearToOklab(r: number, g: number, b: number): Triple {
  const l = cubeRoot(0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b);
  const m = cubeRoot(0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b);
  const s = cubeRoot(0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b);
  return [
    0.2104542553 * l + 0.793617785 * m - 0.0040720468 * s,
    1.9779984951 * l - 2.428592205 * m + 0.4505937099 * s,
    0.0259040371 * l + 0.7827717662 * m - 0.808675766 * s,
  ];
}

/**
 * Linear sRGB of an Oklab colour: the inverse of {@linkcode linearToOklab} to 1e-7 (the published inverse matrices).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { oklabToLinear, linearToOklab } from "faintlight/colour";
 *
 * const [r, g, b] = oklabToLinear(...linearToOklab(0.2, 0.4, 0.6));
 * assert.ok(Math.abs(r - 0.2) < 1e-6 && Math.abs(g - 0.4) < 1e-6 && Math.abs(b - 0.6) < 1e-6);
 * ```
 */
export function oklabToLinear(lightness: number, a: number, b: number): Triple {
  const l = lightness + 0.3963377774 * a + 0.2158037573 * b;
  const m = lightness - 0.1055613458 * a - 0.0638541728 * b;
  const s = lightness - 0.0894841775 * a - 1.291485548 * b;
  const l3 = l * l * l;
  const m3 = m * m * m;
  const s3 = s * s * s;
  return [
    4.0767416621 * l3 - 3.3077115913 * m3 + 0.2309699292 * s3,
    -1.2684380046 * l3 + 2.6097574011 * m3 - 0.3413193965 * s3,
    -0.0041960863 * l3 - 0.7034186147 * m3 + 1.707614701 * s3,
  ];
}

/**
 * The colour of an Oklab triple on the screen, encoded 0 … 1. A colour the screen cannot show loses chroma at equal
 * lightness and hue until it can (bisection, to 1/1000 of its chroma), so hue is kept. Lightness is held to 0 … 1.
 *
 * @example Too much chroma is taken down, hue stays
 * ```ts
 * import assert from "node:assert/strict";
 * import { linearToOklab, oklabToSrgb, srgbToLinear } from "faintlight/colour";
 *
 * const shown = oklabToSrgb(0.7, 0.4, 0.2);
 * assert.ok(shown.every((each) => each >= 0 && each <= 1));
 * const [, a, b] = linearToOklab(srgbToLinear(shown[0]), srgbToLinear(shown[1]), srgbToLinear(shown[2]));
 * assert.ok(Math.abs(Math.atan2(b, a) - Math.atan2(0.2, 0.4)) < 0.01);
 * ```
 */
export function oklabToSrgb(lightness: number, a: number, b: number): Triple {
  const light = lightness < 0 ? 0 : lightness > 1 ? 1 : lightness;
  // Rounding at the gamut's edge is no reason to lose chroma.
  const slack = 1e-6;
  const shows = (c: Triple) =>
    c[0] >= -slack && c[1] >= -slack && c[2] >= -slack && c[0] <= 1 + slack && c[1] <= 1 + slack && c[2] <= 1 + slack;
  let colour = oklabToLinear(light, a, b);
  if (!shows(colour) && colour[0] === colour[0]) {
    let low = 0;
    let high = 1;
    for (let k = 0; k < 10; k++) {
      const middle = (low + high) / 2;
      if (shows(oklabToLinear(light, a * middle, b * middle))) low = middle;
      else high = middle;
    }
    colour = oklabToLinear(light, a * low, b * low);
  }
  const encode = (x: number) => x <= 0 ? 0 : x >= 1 ? 1 : linearToSrgb(x);
  return [encode(colour[0]), encode(colour[1]), encode(colour[2])];
}
