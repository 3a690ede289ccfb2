/**
 * FITS by region, headers, PNG and JPEG bytes. Nothing is defined here.
 * @module
 */

// core
import "../host/deno.ts";

export {
  type Card,
  card,
  cardNumber,
  cardText,
  type CardValue,
  cardValue,
  type Header,
  withCards,
  withoutCards,
} from "../core/header.ts";

// io
export { setUnpackFolder } from "../io/byte_source.ts";
export { describeFrame, type DescribeFrameOptions } from "../io/describe_frame.ts";
export { channelOfFilter, type FilterNames, filterNames, readFilterNames } from "../io/filter_names.ts";
export { encodeJpeg, type EncodeJpegOptions, type JpegSamples } from "../io/jpeg.ts";
export { FitsFile, type FitsSums, openFits, type OpenFitsOptions } from "../io/open_fits.ts";
export { readRegion, type RegionSource } from "../io/read_region.ts";
export { type FrameFile, type FrameSource, openPixels, type PixelSource } from "../io/pixel_source.ts";
export { encodePng16, type EncodePng16Options, type PngPlanes, type PngSamples } from "../io/png.ts";
export { type DecodedPng, decodePng, imageFromPng, readPngRecord } from "../io/decode_png.ts";
export { readFitsHeader, type ReadFitsOptions } from "../io/read_fits.ts";
export { type WholeContent, writeWhole } from "../io/write_whole.ts";

// pipeline
export { type ReadRecord, readRecord } from "../pipeline/record.ts";
