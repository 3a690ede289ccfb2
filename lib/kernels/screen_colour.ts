/**
 * Colours of a screen to Oklab and back, for whole planes: the functions of core/colour_space.ts with the sRGB curves
 * from tables and cube roots in two steps, without arrays on the way. They agree with those to 1e-8, far below a step
 * of 16 bits.
 */
import { linearToSrgb, srgbToLinear } from "../core/colour_space.ts";

/** Steps of the tables: straight lines between them are true to 2e-9. */
const STEPS = 16384;
let decodeTable: Float64Array | null = null;
let encodeTable: Float64Array | null = null;

function tables(): readonly [Float64Array, Float64Array] {
  if (decodeTable === null || encodeTable === null) {
    decodeTable = Float64Array.from({ length: STEPS + 2 }, (_, k) => srgbToLinear(k / STEPS));
    // Over the square root of the light, where the curve bends hardly at all.
    encodeTable = Float64Array.from({ length: STEPS + 2 }, (_, k) => linearToSrgb((k / STEPS) * (k / STEPS)));
  }
  return [decodeTable, encodeTable];
}

const float = new Float64Array(1);
const halves = new Int32Array(float.buffer);
const upper = new Uint8Array(Uint16Array.of(1).buffer)[0] === 1 ? 1 : 0;

/** Cube root, signed, to 1e-13: a guess at a third of the exponent and two steps of Halley's rule. */
function fastCubeRoot(x: number): number {
  const size = x < 0 ? -x : x;
  if (!(size > 1e-300)) return size === size ? 0 : NaN;
  float[0] = size;
  halves[upper] = Math.floor(halves[upper] / 3) + 0x2a9f7893;
  halves[1 - upper] = 0;
  let y = float[0];
  let cube = y * y * y;
  y *= (cube + 2 * size) / (2 * cube + size);
  cube = y * y * y;
  y *= (cube + 2 * size) / (2 * cube + size);
  return x < 0 ? -y : y;
}

/** Converts colours; the result of a call is in the fields until the next call. */
export interface ScreenColours {
  /** First, second and third number of the last result. */
  readonly out: Float64Array;
  /** Linear light of a screen value; beyond 0 … 1 by the formula. */
  readonly decode: (v: number) => number;
  /** Oklab of screen values. */
  readonly lab: (r: number, g: number, b: number) => void;
  /** Oklab lightness of a screen grey. */
  readonly lightness: (v: number) => number;
  /** Screen values of an Oklab colour; one the screen cannot show loses chroma at equal lightness and hue. */
  readonly screen: (lightness: number, a: number, b: number) => void;
}

/** A converter of its own for a thread's loop. */
export function screenColours(): ScreenColours {
  const [decoded, encoded] = tables();
  const out = new Float64Array(3);
  const decode = (v: number): number => {
    if (!(v >= 0 && v <= 1)) return srgbToLinear(v);
    const p = v * STEPS;
    const k = Math.floor(p);
    return decoded[k] + (p - k) * (decoded[k + 1] - decoded[k]);
  };
  const encode = (x: number): number => {
    if (!(x > 0)) return x <= 0 ? 0 : NaN;
    if (x >= 1) return 1;
    if (x <= 0.0031308) return 12.92 * x;
    const p = Math.sqrt(x) * STEPS;
    const k = Math.floor(p);
    return encoded[k] + (p - k) * (encoded[k + 1] - encoded[k]);
  };
  const lab = (red: number, green: number, blue: number): void => {
    const r = decode(red);
    const g = decode(green);
    const b = decode(blue);
    const l = fastCubeRoot(0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b);
    const m = fastCubeRoot(0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b);
    const s = fastCubeRoot(0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b);
    out[0] = 0.2104542553 * l + 0.793617785 * m - 0.0040720468 * s;
    out[1] = 1.9779984951 * l - 2.428592205 * m + 0.4505937099 * s;
    out[2] = 0.0259040371 * l + 0.7827717662 * m - 0.808675766 * s;
  };
  // The greys of the matrices above are white to 1e-9, so that lightness is the cube root of the light.
  const lightness = (v: number): number => fastCubeRoot(decode(v));
  const slack = 1e-6;
  /** Light of a colour with a share of its chroma, into the fields; whether the screen can show it. */
  const shows = (light: number, a: number, b: number): boolean => {
    const l = light + 0.3963377774 * a + 0.2158037573 * b;
    const m = light - 0.1055613458 * a - 0.0638541728 * b;
    const s = light - 0.0894841775 * a - 1.291485548 * b;
    const l3 = l * l * l;
    const m3 = m * m * m;
    const s3 = s * s * s;
    const r = 4.0767416621 * l3 - 3.3077115913 * m3 + 0.2309699292 * s3;
    const g = -1.2684380046 * l3 + 2.6097574011 * m3 - 0.3413193965 * s3;
    const c = -0.0041960863 * l3 - 0.7034186147 * m3 + 1.707614701 * s3;
    out[0] = r;
    out[1] = g;
    out[2] = c;
    return r >= -slack && g >= -slack && c >= -slack && r <= 1 + slack && g <= 1 + slack && c <= 1 + slack;
  };
  const screen = (lightness: number, a: number, b: number): void => {
    const light = lightness < 0 ? 0 : lightness > 1 ? 1 : lightness;
    if (!shows(light, a, b) && out[0] === out[0]) {
      let low = 0;
      let high = 1;
      for (let k = 0; k < 10; k++) {
        const middle = (low + high) / 2;
        if (shows(light, a * middle, b * middle)) low = middle;
        else high = middle;
      }
      shows(light, a * low, b * low);
    }
    out[0] = encode(out[0]);
    out[1] = encode(out[1]);
    out[2] = encode(out[2]);
  };
  return { out, decode, lab, lightness, screen };
}
