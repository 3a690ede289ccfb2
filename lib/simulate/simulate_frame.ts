/** One raw light frame. */
import { createImage, type Image } from "../core/image.ts";
import { plainGeometry } from "../core/geometry.ts";
import { canonicalJson } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import { expectedSignal, type SimulateFrameOptions } from "./expected_signal.ts";
import { frameConditionsDefaults } from "./frame_conditions.ts";
import type { FrameTruth } from "./frame_truth.ts";
import { frameHeader } from "./frame_header.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";
import type { Scene } from "./scene.ts";
import { darkCurrentLaw, readOut } from "./sensor.ts";

/** A frame with its truth. */
export interface SimulatedFrame {
  /** Raw data, ADU; one plane named after the filter, or `mosaic`. */
  readonly image: Image;
  /** The truth. */
  readonly truth: FrameTruth;
}

/**
 * Expose a rig on a scene.
 *
 * Out: one plane of whole ADU named after the filter, or `mosaic`, with a header as a capture program writes it and
 * geometry with scale and Bayer pattern; the truth beside it. Cost: about 0.5 s a megapixel.
 *
 * @param rig telescope and camera
 * @param scene piece of sky
 * @param options conditions, seed and fault; what is left out is a good frame
 * @throws {TypeError} if an option or the filter is unknown
 *
 * @example A clear frame, and the same through cloud
 * ```ts
 * import assert from "node:assert/strict";
 * import { longRig, resizeRig, simulateFrame, starScene } from "faintlight/simulate";
 *
 * const rig = resizeRig(longRig, { width: 64, height: 48 }), scene = starScene({ maximumMagnitude: 14 });
 * const clear = simulateFrame(rig, scene, { seed: 3 });
 * const cloud = simulateFrame(rig, scene, { seed: 3, fault: "cloud" });
 * assert.ok(cloud.truth.transparency < 0.7 * clear.truth.transparency);
 * assert.equal(clear.image.unit, "adu");
 * ```
 */
export function simulateFrame(rig: Rig, scene: Scene, options: SimulateFrameOptions = {}): SimulatedFrame {
  const { electrons, truth } = expectedSignal(rig, scene, options);
  const seed = options.seed ?? frameConditionsDefaults.seed;
  const temperatureC = options.temperatureC ?? rig.setTemperatureC ?? 15;
  const cosmicRays = options.cosmicRays ?? frameConditionsDefaults.cosmicRays;
  const exposure = { seconds: truth.exposureSeconds, temperatureC, cosmicRays };
  const data = readOut(rig, truth.transparency > 0 ? electrons : null, exposure, randomStream(`read-out ${seed}`));
  const { detector } = rig;
  const warm = darkCurrentLaw(temperatureC) / darkCurrentLaw(detector.referenceC);
  const image = createImage({
    width: rig.width,
    height: rig.height,
    unit: "adu",
    planes: [{ channel: rig.bayer === null ? truth.filter : "mosaic", data }],
    header: frameHeader(rig, {
      kind: "light",
      filter: rig.bayer === null ? truth.filter : rig.colourFilter ?? "",
      exposureSeconds: truth.exposureSeconds,
      dateUtc: truth.dateUtc,
      temperatureC,
      object: scene.object,
      rightAscensionDegrees: scene.rightAscensionDegrees,
      declinationDegrees: scene.declinationDegrees,
      altitudeDegrees: truth.altitudeDegrees,
    }),
    geometry: { ...plainGeometry, arcsecPerPixel: arcsecPerPixelOf(rig), bayer: rig.bayer },
  }, {
    step: "simulateFrame",
    options: { rig: rig.name, scene: scene.object, ...JSON.parse(canonicalJson(options)) },
  });
  return { image, truth: { ...truth, darkElectrons: detector.darkRate * warm * truth.exposureSeconds } };
}
