/** What the workbench's page is given, and what it and the library in its worker say to each other. */
import type { Geometry } from "../core/geometry.ts";
import type { Header } from "../core/header.ts";
import type { Unit } from "../core/image.ts";
import type { StepOptions } from "../pipeline/step.ts";

/** What an image is besides its samples. */
export interface PictureFacts {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Channel of each plane. */
  readonly channels: readonly string[];
  /** What a sample counts. */
  readonly unit: Unit;
  /** FITS cards that came with the data. */
  readonly header: Header;
  /** Where it lies. */
  readonly geometry: Geometry;
  /** Id in the history of the image in the kernel; null for a copy of a part of it. */
  readonly head: string | null;
}

/** Samples that travel in the page. */
export interface PackedPicture extends PictureFacts {
  /** What it is, for the person: the whole, a copy, a part. */
  readonly title: string;
  /** Whether its pixels are those of the image, so that steps of a scale in pixels tell the truth on them. */
  readonly realPixels: boolean;
  /** Pixels of the image along one pixel of this. */
  readonly scale: number;
  /** Column and row of the image where this begins, as stored. */
  readonly corner: readonly [x: number, y: number];
  /** Planes as float32: all first bytes, all second bytes …, deflated, in base64. */
  readonly samples: string;
}

/** One call of a step of the library. */
export interface StepCall {
  /** Name of the library function. */
  readonly step: string;
  /** Its options. */
  readonly options: StepOptions;
  /** Which of its results goes on; `""` for the only one. */
  readonly output: string;
}

/** Levels along the brightness strip: the inverse hyperbolic sine of the distance from the sky, in three noises. */
export interface StripAxis {
  /** Level of the sky, unit of the image. */
  readonly sky: number;
  /** Noise of the sky, unit of the image. */
  readonly noise: number;
  /** Where the strip begins and ends, in the units of its axis. */
  readonly ends: readonly [first: number, last: number];
}

/** The picture in linear levels for the screen: area means over 1, 2, 4 … pixels. */
export interface PictureLevel {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Red, green, blue and 1 for each pixel, first row on top; all 0 where there are no data. */
  readonly samples: Float32Array<ArrayBuffer>;
}

/** What the page asks of the worker. */
export type Request =
  | {
    readonly kind: "begin";
    readonly kernels: Uint8Array<ArrayBuffer>;
  }
  | {
    readonly kind: "open";
    readonly facts: PictureFacts;
    readonly planes: readonly Float32Array<ArrayBuffer>[];
  }
  | {
    readonly kind: "run";
    readonly id: number;
    /** Steps before the stretch. */
    readonly linear: readonly StepCall[];
    /** The stretch and the steps behind it. */
    readonly finished: readonly StepCall[];
    /** Linear levels that the page holds already; the same calls are not sent again. */
    readonly held: string;
    readonly axis: StripAxis;
  };

/** What was made for a request. */
export interface Made {
  readonly kind: "made";
  readonly id: number;
  readonly width: number;
  readonly height: number;
  /** The picture, red, green, blue, opacity in 8 bits, first row on top. */
  readonly pixels: Uint8ClampedArray<ArrayBuffer>;
  /** Share of samples at 0 and at 1. */
  readonly clipped: readonly [black: number, white: number];
  /** The picture's id in the history. */
  readonly head: string;
  /** SHA-256 of its samples. */
  readonly digest: string;
  readonly seconds: number;
  /** Linear levels before the stretch, unless the page has them. */
  readonly levels: readonly PictureLevel[] | null;
  /** Samples along the strip, before the stretch, one list a channel; null with `levels`. */
  readonly counts: readonly Uint32Array[] | null;
}

/** What the worker answers. */
export type Answer = Made | { readonly kind: "failed"; readonly id: number; readonly message: string };
