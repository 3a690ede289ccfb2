/**
 * Files that exercise the writer, made the same way by the tests and by fixtures/fits/write.ts, whose result astropy
 * read.
 */
import { createImage } from "../../lib/doors/extend.ts";
import { card } from "../../lib/doors/io.ts";
import { type Image, writeFits, type WriteFitsOptions } from "../../lib/mod.ts";
import { parkMiller } from "../support/numbers.ts";

const width = 37;
const height = 11;

/** An image whose samples come from the minimal-standard generator. */
function scene(
  planes: readonly string[],
  sample: (u: number, index: number) => number,
  more: Partial<Image> = {},
): Image {
  const next = parkMiller(20261003);
  return createImage({
    width,
    height,
    unit: "adu",
    planes: planes.map((channel) => ({
      channel,
      data: Float32Array.from({ length: width * height }, (_, index) => sample(next() / 2147483647, index)),
    })),
    header: [
      card("OBJECT", "Lantern Nebula", "invented"),
      card("FILTER", planes.length === 1 ? planes[0] : ""),
      card("EXPTIME", 300, "[s] exposure"),
      card("CCD-TEMP", -10.25, "[degC]"),
      card("NOTE", "The observer's log of a long night: " + "clear, calm and cold; ".repeat(9) + "dawn.", "continued"),
      card("HIERARCH KESTREL DOME AZIMUTH", 123.5, "[deg]"),
      card("COMMENT", "written by a test"),
      card("HISTORY", "a step of long ago"),
    ],
    ...more,
  });
}

const sky = (u: number) => Math.round(1200 + 40 * u);
const fullRange = (u: number) => Math.floor(65536 * u);
const signed = (u: number) => Math.floor(65536 * u) - 32768;
const real = (u: number, index: number) => index % 50 === 7 ? NaN : 1e-3 * u + index;

/** One file: its name, and how it is written. `stable`: its bytes do not depend on a version of zlib. */
export interface WrittenFile {
  readonly name: string;
  readonly stable: boolean;
  readonly write: (path: string) => void;
}

const file = (name: string, image: Image, options: Partial<WriteFitsOptions>): WrittenFile => ({
  name,
  stable: options.compress === undefined || options.compress === null || options.compress === "RICE_1",
  write: (path) => writeFits(path, image, options),
});

/** Every file. */
export const writtenFiles: readonly WrittenFile[] = [
  file("float32", scene(["Ha"], real), {}),
  file("float64", scene(["Ha"], real), { bitpix: -64 }),
  file("uint8", scene(["L"], (u) => Math.floor(256 * u)), { bitpix: 8 }),
  file("uint16", scene(["L"], fullRange), { bitpix: 16 }),
  file("int16", scene(["L"], signed), { bitpix: 16 }),
  file("int16-blank", scene(["L"], (u, index) => index % 9 === 0 ? NaN : sky(u)), { bitpix: 16 }),
  file("int32", scene(["L"], (u) => Math.floor(4e6 * (u - 0.5))), { bitpix: 32 }),
  file("uint32", scene(["L"], (u) => 65536 * Math.floor(65536 * u)), { bitpix: 32 }),
  file("cube", scene(["R", "G", "B"], real), {}),
  file("rice-uint8", scene(["L"], (u) => Math.floor(256 * u * u)), { bitpix: 8, compress: "RICE_1" }),
  file("rice-uint16-sky", scene(["OIII"], sky), { bitpix: 16, compress: "RICE_1" }),
  file("rice-uint16-noise", scene(["OIII"], fullRange), { bitpix: 16, compress: "RICE_1" }),
  file("rice-uint16-constant", scene(["OIII"], () => 777), { bitpix: 16, compress: "RICE_1" }),
  file("rice-int16-spikes", scene(["L"], (u, index) => index % 40 === 3 ? signed(u) : 5), {
    bitpix: 16,
    compress: "RICE_1",
  }),
  file("rice-int32", scene(["L"], (u, index) => index % 30 === 3 ? 65536 * signed(u) : sky(u)), {
    bitpix: 32,
    compress: "RICE_1",
  }),
  file("rice-cube", scene(["R", "G", "B"], sky), { bitpix: 16, compress: "RICE_1" }),
  file("rice-blank", scene(["L"], (u, index) => index % 9 === 0 ? NaN : sky(u)), { bitpix: 16, compress: "RICE_1" }),
  file("gzip1-uint16", scene(["L"], sky), { bitpix: 16, compress: "GZIP_1" }),
  file("gzip2-int32", scene(["L"], (u) => Math.floor(4e6 * (u - 0.5))), { bitpix: 32, compress: "GZIP_2" }),
  file("gzip1-float32", scene(["Ha"], real), { compress: "GZIP_1" }),
  file("gzip2-float32-cube", scene(["Ha", "OIII"], real), { compress: "GZIP_2" }),
  file("gzip2-float64", scene(["Ha"], real), { bitpix: -64, compress: "GZIP_2" }),
  file(
    "extras",
    scene(["Ha"], real, {
      mask: Uint8Array.from({ length: width * height }, (_, index) => index % 3),
      variance: [Float32Array.from({ length: width * height }, (_, index) => index / 7)],
      coverage: new Float32Array(width * height).fill(12),
      geometry: {
        origin: { x: 4, y: 2 },
        scale: 2,
        arcsecPerPixel: 1.0908,
        bayer: null,
        wcs: {
          ctype: ["RA---TAN", "DEC--TAN"],
          referencePixel: { x: 17.5, y: 5.25 },
          referenceDegrees: [83.8221, -5.3911],
          cd: [-0.000303, 1e-6, 1e-6, 0.000303],
        },
      },
    }),
    {},
  ),
  {
    name: "parts",
    stable: true,
    write: (path) =>
      writeFits(path, [
        { name: "", image: scene(["Ha"], real) },
        { name: "WEIGHT", image: scene(["L"], (u) => u) },
        { name: "COUNT", image: scene(["L"], sky), bitpix: 16 },
      ]),
  },
];
