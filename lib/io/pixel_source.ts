/** One way to read pixels, whether a frame lies in memory or on disk. */
import type { Geometry, Region } from "../core/geometry.ts";
import type { Header } from "../core/header.ts";
import type { Image } from "../core/image.ts";
import { bayerFromHeader, describeFrame } from "./describe_frame.ts";
import { channelsOf, geometryOf } from "./image_cards.ts";
import { openFits } from "./open_fits.ts";
import { assertWhole, fullHeader } from "./read_fits.ts";

/** A frame on disk: a frame record, a light of a night, anything that knows its path. */
export interface FrameFile {
  /** Path of the FITS file. */
  readonly path: string;
}

/** A frame to read: an image in memory, the path of a FITS file, or whatever knows its path. */
export type FrameSource = Image | FrameFile | string;

/** A frame as its readers tell them apart: the path of a file, or an image. */
export const pathOrImage = (source: FrameSource): string | Image =>
  typeof source === "string" ? source : "path" in source ? source.path : source;

/** An open frame. */
export interface PixelSource {
  /** Path of the file, `""` for an image in memory. */
  readonly name: string;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Channel names, one a plane. */
  readonly channels: readonly string[];
  /** Header cards. */
  readonly header: Header;
  /** Geometry. */
  readonly geometry: Geometry;
  /** Samples of a region of one plane, row by row, in a new array. */
  readonly readRegion: (region: Region, plane: number) => Float32Array;
  /** Let go of the file. */
  readonly close: () => void;
}

function sourceOfImage(image: Image): PixelSource {
  const { width, height, header, geometry } = image;
  return {
    name: "",
    width,
    height,
    channels: image.planes.map((plane) => plane.channel),
    header,
    geometry,
    readRegion: (region, plane) => {
      const out = new Float32Array(region.width * region.height);
      const { data } = image.planes[plane];
      for (let y = 0; y < region.height; y++) {
        const from = (region.y + y) * width + region.x;
        out.set(data.subarray(from, from + region.width), y * region.width);
      }
      return out;
    },
    close: () => {},
  };
}

function sourceOfFile(path: string): PixelSource {
  const file = openFits(path);
  try {
    const hdu = file.firstImage();
    assertWhole(file, hdu);
    const header = fullHeader(file, hdu);
    const bayer = bayerFromHeader(header);
    return {
      name: path,
      width: hdu.width,
      height: hdu.height,
      channels: channelsOf(header, hdu.planes, bayer, describeFrame(header).filter),
      header,
      geometry: geometryOf(header, bayer),
      readRegion: (region, plane) => file.readRegion(hdu.index, region, plane),
      close: () => file.close(),
    };
  } catch (error) {
    file.close();
    throw error;
  }
}

/**
 * Open a frame for reading by regions.
 *
 * @throws {FrameError} if a file cannot be used
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { openPixels } from "faintlight/io";
 *
 * const source = openPixels(constantImage(4, 3, 7));
 * assert.deepEqual([...source.readRegion({ x: 1, y: 1, width: 2, height: 1 }, 0)], [7, 7]);
 * ```
 */
export function openPixels(source: FrameSource): PixelSource {
  const frame = pathOrImage(source);
  return typeof frame === "string" ? sourceOfFile(frame) : sourceOfImage(frame);
}
