/** A frame of a stack, and how it is opened. */
import { FrameError } from "../core/errors.ts";
import type { BayerPattern, Point } from "../core/geometry.ts";
import type { Header } from "../core/header.ts";
import type { Recorded } from "../core/history.ts";
import { type Image, requireLinear, type Unit } from "../core/image.ts";
import { borrowPlane } from "../core/memory.ts";
import { evaluateNormalisation, type NormalisationSurface } from "../core/normalisation.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { applyTransform, identityTransform, invertTransform, type Transform } from "../core/transform.ts";
import { bayerFromHeader, describeFrame } from "../io/describe_frame.ts";
import { channelsOf } from "../io/image_cards.ts";
import type { PlacedHdu } from "../io/fits_layout.ts";
import { type FitsFile, openFits } from "../io/open_fits.ts";
import type { RegionSource } from "../io/read_region.ts";
import { type FrameSource, pathOrImage } from "../io/pixel_source.ts";
import { assertWhole, fullHeader } from "../io/read_fits.ts";
import { frameLevels } from "./frame_levels.ts";
import type { FrameTask } from "./tile_plan.ts";
import type { TrailBand } from "./trail_bands.ts";

/** One frame of a stack. What is left out takes the neutral value. */
export interface FrameToStack {
  /** Path of a FITS file, a frame record or light, or an image. */
  readonly source: FrameSource;
  /** Name in reports; the path, or "frame 3", when left out. */
  readonly name?: string;
  /**
   * Frame pixel → reference pixel; the identity when left out. A frame with null has no map: it is left out and
   * reported.
   */
  readonly transform?: Transform | null;
  /**
   * Weight in the mean, ≥ 0; for extended flux proportional to 1 / variance of the normalised sky. 1 when
   * left out.
   */
  readonly weight?: number;
  /** Calibration to apply on the fly; null or left out for frames that are calibrated. */
  readonly correction?: SensorCorrection | null;
  /** Scale and offset to apply after resampling. */
  readonly normalisation?: NormalisationSurface | null;
  /** Mosaic of a file, null for none; left out, the correction or else the header tells. Images tell it themselves. */
  readonly bayer?: BayerPattern | null;
  /** Gain in electrons per ADU, for the noise of bright pixels; estimated from sky and noise when null. */
  readonly electronsPerAdu?: number | null;
  /** Noise of the sky before normalisation, unit of the frame, one a plane of the stack; measured when left out. */
  readonly noise?: readonly number[] | null;
  /** Bands that trails cover: left out where other frames show the place, unless nothing is rejected. */
  readonly trails?: readonly TrailBand[];
}

/** A frame ready to be read by workers, and what the stack must know of it. */
export interface OpenFrame {
  /** What a worker needs. */
  readonly task: FrameTask;
  /** Level of its sky after normalisation, one a plane. */
  readonly sky: readonly number[];
  /** Unit of its samples. */
  readonly unit: Unit;
  /** Channels it gives to the stack. */
  readonly channels: readonly string[];
  /** History of an image in memory; null for a file. */
  readonly recorded: Recorded | null;
  /** Columns when each row of the file is compressed as a whole, else 0. */
  readonly wholeRows: number;
}

/** Planes on shared memory, so that workers need no copy. */
const shared = (data: Float32Array): Float32Array => {
  if (data.buffer instanceof SharedArrayBuffer) return data;
  const out = borrowPlane(data.length);
  out.set(data);
  return out;
};

/** What a source tells of its pixels. */
interface SourcePixels extends Pick<OpenFrame, "unit" | "channels" | "recorded" | "wholeRows"> {
  readonly pixels: FrameTask["pixels"];
  readonly width: number;
  readonly height: number;
  readonly planes: number;
  readonly bayer: BayerPattern | null;
  readonly mask: Uint8Array | null;
}

/** The first image of a file, ready to be read by regions. */
function openRegions(
  path: string,
  spilled: FitsFile[],
): { readonly first: PlacedHdu; readonly header: Header; readonly pixels: RegionSource } {
  const file = openFits(path);
  try {
    const first = file.firstImage();
    const header = fullHeader(file, first);
    assertWhole(file, first);
    const pixels = file.regionSource(first.index);
    // A plain file needs no open descriptor; a file that was unpacked for reading goes when it is closed.
    if (pixels.file === path) file.close();
    else spilled.push(file);
    return { first, header, pixels };
  } catch (error) {
    file.close();
    throw error;
  }
}

