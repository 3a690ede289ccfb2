/** Single samples of one colour, from a plane or from a mosaic. */
import type { Image } from "../core/image.ts";

/** Reads one colour of an image: a plane, or the pixels of a mosaic with that colour. */
export interface ChannelReader {
  /** Its name. */
  readonly channel: string;
  /** The plane or the mosaic. */
  readonly data: Float32Array;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /**
   * Step from a pixel to the one of this colour in its 2 × 2 block, by parity of row and column; null for a full
   * plane.
   */
  readonly step: Int32Array | null;
}

/** One reader a plane of an image, or three for the colours of a mosaic. */
export function channelReaders(image: Image): ChannelReader[] {
  const { width, height, planes, geometry: { bayer } } = image;
  if (bayer === null || planes.length !== 1) {
    return planes.map(({ channel, data }) => ({ channel, data, width, height, step: null }));
  }
  return ["R", "G", "B"].map((channel) => {
    const step = new Int32Array(4);
    for (let p = 0; p < 4; p++) {
      const x = p & 1;
      const y = p >> 1;
      if (bayer[p] === channel) continue;
      // a neighbour in the same row or column when it has the colour (green), else the diagonal one
      const beside = bayer[y * 2 + 1 - x] === channel;
      const below = bayer[(1 - y) * 2 + x] === channel;
      const dx = beside || !below ? 1 - 2 * x : 0;
      const dy = beside ? 0 : 1 - 2 * y;
      step[p] = dx + dy * width;
    }
    return { channel, data: planes[0].data, width, height, step };
  });
}

/**
 * The sample of the colour at a pixel, or at the nearest one of its 2 × 2 block that has the colour; NaN outside and
 * without data.
 */
export function sampleAt(reader: ChannelReader, x: number, y: number): number {
  const { data, width, height, step } = reader;
  if (x < 0 || y < 0 || x >= width || y >= height) return NaN;
  const at = y * width + x;
  if (step === null) return data[at];
  const to = at + step[(y & 1) * 2 + (x & 1)];
  return to >= 0 && to < data.length ? data[to] : NaN;
}
