/**
 * Faintlight: from a night of raw FITS frames to a finished picture, with the evidence of every step.
 *
 * This is the only public door; nothing is defined here.
 * @module
 */

// core
export * from "./core/errors.ts";
export * from "./core/options.ts";
export * from "./core/header.ts";
export * from "./core/mask.ts";
export * from "./core/history.ts";
export * from "./core/geometry.ts";
export * from "./core/image.ts";
export * from "./core/ndarray.ts";
export * from "./core/random.ts";
export * from "./core/progress.ts";
export * from "./core/frame_record.ts";
export * from "./core/transform.ts";
export * from "./core/star.ts";
export * from "./core/canvas.ts";
export * from "./core/normalisation.ts";

// stats

// kernels
export * from "./kernels/pool.ts";

// io

// simulate

// calibrate

// measure

// night

// register

// combine

// background

// detail

// tone

// colour

// effect

// view

// pipeline
