/** Samples on their way into the page. */
import { plainGeometry } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { deflate } from "../io/deflate.ts";
import { makePreview, partOf, wholeRegion } from "../view/preview.ts";
import { base64 } from "../view/sheet.ts";
import type { PackedPicture } from "./messages.ts";

/** Planes as float32: all first bytes, all second bytes …: equal bytes lie together and deflate well. */
function packedSamples(planes: readonly Float32Array[]): string {
  const size = planes.reduce((sum, { length }) => sum + length, 0);
  const mixed = new Uint8Array(4 * size);
  let at = 0;
  for (const plane of planes) {
    const bytes = new Uint8Array(plane.buffer, plane.byteOffset, plane.byteLength);
    for (let i = 0; i < plane.length; i++, at++) {
      for (let part = 0; part < 4; part++) mixed[part * size + at] = bytes[4 * i + part];
    }
  }
  return base64(deflate(mixed));
}

/** Samples in steps of a power of two, no more than a quarter of the noise: their low bytes are 0. */
function rounded(plane: Float32Array, noise: number): Float32Array {
  const step = 2 ** Math.floor(Math.log2(noise / 4));
  return plane.map((value) => Math.round(value / step) * step);
}

/** The image with every sample as it is, and its own name in the history. */
export function wholePicture(image: Image): PackedPicture {
  const { width, height, unit, header, geometry, planes, history } = image;
  return {
    title: `all ${width} × ${height} pixels`,
    realPixels: true,
    scale: 1,
    corner: [0, 0],
    width,
    height,
    channels: planes.map(({ channel }) => channel),
    unit,
    header,
    geometry,
    head: history.head,
    samples: packedSamples(planes.map(({ data }) => data)),
  };
}

/** What all copies have in common: rows on the screen's order, no place of their own. */
function copyOf(image: Image, planes: readonly Float32Array[], width: number, height: number) {
  return {
    width,
    height,
    channels: image.planes.map(({ channel }) => channel),
    unit: image.unit,
    header: image.header,
    geometry: plainGeometry,
    head: null,
    samples: packedSamples(planes),
  };
}

/** Planes of a preview with the rows in stored order again. */
function storedRows(plane: Float32Array, width: number, topDown: boolean): Float32Array {
  if (topDown) return plane;
  const height = plane.length / width;
  const out = new Float32Array(plane.length);
  for (let y = 0; y < height; y++) out.set(plane.subarray(y * width, (y + 1) * width), (height - 1 - y) * width);
  return out;
}

/** The whole image, shrunk by area means. */
export function reducedPicture(image: Image, width: number, noise: number): PackedPicture {
  const small = makePreview(image, { width, height: width });
  const planes = small.planes.map((plane) => rounded(storedRows(plane, small.width, small.topDown), noise));
  const scale = image.width / small.width;
  return {
    title: `the whole at 1/${scale.toFixed(1)}: noise looks smaller than it is`,
    realPixels: scale === 1,
    scale,
    corner: [0, 0],
    ...copyOf(image, planes, small.width, small.height),
  };
}

/** A part of the image in real pixels, about a point. */
export function partPicture(
  image: Image,
  { x, y }: { readonly x: number; readonly y: number },
  size: { readonly width: number; readonly height: number },
  noise: number,
): PackedPicture {
  const whole = wholeRegion(image);
  const width = Math.min(size.width, whole.width);
  const height = Math.min(size.height, whole.height);
  const corner = [
    Math.max(0, Math.min(whole.width - width, Math.round(x - width / 2))),
    Math.max(0, Math.min(whole.height - height, Math.round(y - height / 2))),
  ] as const;
  const part = partOf("workbench", image, { x: corner[0], y: corner[1], width, height });
  return {
    title: `a part in real pixels, ${width} × ${height} from x ${corner[0]}, y ${corner[1]}`,
    realPixels: true,
    scale: 1,
    corner,
    ...copyOf(image, part.planes.map(({ data }) => rounded(data, noise)), width, height),
  };
}
