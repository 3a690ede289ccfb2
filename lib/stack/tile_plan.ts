/** What the workers of a stack are told: plain values and shared arrays. */
import type { BayerPattern, Region } from "../core/geometry.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import type { Transform } from "../core/transform.ts";
import type { RegionSource } from "../io/read_region.ts";
import type { WarpKernel } from "../kernels/warp_tile.ts";
import type { PlaneScatter } from "./frame_scatter.ts";
import type { TrailBand } from "./trail_bands.ts";

/** One frame as a worker needs it: plain values and shared arrays. */
export interface FrameTask {
  /** Name for messages. */
  readonly name: string;
  /** Where the samples are: on disk, or planes in memory. */
  readonly pixels: RegionSource | readonly Float32Array[];
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Planes as stored. */
  readonly planes: number;
  /** Pattern of the mosaic to interpolate; null for mono frames and for planes that are colours already. */
  readonly bayer: BayerPattern | null;
  readonly correction: SensorCorrection | null;
  /** Saturated pixels of a frame in memory. */
  readonly mask: Uint8Array | null;
  /** Reference → frame. */
  readonly inverse: Transform;
  /** Frame → reference. */
  readonly transform: Transform;
  readonly weight: number;
  readonly normalisation: NormalisationSurface | null;
  /** Noise of the sky before normalisation, one a plane of the stack. */
  readonly noise: readonly number[];
  /** Variance a unit of signal after normalisation, one a plane of the stack. */
  readonly perUnit: readonly number[];
  /** Factor of the normalisation at the centre of the frame, one a plane. */
  readonly factor: readonly number[];
  /** Bands that trails cover. */
  readonly trails: readonly TrailBand[];
}

/** What all tiles of a stack share. */
export interface TilePlan {
  readonly frames: readonly FrameTask[];
  /** Planes of the stack. */
  readonly planes: number;
  /** Columns of the canvas. */
  readonly canvasWidth: number;
  /** Rows of the canvas. */
  readonly canvasHeight: number;
  /** Reference column of the canvas's first pixel. */
  readonly originX: number;
  /** Reference row of the canvas's first pixel. */
  readonly originY: number;
  /** Reference pixels a canvas pixel. */
  readonly scale: number;
  readonly kernel: WarpKernel;
  readonly ringLimit: number;
  /** Pixels of the largest tile with its margin: memory of one size is used again from tile to tile. */
  readonly largest: number;
  readonly rejection: "automatic" | "none";
  /** Limits of the outlier test by number of samples; Infinity for fewer than three, which the noise test judges. */
  readonly limits: Float32Array;
  /** How samples scatter, one a plane; null before it was measured and where nothing could be. */
  readonly scatter: readonly (PlaneScatter | null)[];
  /** How far a sample may differ besides noise, in ranges of the centres around it. */
  readonly structure: number;
  /** Limit of the noise test, in sigma. */
  readonly noiseLimit: number;
  readonly pairLimit: number;
  readonly seeing: number;
  /** Level of the sky in the reference, one a plane. */
  readonly sky: readonly number[];
  /** Neighbours that close a trail; 9 for never. */
  readonly trailNeighbours: number;
  /** Shared with all workers: 1 for a frame that could not be read. */
  readonly failed: Uint8Array;
}

/** Planes of the canvas that tiles write into, one array a plane of the stack unless said otherwise. */
export interface TileOutput {
  readonly mean: readonly Float32Array[];
  readonly variance: readonly Float32Array[];
  readonly weight: readonly Float32Array[];
  readonly halfA: readonly Float32Array[];
  readonly halfB: readonly Float32Array[];
  /** Numbers of samples, one plane each. */
  readonly coverage: Uint16Array;
  /** See coverage. */
  readonly dimmer: Uint16Array;
  /** See coverage. */
  readonly brighter: Uint16Array;
  /** One byte a pixel. */
  readonly mask: Uint8Array;
}

/** A piece of work. */
export interface TileJob {
  readonly plan: TilePlan;
  readonly tile: Region;
  readonly output: TileOutput;
}

/** A frame that could not be read. */
export interface FrameFailure {
  /** Its place in the plan. */
  readonly frame: number;
  /** Why. */
  readonly reason: string;
}

/** What came of it. */
export interface TileResult {
  /** Samples seen, over all planes. */
  readonly samples: number;
  readonly dimmer: number;
  readonly brighter: number;
  /** Samples left out because they lie beside a trail. */
  readonly closed: number;
  /** Frames that could not be read. */
  readonly failures: readonly FrameFailure[];
}