/** The pixels of a file; one that had to be unpacked joins `spilled` and is to be closed when the stack is made. */
function openFile(path: string, frame: FrameToStack, spilled: FitsFile[]): SourcePixels {
  const { first, header, pixels } = openRegions(path, spilled);
  const { width, height, planes } = first;
  const pattern = frame.correction ? frame.correction.bayer : bayerFromHeader(header);
  const bayer = frame.bayer !== undefined ? frame.bayer : pattern;
  return {
    pixels,
    width,
    height,
    planes,
    bayer,
    channels: channelsOf(header, planes, bayer, describeFrame(header).filter),
    unit: "adu",
    recorded: null,
    mask: null,
    wholeRows: first.compression !== null ? width : 0,
  };
}

/** The pixels of an image in memory. */
function openImage(image: Image): SourcePixels {
  requireLinear("stackFrames", image);
  const { width, height, unit, mask } = image;
  return {
    pixels: image.planes.map((plane) => shared(plane.data)),
    width,
    height,
    planes: image.planes.length,
    bayer: image.geometry.bayer,
    channels: image.planes.map((plane) => plane.channel),
    unit,
    recorded: image,
    mask,
    wholeRows: 0,
  };
}

/** Refuse a calibration that belongs to other frames. */
function requireCorrection(name: string, { width, height, planes }: SourcePixels, correction: SensorCorrection): void {
  if (correction.width !== width || correction.height !== height) {
    throw new FrameError(
      name,
      "wrong-shape",
      `has ${width} × ${height} pixels where its calibration has ${correction.width} × ${correction.height}`,
      "use the calibration of its own camera and binning",
    );
  }
  if (planes !== 1) {
    throw new FrameError(name, "wrong-shape", `has ${planes} planes, but calibration works on raw frames of one`);
  }
}

/** Factor and offset of a normalisation at a place of the reference, one entry a plane. */
function normalisationAt(
  surface: NormalisationSurface | null,
  planes: number,
  place: Point,
): { readonly factor: number[]; readonly offset: number[] } {
  const factor: number[] = [];
  const offset: number[] = [];
  for (let plane = 0; plane < planes; plane++) {
    const scale = Float32Array.of(1);
    const shift = Float32Array.of(0);
    if (surface !== null) {
      evaluateNormalisation(surface, plane, { ...place, step: 1, width: 1, height: 1 }, scale, shift);
    }
    factor.push(scale[0]);
    offset.push(shift[0]);
  }
  return { factor, offset };
}

/**
 * Open a frame and measure its sky.
 *
 * @param name for messages
 * @param spilled receives a file that is to be closed when the stack is made
 * @throws {FrameError} if it cannot be read or does not fit its calibration
 */
export function openFrame(frame: FrameToStack, name: string, spilled: FitsFile[]): OpenFrame {
  const { weight = 1, correction = null, normalisation = null } = frame;
  const transform = frame.transform ?? identityTransform;
  const source = pathOrImage(frame.source);
  const found = typeof source === "string" ? openFile(source, frame, spilled) : openImage(source);
  const { pixels, width, height, planes, unit, recorded, mask, wholeRows } = found;
  const bayer = planes === 1 ? found.bayer : null;
  const channels = bayer === null ? found.channels : ["R", "G", "B"];
  if (correction !== null) requireCorrection(name, found, correction);

  const inverse = invertTransform(transform);
  const levels = frameLevels(pixels, { width, height, planes, bayer, correction });
  const centre = applyTransform(transform, (width - 1) / 2, (height - 1) / 2);
  const { factor, offset } = normalisationAt(normalisation, channels.length, centre);
  const gain = frame.electronsPerAdu ?? null;
  const perUnit = levels.map(({ level, noise }, plane) =>
    gain !== null ? factor[plane] / gain : level > 0 ? noise * noise / Math.max(level, noise) * factor[plane] : 0
  );
  const task: FrameTask = {
    name,
    pixels,
    width,
    height,
    planes,
    bayer,
    correction,
    mask,
    inverse,
    transform,
    weight,
    normalisation,
    noise: frame.noise ?? levels.map((each) => each.noise),
    perUnit,
    factor,
    trails: frame.trails ?? [],
  };
  const sky = levels.map(({ level }, plane) => level * factor[plane] + offset[plane]);
  return { task, sky, unit, channels, recorded, wholeRows };
}
